"""fitcohort and the public validator of Frictionless Data Packages on the same deliveries: both have to find the same tables bad.

    python compare.py FITCOHORT WORKFOLDER

Judges (a) an invented delivery without planted errors, one with them, and an export; (b) variants of the first with one
defect each, of every kind that a Table Schema can express (cases.py), and a sweep of thresholds and dates compared row by
row. Where the two differ by design it is said with its reason, and asserted too.
"""

import csv
import json
import shutil
import subprocess
import sys
from pathlib import Path

import frictionless
from frictionless import validate

from cases import EXTRA, TABLES, Delivery, all_cases

SCHEMA = Path(__file__).resolve().parents[2] / "pipeline" / "datapackage.json"


class Comparison:
    def __init__(self, program, work):
        self.program = program
        self.work = work
        self.failures = []

    def run(self, *arguments):
        return subprocess.run([self.program, *map(str, arguments)], capture_output=True, text=True, check=False)

    def ours(self, folder):
        """Tables with rows set aside, or the table of the file that a refusal names."""
        run = self.run("check", folder, "--json")
        if run.returncode == 0:
            tables = json.loads(run.stdout)["tables"]
            return {name for name, account in tables.items() if account["rows_set_aside"] > 0}
        assert run.returncode == 65, (run.returncode, run.stderr)
        sentence = json.loads(run.stderr)["error"]
        named = {name for name in TABLES if f"{name}.csv" in sentence}
        assert len(named) == 1, sentence
        return named

    def expect(self, name, what, found, wanted):
        if found != wanted:
            self.failures.append(f"{name}: {what} {sorted(found)}, expected {sorted(wanted)}")

    def new_folder(self, clean):
        folder = self.work / "case"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(clean, folder)
        return folder


def theirs(folder):
    """Tables that the validator finds bad; the descriptor itself has to be good."""
    report = validate(str(folder / "datapackage.json"))
    assert not report.errors, report.errors
    return {task.name for task in report.tasks if task.errors}


def lines_of(folder, table):
    """The lines that the validator finds fault with, the header being line 1."""
    report = validate(str(folder / "datapackage.json"))
    task = next(task for task in report.tasks if task.name == table)
    return {error.row_number for error in task.errors}


def sweep(comparison, clean, table, column, values):
    """One row for each value; the same lines have to be found bad."""
    folder = comparison.new_folder(clean)
    delivery = Delivery(folder)
    first = len(delivery.text(table).splitlines()) + 1
    for number, value in enumerate(values):
        fitting = f"SWEEP-{number}"
        rows = {"fittings": EXTRA["fittings"] | {"fitting_id": fitting, "patient_id": fitting}}
        if table != "fittings":
            rows[table] = EXTRA[table] | {"fitting_id": fitting}
        rows[table][column] = value
        for name, row in rows.items():
            delivery.append(name, delivery.line(name, **row))
    aside = comparison.work / "aside.csv"
    run = comparison.run("check", folder, "--set-aside-csv", aside)
    assert run.returncode == 0, run.stderr
    with open(aside, newline="", encoding="utf-8") as file:
        ours = {int(row["line"]) for row in csv.DictReader(file) if row["file"] == f"{table}.csv"}
    for line in sorted(ours ^ lines_of(folder, table)):
        who = "only ours" if line in ours else "only theirs"
        comparison.failures.append(f"sweep of {column}: {values[line - first]!r} is bad for {who}")
    assert 0 < len(ours) < len(values), "a sweep has good and bad values"
    return len(values), len(ours)


THRESHOLDS = (
    [f"{sign}{whole}{rest}" for sign in ("", "-", "+") for whole in
     ("0", "00", "1", "5", "9", "09", "10", "010", "11", "19", "55", "99", "100", "110", "119", "120", "0120", "121", "200", "1000")
     for rest in ("", ".0", ".5", ".00", ".001", ".")]
    + [f">{limit}" for limit in ("110", "110.0", "+110", "0110", "109", "111", "110.5", "-110", "", "1100")]
    + ["<110", ">>110", "1e1", "0x1", ".5", "5,0", " 5", "5 ", "\u0665", "\uff15", "--5", "+-5", "NaN", "inf", "10dB"]
)

DATES = (
    [f"{year}-{rest}" for year in ("1899", "1900", "1904", "1999", "2000", "2024", "2026", "2100", "2196", "2199", "2200", "0026", "26")
     for rest in ("01-31", "02-28", "02-29", "02-30", "03-31", "04-30", "04-31", "06-31", "09-30", "11-31", "12-31", "12-32",
                  "00-10", "13-01", "05-00", "1-1", "01", "12", "13", "00", "Q1", "Q4", "Q0", "Q5", "q1", "", "Q1-01")]
    + ["2026", "2026/08/17", "17.08.2026", "2026-08-17T10:00", " 2026-08", "2026-08 ", "\u0662026-08", "20260817", "2026-08-1\u0667"]
)


def invented(comparison, name, *options):
    folder = comparison.work / name
    run = comparison.run("synthesize", "--fittings", 24, "--seed", 3, "--out", folder, *options)
    assert run.returncode == 0, run.stderr
    return folder


def compare_wide(comparison, clean):
    """The published schema itself, over a delivery in the wide form, whole and with a value out of range."""
    folder = comparison.new_folder(clean)
    package = json.loads(SCHEMA.read_text(encoding="utf-8"))
    resources = {resource["name"]: resource for resource in package["resources"]}
    labels = [{"name": name, "type": "string"} for name in ("x_region", "x_data")]
    resources["fittings"]["schema"]["fields"] += labels
    package["resources"] = [resources[name] for name in ("fittings", "ears", "responses-wide", "outcomes")]
    (folder / "datapackage.json").write_text(json.dumps(package), encoding="utf-8")
    names = [field["name"] for field in resources["responses-wide"]["schema"]["fields"]]
    (folder / "responses.csv").unlink()
    ear = Delivery(folder).text("ears").splitlines()[1].split(",")
    for value, bad in (("61.5", set()), ("141", {"responses"})):
        row = {"fitting_id": ear[0], "ear": ear[1], "quantity": "REAR", "input_level_db": "65", "measured_1000": value}
        lines = [",".join(names), ",".join(row.get(name, "") for name in names)]
        (folder / "responses-wide.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        run = comparison.run("check", folder, "--json")
        tables = json.loads(run.stdout)["tables"]
        ours = {name for name, account in tables.items() if account["rows_set_aside"] > 0}
        comparison.expect(f"wide form, {value}", "we find bad", ours, bad)
        found = {name.removesuffix("-wide") for name in theirs(folder)}
        comparison.expect(f"wide form, {value}", "they find bad", found, bad)


def compare_export(comparison):
    """An export is what its descriptor says, and the descriptor would notice where it were not."""
    folder = comparison.work / "to-export"
    assert comparison.run("synthesize", "--fittings", 400, "--out", folder).returncode == 0
    cohort, out = comparison.work / "cohort", comparison.work / "export"
    assert comparison.run("ingest", folder, "--into", cohort).returncode == 0
    for selection in ([], ["--quarter", "2026-Q1"]):
        run = comparison.run("export", cohort, "--out", out, *selection)
        assert run.returncode == 0, run.stderr
        comparison.expect(f"export {selection}", "they find bad", theirs(out), set())
    text = (out / "fittings.csv").read_text(encoding="utf-8")
    first = text.splitlines()[0].split(",")
    row = dict.fromkeys(first, "") | {"verified": "true", "answered": "false"}
    spoiled = [
        {"grade": "enormous"}, {"age_band": "70"}, {"quarter": "2026-Q9"}, {"clinic": "0"}, {"clinic": "clinic-01"},
        {"rms_db": "3.5"}, {"share_within": "1.5"}, {"verified": ""}, {"verified": "1"}, {"ear": "middle"},
    ]
    for change in [{}] + spoiled:
        line = ",".join((row | change)[name] for name in first)
        (out / "fittings.csv").write_text(text + line + "\n", encoding="utf-8")
        wanted = {"fittings"} if change else set()
        comparison.expect(f"export with {change}", "they find bad", theirs(out), wanted)


def main():
    program, work = sys.argv[1], Path(sys.argv[2]).resolve()
    comparison = Comparison(program, work)
    clean = invented(comparison, "clean", "--planted-errors", 0)
    planted = invented(comparison, "planted", "--planted-errors", 0.01)
    comparison.expect("planted errors", "we find bad", comparison.ours(planted), set(TABLES))
    comparison.expect("planted errors", "they find bad", theirs(planted), set(TABLES))

    cases = all_cases()
    for case in cases:
        folder = comparison.new_folder(clean)
        case.spoil(Delivery(folder))
        comparison.expect(case.name, "we find bad", comparison.ours(folder), case.ours)
        comparison.expect(case.name, "they find bad", theirs(folder), case.theirs)
    agreed = [case for case in cases if not case.reason]
    differing = [case for case in cases if case.reason]

    thresholds = sweep(comparison, clean, "ears", "threshold_1000", THRESHOLDS)
    dates = sweep(comparison, clean, "fittings", "fitted_on", DATES)
    compare_wide(comparison, clean)
    compare_export(comparison)

    print(f"frictionless {frictionless.__version__}")
    print(f"{len(agreed)} deliveries judged alike, {sum(1 for case in agreed if case.ours)} of them with a defect")
    print(f"{thresholds[0]} thresholds ({thresholds[1]} bad) and {dates[0]} dates ({dates[1]} bad) judged alike, row by row")
    print(f"{len(differing)} known differences:")
    for case in differing:
        print(f"  {case.name}: {case.reason}")
    for failure in comparison.failures:
        print(f"FAILED  {failure}")
    return 1 if comparison.failures else 0


if __name__ == "__main__":
    sys.exit(main())
