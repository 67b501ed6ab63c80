"""Whether the answers of another program are ours.

    python agree.py OURS THEIRS

Both are folders of CSV files; every file of THEIRS is held against the one of the same name in OURS: the same rows by
key, and in every column that both have the same value. Counts and labels must be equal. Estimates agree to 1e-9 of
their size, or to a billionth of a dB, to which the store rounds its measures; those of models, which end a search, to
1e-5 of their size. Prints what was held against what; exit code 1 where something differs.
"""

import csv
import math
import sys
from pathlib import Path

KEYS = {
    "match": ["stage", "quantity", "input_band", "frequency_hz"],
    "curves": ["stage", "quantity", "input_band"],
    "ears": [],
    "clinicians": ["clinician_id", "measure"],
    "ranks": ["method", "weighted"],
    "ordinal": ["method", "weighted"],
    "variance": ["measure", "component"],
    "reml": ["term"],
    "proportional_odds": ["term"],
    "replicates": ["term"],
}
# The rank correlations and the ordinal models stand in one table of ours.
TABLE_OF = {"ranks": "association", "ordinal": "association"}
# (relative, absolute)
CLOSE, MODEL = (1e-9, 1e-9), (1e-5, 1e-7)
TOLERANCE = {"ordinal": MODEL, "variance": MODEL, "reml": MODEL, "proportional_odds": MODEL}
# The text differs by its making and says nothing of the value.
NOT_HELD = {"signal", "how", "interval"}


def rows_of(path, keys):
    """The rows of a file by key."""
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    by_key = {tuple(row[key] for key in keys): row for row in rows}
    if len(by_key) != len(rows):
        sys.exit(f"{path.name}: rows with the same {', '.join(keys)}")
    return by_key


def same(ours, theirs, tolerance):
    if ours == theirs:
        return True
    try:
        a, b = float(ours), float(theirs)
    except ValueError:
        return False
    return math.isclose(a, b, rel_tol=tolerance[0], abs_tol=tolerance[1])


def held(name, ours, theirs):
    """Compares two files; gives how many values were compared and what differs."""
    keys = KEYS[name]
    ours, theirs = rows_of(ours, keys), rows_of(theirs, keys)
    differ, compared = [], 0
    # What is asked of another program may be less than the whole of our association table; elsewhere rows are the same.
    if name not in TABLE_OF and set(ours) != set(theirs):
        differ.append(f"{name}: rows {sorted(set(ours) ^ set(theirs))[:4]} are in one of the two only")
    for key, row in theirs.items():
        if key not in ours:
            differ.append(f"{name} {'/'.join(key)}: not in ours")
            continue
        for column, value in row.items():
            if column in keys or column in NOT_HELD or column not in ours[key]:
                continue
            compared += 1
            if not same(ours[key][column], value, TOLERANCE.get(name, CLOSE)):
                differ.append(f"{name} {'/'.join(key)} {column}: ours {ours[key][column]}, theirs {value}")
    return compared, differ


def main():
    ours, theirs = Path(sys.argv[1]), Path(sys.argv[2])
    found, differ = [], []
    for path in sorted(theirs.glob("*.csv")):
        if path.stem not in KEYS:
            continue
        of_ours = ours / f"{TABLE_OF.get(path.stem, path.stem)}.csv"
        if not of_ours.exists():
            differ.append(f"{path.stem}: ours has no {of_ours.name}")
            continue
        compared, unlike = held(path.stem, of_ours, path)
        found.append(f"{path.stem} {compared}")
        differ += unlike
        if not compared:
            differ.append(f"{path.stem}: nothing was compared")
    if not found and not differ:
        sys.exit(f"{theirs}: no answers")
    print(f"values compared: {', '.join(found)}; {len(differ)} differ")
    print("\n".join(differ[:20]), end="\n" if differ else "")
    sys.exit(bool(differ))


if __name__ == "__main__":
    main()
