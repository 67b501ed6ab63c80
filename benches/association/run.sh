#!/usr/bin/env bash
# The whole of `query association` (2000 replicates of bootstrap and permutation, plain and weighted, with the ordinal
# models) against SciPy's rank correlations with 20 replicates of each, whole process, on the same cohort; and whether
# the estimates agree.
#
#   benches/association/run.sh [FITTINGS] [PYTHON]
#
# PYTHON has the versions of requirements.txt. Needs GNU time.
set -euo pipefail
cd "$(dirname "$0")/../.."
fittings="${1:-100000}"
python="${2:-python3}"
cargo build --release --locked
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
fitcohort=target/release/fitcohort
"$fitcohort" synthesize --fittings "$fittings" --out "$work/delivery" --quiet > "$work/printed"
"$fitcohort" ingest "$work/delivery" --into "$work/cohort" --quiet > "$work/printed"
for run in 1 2 3; do
    /usr/bin/time --format "%e s  %M KiB  query association, run $run" \
        "$fitcohort" query association "$work/cohort" --format csv > "$work/ours.csv"
    /usr/bin/time --format "%e s  %M KiB  SciPy, 20 replicates, run $run" \
        "$python" benches/association/by_scipy.py "$work/cohort" 20 > "$work/theirs.txt"
done
"$fitcohort" query association "$work/cohort"
cat "$work/theirs.txt"
"$python" - "$work/ours.csv" "$work/theirs.txt" <<'PYTHON'
import csv
import math
import re
import sys

ours = {row["method"]: float(row["estimate"]) for row in csv.DictReader(open(sys.argv[1])) if row["weighted"] == "false"}
for line in open(sys.argv[2]):
    method, value = re.match(r"(\w+) .*estimate=(\S+)", line).groups()
    agree = math.isclose(ours[method], float(value), rel_tol=1e-9)
    print(f"{method}: {'agree to 1e-9' if agree else f'DIFFER, {ours[method]} against {value}'}")
    if not agree:
        sys.exit(1)
PYTHON
