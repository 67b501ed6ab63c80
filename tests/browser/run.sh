#!/usr/bin/env bash
# Makes cohorts of several sizes and kinds, their pages, and opens every page in a real browser: run.mjs says what is
# looked at.
#
#   tests/browser/run.sh FITCOHORT [FOLDER]
#
# FITCOHORT is the built program. FOLDER, where given, holds the pages of the odd cohorts, as
# `FITCOHORT_ODD_PAGES=FOLDER cargo test --test integration odd_cohorts` leaves them; without it they are made so here.
# Needs node 20 or later, npm, and Chromium at $CHROMIUM or /usr/bin/chromium. npm brings the two packages of the lock
# file and nothing else; no browser is downloaded. Exit code 0: nothing found.
set -euo pipefail
fitcohort="$(realpath "${1:?the path of a built fitcohort is needed}")"
here="$(cd "$(dirname "$0")" && pwd)"
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
odd="${2:-}"

npm ci --prefix "$here" --ignore-scripts --no-audit --no-fund --loglevel=error

if [ -z "$odd" ]; then
    odd="$work/odd"
    (cd "$here/../.." && FITCOHORT_ODD_PAGES="$odd" cargo test --locked --quiet --test integration odd_cohorts)
fi
pages=("$(realpath "$odd")")

# Three sizes: too few for most numbers, a practice, and the demo with an index of several quarters.
for fittings in 40 600 2000; do
    "$fitcohort" synthesize --fittings "$fittings" --seed 7 --out "$work/delivery-$fittings" --quiet > "$work/said"
    "$fitcohort" ingest "$work/delivery-$fittings" --into "$work/cohort-$fittings" --quiet > "$work/said"
done
"$fitcohort" report "$work/cohort-40" --out "$work/pages/40" --quiet > "$work/said"
"$fitcohort" report "$work/cohort-600" --out "$work/pages/600" --quarters 3 --quiet > "$work/said"
"$fitcohort" report "$work/cohort-2000" --out "$work/pages/2000" --quiet > "$work/said"
# Dates kept to the year.
"$fitcohort" ingest "$work/delivery-600" --into "$work/cohort-years" --year-only --quiet > "$work/said"
"$fitcohort" report "$work/cohort-years" --out "$work/pages/years" --quarters all --quiet > "$work/said"
pages+=("$work/pages")

node "$here/run.mjs" "${pages[@]}"
