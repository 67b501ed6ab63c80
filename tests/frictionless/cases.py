"""Deliveries that are whole but for one thing, and what the two judges say of them.

A case is made from a clean delivery. `both` are the tables that both judges find bad; where they differ by design, `ours`
and `theirs` say how, and `reason` why.
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Callable

TABLES = ("fittings", "ears", "responses", "outcomes")

# One more fitting with its rows, apart from all others, so that what is spoiled in them concerns nothing else.
EXTRA = {
    "fittings": {
        "fitting_id": "EXTRA",
        "patient_id": "PEXTRA",
        "clinic_id": "clinic-01",
        "clinician_id": "clinician-01",
        "fitted_on": "2026-Q2",
        "age_years": "70",
        "experience": "new",
        "prescription": "NAL-R",
        "medical_referral": "none",
        "returned": "false",
        "x_region": "region-a",
        "x_data": "invented",
    },
    "ears": {
        "fitting_id": "EXTRA",
        "ear": "left",
        "fitted": "true",
        "threshold_500": "40",
        "threshold_1000": "45.5",
        "coupling": "open",
        "style": "in-the-canal",
    },
    "responses": {
        "fitting_id": "EXTRA",
        "ear": "left",
        "stage": "final",
        "quantity": "REIG",
        "input_level_db": "65",
        "frequency_hz": "1000",
        "target_db": "20",
        "measured_db": "18.5",
    },
    "outcomes": {
        "fitting_id": "EXTRA",
        "instrument": "ioi-ha",
        "item": "4",
        "score": "4",
        "weeks_after": "6",
    },
}


class Delivery:
    """The files of a delivery as text, changed in place."""

    def __init__(self, folder: Path):
        self.folder = folder

    def path(self, table):
        return self.folder / f"{table}.csv"

    def text(self, table):
        return self.path(table).read_text(encoding="utf-8")

    def put(self, table, text):
        self.path(table).write_bytes(text if isinstance(text, bytes) else text.encode())

    def header(self, table):
        return self.text(table).split("\n", 1)[0].split(",")

    def line(self, table, **values):
        unknown = set(values) - set(self.header(table))
        assert not unknown, unknown
        return ",".join(quoted(values.get(name, "")) for name in self.header(table))

    def add(self, table, **changes):
        """Appends the extra row of a table, with changes; parents first where they are not there yet."""
        row = EXTRA[table] | changes
        if table != "fittings":
            self.parents(row["fitting_id"], table)
        self.append(table, self.line(table, **row))

    def parents(self, fitting, table):
        if f"\n{fitting}," not in self.text("fittings") and fitting == "EXTRA":
            self.append("fittings", self.line("fittings", **EXTRA["fittings"]))
        if table == "responses" and f"\n{fitting}," not in self.text("ears") and fitting == "EXTRA":
            self.append("ears", self.line("ears", **EXTRA["ears"]))

    def append(self, table, line):
        self.put(table, self.text(table) + line + "\n")


def quoted(value):
    return '"' + value.replace('"', '""') + '"' if any(c in value for c in ',"\n\r') else value


@dataclass
class Case:
    name: str
    spoil: Callable[[Delivery], None]
    ours: set = field(default_factory=set)
    theirs: set = field(default_factory=set)
    reason: str = ""


def both(name, spoil, *bad):
    return Case(name, spoil, set(bad), set(bad))


def differ(name, spoil, ours, theirs, reason):
    assert set(ours) != set(theirs) and reason
    return Case(name, spoil, set(ours), set(theirs), reason)


def cell(table, column, value):
    shown = value if len(value) < 30 else f"{len(value)} characters"
    return both(f"{table}.{column} = {shown!r}", lambda d: d.add(table, **{column: value}), table)


def good(table, column, value):
    return both(f"{table}.{column} = {value!r} is good", lambda d: d.add(table, **{column: value}))


def twice(table, **change):
    def spoil(d):
        d.add(table)
        d.add(table, **change)

    return spoil


def replaced(table, old, new, count=1):
    return lambda d: d.put(table, d.text(table).replace(old, new, count))


LONG = "x" * 65

# Cells that break what a schema can say.
CELLS = [
    ("fittings", "fitting_id", ""),
    ("fittings", "fitting_id", "two words"),
    ("fittings", "patient_id", ""),
    ("fittings", "patient_id", LONG),
    ("fittings", "clinic_id", "north/2"),
    ("fittings", "clinician_id", "caf\u00e9-2"),
    ("fittings", "fitted_on", ""),
    ("fittings", "fitted_on", "17.08.2026"),
    ("fittings", "fitted_on", "2026-02-30"),
    ("fittings", "fitted_on", "2025-02-29"),
    ("fittings", "fitted_on", "2026-Q5"),
    ("fittings", "fitted_on", "1899-12"),
    ("fittings", "age_years", "seventy"),
    ("fittings", "age_years", "131"),
    ("fittings", "age_years", "-1"),
    ("fittings", "age_years", "70.5"),
    ("fittings", "experience", "some"),
    ("fittings", "medical_referral", "maybe"),
    ("fittings", "returned", "yes"),
    ("fittings", "returned", "TRUE"),
    ("fittings", "prescription", LONG),
    ("fittings", "prescription", "bell\u0007"),
    ("fittings", "x_region", LONG),
    ("ears", "ear", ""),
    ("ears", "ear", "both"),
    ("ears", "fitted", ""),
    ("ears", "fitted", "1"),
    ("ears", "threshold_250", "120.5"),
    ("ears", "threshold_2000", "-10.01"),
    ("ears", "threshold_8000", ">100"),
    ("ears", "threshold_8000", ">120"),
    ("ears", "threshold_4000", "no response"),
    ("ears", "threshold_4000", "25,5"),
    ("ears", "coupling", "sealed"),
    ("ears", "style", LONG),
    ("responses", "ear", "middle"),
    ("responses", "stage", "second"),
    ("responses", "quantity", ""),
    ("responses", "quantity", "rear"),
    ("responses", "input_level_db", ""),
    ("responses", "input_level_db", "39.9"),
    ("responses", "input_level_db", "95.01"),
    ("responses", "frequency_hz", ""),
    ("responses", "frequency_hz", "1250"),
    ("responses", "frequency_hz", "1000.0"),
    ("responses", "target_db", "-40.5"),
    ("responses", "target_db", "none"),
    ("responses", "measured_db", ""),
    ("responses", "measured_db", "140.01"),
    ("responses", "measured_db", "NaN"),
    ("responses", "measured_db", "INF"),
    ("outcomes", "instrument", ""),
    ("outcomes", "item", ""),
    ("outcomes", "score", ""),
    ("outcomes", "score", "good"),
    ("outcomes", "weeks_after", "-1"),
    ("outcomes", "weeks_after", "520.5"),
    ("outcomes", "fitting_id", "not an id"),
]

GOOD_CELLS = [
    ("fittings", "fitted_on", "2026-08-17"),
    ("fittings", "fitted_on", "2026-08"),
    ("fittings", "fitted_on", "2024-02-29"),
    ("fittings", "age_years", "130"),
    ("fittings", "age_years", ""),
    ("fittings", "prescription", "k\u00f6nig, \"new\""),
    ("ears", "threshold_8000", ">110"),
    ("ears", "threshold_8000", "-10"),
    ("responses", "stage", ""),
    ("responses", "target_db", ""),
    ("responses", "measured_db", "+18.25"),
    ("outcomes", "weeks_after", ""),
]


def drop_column(table, column):
    def spoil(d):
        at = d.header(table).index(column)
        lines = [line.split(",") for line in d.text(table).splitlines()]
        d.put(table, "".join(",".join(f[:at] + f[at + 1 :]) + "\n" for f in lines))

    return spoil


def add_column(table, column, value):
    def spoil(d):
        first, *rest = d.text(table).splitlines()
        d.put(table, "\n".join([f"{first},{column}", *(f"{line},{value}" for line in rest)]) + "\n")

    return spoil


def swap_columns(table):
    def spoil(d):
        lines = [line.split(",") for line in d.text(table).splitlines()]
        d.put(table, "".join(",".join([f[1], f[0], *f[2:]]) + "\n" for f in lines))

    return spoil


def broken_fitting(d):
    d.add("responses")
    d.add("outcomes")
    d.put("fittings", d.text("fittings").replace("\nEXTRA,PEXTRA,", "\nEXTRA,P/EXTRA,"))


def orphan_ear(d):
    d.add("responses")
    d.append("responses", d.line("responses", **EXTRA["responses"] | {"ear": "right"}))


def without_prescription(d):
    d.add("fittings", prescription="")
    d.add("ears")
    d.add("responses")


NOT_UTF8 = b"fitting_id,instrument,item,score,weeks_after\nF\xff,ioi-ha,4,4,6\n"


def row_too_long(d):
    d.append("outcomes", d.line("outcomes", **EXTRA["outcomes"]) + ",6")


def all_in_quotes(d):
    lines = [line.split(",") for line in d.text("outcomes").splitlines()]
    d.put("outcomes", "".join(",".join(f'"{f}"' for f in fields) + "\n" for fields in lines))


FILES = [
    both("nothing spoiled", lambda d: None),
    both("an orphan in ears", lambda d: d.add("ears", fitting_id="NOBODY"), "ears"),
    both("an orphan in responses", lambda d: d.add("responses", fitting_id="NOBODY"), "responses"),
    both("an orphan in outcomes", lambda d: d.add("outcomes", fitting_id="NOBODY"), "outcomes"),
    both("a response of an ear that is not there", orphan_ear, "responses"),
    both("two fittings of one id", twice("fittings", age_years="71"), "fittings"),
    both("two rows of one ear", twice("ears", coupling="closed"), "ears"),
    both("a row too short", lambda d: d.append("outcomes", "EXTRA,ioi-ha"), "outcomes"),
    both("a row too long", row_too_long, "outcomes"),
    both("a short row of fittings", lambda d: d.append("fittings", "EXTRA,PEXTRA"), "fittings"),
    both("a column left out", drop_column("outcomes", "score"), "outcomes"),
    both("a required column of ears left out", drop_column("ears", "fitted"), "ears"),
    both("an unknown column", add_column("outcomes", "remark", "fine"), "outcomes"),
    both("an unknown column of responses", add_column("responses", "remark", "fine"), "responses"),
    both("a column named twice", add_column("outcomes", "score", "4"), "outcomes"),
    both("a column misspelt", replaced("outcomes", "score", "scores"), "outcomes"),
    both("an empty file", lambda d: d.put("outcomes", ""), "outcomes"),
    both("bytes that are no UTF-8", lambda d: d.put("outcomes", NOT_UTF8), "outcomes"),
    both("a header and no row", lambda d: d.put("outcomes", d.text("outcomes").split("\n", 1)[0] + "\n")),
    both("rows that end in CR LF", lambda d: d.put("outcomes", d.text("outcomes").replace("\n", "\r\n"))),
    both("every field in quotes", all_in_quotes),
    both("separated by semicolons", lambda d: d.put("outcomes", d.text("outcomes").replace(",", ";")), "outcomes"),
]

DIFFERENCES = [
    differ("a fitting twice, the same", twice("fittings"), [], ["fittings"],
           "an exact repeat is counted and harmless; a primary key knows no repeats"),
    differ("an ear twice, the same", twice("ears"), [], ["ears"],
           "an exact repeat is counted and harmless; a primary key knows no repeats"),
    differ("two values of one point", twice("responses", measured_db="19"), ["responses"], [],
           "the key holds stage, which may be blank, and so is no primary key; uniqueKeys is not read by this validator"),
    differ("two scores of one answer", twice("outcomes", score="3"), ["outcomes"], [],
           "the key holds weeks_after, which may be blank, and so is no primary key"),
    differ("a score beyond its instrument", lambda d: d.add("outcomes", score="9"), ["outcomes"], [],
           "the range of a score depends on another cell, its instrument"),
    differ("a score between two of ioi-ha", lambda d: d.add("outcomes", score="3.5"), ["outcomes"], [],
           "whether scores are whole depends on another cell"),
    differ("an instrument that nobody declared", lambda d: d.add("outcomes", instrument="our-scale"), ["outcomes"], [],
           "instruments are declared in the plan, which a schema does not know"),
    differ("an item that the instrument lacks", lambda d: d.add("outcomes", item="8"), ["outcomes"], [],
           "items depend on another cell"),
    differ("a target without a prescription", without_prescription, ["responses"], [],
           "the prescription stands in another table"),
    differ("a fitting that is set aside takes its rows along", broken_fitting, TABLES, ["fittings"],
           "a row of a fitting that is set aside has no parent; a foreign key asks only whether the id occurs"),
    differ("an exponent", lambda d: d.add("responses", measured_db="1e1"), ["responses"], [],
           "numbers are plain decimals for us; the standard's number may have an exponent"),
    differ("minus zero", lambda d: d.add("responses", measured_db="-0"), ["responses"], [],
           "minus zero is what some programs make of a small negative number; the standard has no word on it"),
    differ("a number with a blank before it", lambda d: d.add("responses", measured_db=" 5"), ["responses"], [],
           "the validator's conversion of numbers passes over blanks"),
    differ("an empty line", lambda d: d.append("outcomes", ""), [], ["outcomes"],
           "an empty line holds no row; the validator calls it a blank row"),
    differ("columns in another order", swap_columns("outcomes"), [], ["outcomes"],
           "columns are known by name; the validator goes by position unless told otherwise"),
    differ("an optional column left out", drop_column("outcomes", "weeks_after"), [], ["outcomes"],
           "optional columns may be left out; the validator wants every field of the schema unless told otherwise"),
    differ("one more label", add_column("fittings", "x_site", "a"), [], ["fittings"],
           "any x_ column is a label; a schema cannot name columns by a pattern"),
    differ("no outcomes file", lambda d: d.path("outcomes").unlink(), [], ["outcomes"],
           "a table other than fittings may be missing, and is noted"),
    differ("no bytes in fittings", lambda d: d.put("fittings", ""), ["fittings"], TABLES,
           "we refuse at the first file; the validator goes on and finds every row without its fitting"),
]


def all_cases():
    return (
        FILES
        + [cell(*entry) for entry in CELLS]
        + [good(*entry) for entry in GOOD_CELLS]
        + DIFFERENCES
    )
