"""Recomputes the reference values: what general-purpose libraries give for the tables in data/, a CSV file a family.

Run in an environment with the versions of requirements.txt:

    python regenerate.py                    writes the CSV files beside this script
    python regenerate.py --check            compares instead, and exits with 1 on a difference
    python regenerate.py --family mixed     only one of them; may be given again

Each row names the tool, its version and the call. Nothing here reads the Rust code.
"""

import argparse
import csv
import importlib
import io
import math
import sys
import time

import shared

# Module and CSV file have the family's name. A module has `rows(add)`, and may have `looser(quantity)`: how far a
# value may be off beyond `TOLERANCE`, or None.
FAMILIES = ("basic", "regression", "categorical", "resampling", "missing", "mixed", "similarity")
# Relative. Libraries built for other processors add up in other orders; none of that reaches the ninth digit.
TOLERANCE = 1e-9
# What is 0 but for rounding.
NOTHING = 1e-12


def computed(module):
    found = shared.Rows()
    module.rows(found.add)
    return found


def as_text(found):
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(shared.COLUMNS)
    writer.writerows(found)
    return buffer.getvalue()


def by_key(found):
    return {(case, quantity): (float(value), tool, version, call) for case, quantity, value, tool, version, call in found}


def differences(kept, now, tolerance_of):
    """One line for each row that is not the same in both."""
    kept, now = by_key(kept), by_key(now)
    for key in [*kept, *(key for key in now if key not in kept)]:
        name = f"{key[0]}; {key[1]}"
        if key not in now:
            yield f"{name}: no longer computed"
        elif key not in kept:
            yield f"{name}: not in the file"
        else:
            (old, *source), (new, *new_source) = kept[key], now[key]
            if not math.isclose(old, new, rel_tol=tolerance_of(key[1]), abs_tol=NOTHING):
                yield f"{name}: {old!r} in the file, {new!r} now ({' '.join(source[:2])} then, {new_source[1]} now)"
            elif (source[0], source[2]) != (new_source[0], new_source[2]):
                yield f"{name}: the file names {source[0]}, {source[2]}; now it is {new_source[0]}, {new_source[2]}"


def main():
    parser = argparse.ArgumentParser(description="Recomputes or compares the reference values.")
    parser.add_argument("--check", action="store_true", help="compare with the files, write nothing")
    parser.add_argument("--family", action="append", choices=FAMILIES, help="only this one; may be given again")
    options = parser.parse_args()
    wrong = 0
    for name in options.family or FAMILIES:
        begun = time.monotonic()
        module = importlib.import_module(name)
        now = computed(module)
        path = shared.HERE / f"{name}.csv"
        if options.check:
            looser = getattr(module, "looser", lambda quantity: None)
            with path.open(newline="", encoding="utf-8") as file:
                kept = list(csv.reader(file))[1:]
            for line in differences(kept, now, lambda quantity: looser(quantity) or TOLERANCE):
                wrong += 1
                print(f"{path.name}: {line}")
            done = "compared"
        else:
            path.write_text(as_text(now), encoding="utf-8")
            done = "written"
        print(f"{path.name}: {len(now)} values {done} in {time.monotonic() - begun:.0f} s", flush=True)
    if wrong:
        print(f"{wrong} differences")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
