#!/usr/bin/env bash
# fitcohort beside what its users would write instead, and beside floors: on the same files, in turn, in one run. Prints
# one table of times, ratios and peak memory, and ends with exit code 1 where answers differ (agree.py says how close
# they have to be).
#
#   benches/compare/run.sh [OPTIONS] [FITTINGS…]      (10000 100000 1000000)
#
#   --write          puts the table into docs/performance.md
#   --python PATH    an interpreter with the packages of requirements.txt; without it a virtual environment is made
#   --binary PATH    a built fitcohort, with the examples `floors` and `models` beside it; without it a release build
#   --work FOLDER    keeps everything there (about 8 GB for a million fittings); without it a temporary folder
#   --rows N         rows of the models and replicates; without it the largest number of fittings, at least 5000
#   --smoke          2000 fittings once, little of each: does every part run and agree? Times mean nothing.
#
# Needs GNU time; for the models by R also Rscript with data.table, lme4, MASS and sandwich, which the table says if they
# are not there.
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
cd "$here/../.."

sizes=() write="" python="" binary="" work="" rows="" smoke=""
while [ $# -gt 0 ]; do
    case "$1" in
        --write) write=yes ;;
        --smoke) smoke=yes ;;
        --python) python="$2"; shift ;;
        --binary) binary="$2"; shift ;;
        --work) work="$2"; shift ;;
        --rows) rows="$2"; shift ;;
        -*) sed -n '2,18p' "$0"; exit 2 ;;
        *) sizes+=("$1") ;;
    esac
    shift
done
replicates=20 runs=3 few=20
if [ -n "$smoke" ]; then
    sizes=(2000) rows="${rows:-5000}" replicates=2 runs=1 few=2
fi
[ ${#sizes[@]} -gt 0 ] || sizes=(10000 100000 1000000)
if [ -z "$rows" ]; then
    rows="$(printf '%s\n' 5000 "${sizes[@]}" | sort -n | tail -n 1)"
fi
if [ -z "$work" ]; then
    work="$(mktemp -d)"
    trap 'rm -rf "$work"' EXIT
fi
mkdir -p "$work"
if [ -z "$binary" ]; then
    # Apart from each other: built together the program would get the features of the tests.
    cargo build --release --locked
    cargo build --release --locked --examples
    binary="${CARGO_TARGET_DIR:-target}/release/fitcohort"
fi
beside="$(dirname "$binary")/examples"
for example in floors models; do
    if [ ! -x "$beside/$example" ]; then
        echo "$beside/$example is not there: cargo build --examples, in the profile of $binary, makes it" >&2
        exit 2
    fi
done
if [ -z "$python" ]; then
    python3 -m venv "$work/venv"
    python="$work/venv/bin/python"
    "$python" -m pip install --quiet --disable-pip-version-check --requirement "$here/requirements.txt"
fi
r=""
if Rscript -e 'for (p in c("data.table", "lme4", "MASS", "sandwich")) library(p, character.only = TRUE)' \
    > "$work/printed" 2>&1; then
    r=yes
fi
times="$work/times.tsv" agreed="$work/agreed.tsv"
: > "$times"
: > "$agreed"
status=0

# measure FITTINGS STEP PROGRAM RUNS COMMAND…: the median of wall times and the largest peak of memory. Where the command
# prints `seconds N`, that is the time: of a fit without reading. `replicate N` is what one replicate took.
measure() {
    local size="$1" step="$2" program="$3" count="$4" start end run wall
    shift 4
    : > "$work/walls"
    : > "$work/peaks"
    for ((run = 0; run < count; run++)); do
        rm -rf "$work/fresh"
        mkdir "$work/fresh"
        start="${EPOCHREALTIME//[.,]/}"
        if ! /usr/bin/time --verbose --output "$work/time" "$@" > "$work/printed" 2> "$work/errors"; then
            echo "FAILED: $program, $step, $size fittings" >&2
            tail -n 5 "$work/errors" >&2
            printf '%s\t%s\t%s\tfailed\t\t\n' "$size" "$step" "$program" >> "$times"
            status=1
            return 0
        fi
        end="${EPOCHREALTIME//[.,]/}"
        wall="$(awk '$1 == "seconds" { printf "%d", $2 * 1e6 }' "$work/printed")"
        echo "${wall:-$((end - start))}" >> "$work/walls"
        sed -n 's/.*Maximum resident set size (kbytes): //p' "$work/time" >> "$work/peaks"
    done
    printf '%s\t%s\t%s\t%s\t%s\t%s\n' "$size" "$step" "$program" \
        "$(sort -n "$work/walls" | sed -n "$(((count + 1) / 2))p")" "$(sort -n "$work/peaks" | tail -n 1)" \
        "$(awk '$1 == "replicate" { print $2 }' "$work/printed")" >> "$times"
    tail -n 1 "$times" >&2
}

# agree FITTINGS PROGRAM OURS THEIRS
agree() {
    local found
    if found="$("$python" "$here/agree.py" "$3" "$4")"; then
        printf '%s\t%s\tyes\t%s\n' "$1" "$2" "$(head -n 1 <<< "$found")" >> "$agreed"
    else
        printf '%s\t%s\tNO\t%s\n' "$1" "$2" "$(head -n 1 <<< "$found")" >> "$agreed"
        printf 'DIFFERENT: %s, %s\n%s\n' "$2" "$1" "$found" >&2
        status=1
    fi
}

# A comparison that could not fail would say nothing: an estimate that is a millionth too large has to be found.
finds_what_differs() {
    rm -rf "$work/moved"
    cp -r "$1" "$work/moved"
    awk -F , -v OFS=, 'NR == 2 { $6 *= 1.000001 } { print }' OFMT=%.17g CONVFMT=%.17g "$1/match.csv" > "$work/moved/match.csv"
    if "$python" "$here/agree.py" "$work/moved" "$2" > "$work/printed"; then
        echo "agree.py does not see a mean that is a millionth too large" >&2
        status=1
    fi
}

of_size() {
    local size="$1" at="$work/$1" few_times="$runs" query
    local delivery="$at/delivery" cohort="$at/cohort" ours="$at/ours"
    # A long run says the same once as three times.
    [ "$size" -le 200000 ] || few_times=1
    rm -rf "$at"
    mkdir -p "$at"/{pandas,polars,duckdb} "$at"/answers/{pandas,polars,duckdb,r} "$ours"
    "$binary" synthesize --fittings "$size" --planted-errors 0 --out "$delivery" --quiet > "$work/printed"

    measure "$size" "ingest" "wc -l" "$few_times" wc -l "$delivery"/{fittings,ears,responses,outcomes}.csv
    measure "$size" "ingest" "csv crate: parse and drop, one core" "$few_times" "$beside/floors" parse "$delivery"
    measure "$size" "ingest" "pandas: read responses and no more" "$few_times" "$python" "$here/by_pandas.py" read "$delivery"

    measure "$size" "ingest" "fitcohort" "$few_times" "$binary" ingest "$delivery" --into "$work/fresh/cohort" --quiet
    mv "$work/fresh/cohort" "$cohort"
    for program in polars duckdb pandas; do
        measure "$size" "ingest" "$program" "$few_times" "$python" "$here/by_$program.py" ingest "$delivery" "$at/$program"
    done

    measure "$size" "grouped tables" "scan of the columns, all cores" "$few_times" "$beside/floors" scan "$cohort"
    measure "$size" "grouped tables" "fitcohort" "$few_times" bash -c \
        'for query in match curves ears clinicians; do "$1" query "$query" "$2" --format csv --out "$3/$query.csv" || exit; done' \
        - "$binary" "$cohort" "$ours"
    for program in duckdb polars pandas; do
        measure "$size" "grouped tables" "$program" "$few_times" "$python" "$here/by_$program.py" tables "$at/$program" \
            "$at/answers/$program"
    done
    for query in match curves verification ears outcomes association clinicians variance trends referrals quality; do
        measure "$size" "query $query" "fitcohort" 1 "$binary" query "$query" "$cohort" --format csv --out "$ours/$query.csv"
    done

    # Some replicates say what one takes.
    measure "$size" "rank correlations" "SciPy, $replicates replicates" 1 "$python" "$here/by_pandas.py" ranks "$at/pandas" \
        "$at/answers/pandas" "$replicates"
    measure "$size" "rank correlations" "Polars and SciPy, rho and tau-b alone" 1 "$python" "$here/by_polars.py" ranks \
        "$at/polars" "$at/answers/polars"

    printf 'permutations = 1\nresamples = 100\n' > "$work/few.toml"
    measure "$size" "models" "fitcohort" 1 bash -c \
        '"$1" query variance "$2" --format csv --out "$3/v.csv" && "$1" query association "$2" --plan "$4" --format csv --out "$3/a.csv"' \
        - "$binary" "$cohort" "$work/fresh" "$work/few.toml"
    measure "$size" "models" "statsmodels" 1 "$python" -W ignore "$here/by_pandas.py" models "$at/pandas" "$at/answers/pandas"
    "$python" "$here/by_pandas.py" study "$at/pandas" "$at"
    if [ -n "$r" ]; then
        measure "$size" "models" "R: lme4, MASS" 1 Rscript "$here/by_r.R" study "$at/fits.csv" "$at/answers/r"
        agree "$size" "R: lme4, MASS" "$ours" "$at/answers/r"
    fi
    agree "$size" pandas "$ours" "$at/answers/pandas"
    agree "$size" polars "$ours" "$at/answers/polars"
    agree "$size" duckdb "$ours" "$at/answers/duckdb"
    finds_what_differs "$ours" "$at/answers/duckdb"

    measure "$size" "reports" "fitcohort" "$few_times" "$binary" report "$cohort" --out "$work/fresh/reports" --quiet
    measure "$size" "reports" "pandas, SciPy, matplotlib, $replicates replicates" 1 "$python" -W ignore "$here/by_pandas.py" \
        figures "$at/pandas" "$work/fresh" "$replicates"

    # What a quarter costs on top of the others, and what it costs alone.
    "$python" "$here/last_quarter.py" "$delivery" "$at/before" "$at/last"
    "$binary" ingest "$at/before" --into "$at/growing" --quiet > "$work/printed"
    measure "$size" "one more quarter" "fitcohort, into a new cohort" 1 "$binary" ingest "$at/last" --into "$work/fresh/cohort" --quiet
    measure "$size" "one more quarter" "fitcohort, onto the quarters before" 1 "$binary" ingest "$at/last" --into "$at/growing" --quiet
    rm -rf "$at"/{delivery,before,last,growing,pandas,polars,duckdb}
}

# What has no size of its own: the start, and a small cohort.
small() {
    "$binary" synthesize --fittings 5000 --out "$work/small-delivery" --quiet > "$work/printed"
    "$binary" ingest "$work/small-delivery" --into "$work/small" --quiet > "$work/printed"
    measure 5000 "start" "fitcohort --help" "$few" "$binary" --help
    measure 5000 "small query" "fitcohort query match" "$few" "$binary" query match "$work/small"
    rm -rf "$work/small-delivery" "$work/small"
}

kernels() {
    local data="$work/rows.csv" model
    mkdir -p "$work/kernels"/{ours,statsmodels,r}
    "$python" "$here/model_data.py" "$rows" "$data"
    for model in reml proportional_odds; do
        measure "$rows" "$model" "fitcohort" "$runs" "$beside/models" "$model" "$data" "$work/kernels/ours"
        if [ -n "$r" ]; then
            measure "$rows" "$model" "R: lme4, MASS" 1 Rscript "$here/by_r.R" "$model" "$data" "$work/kernels/r"
        fi
        measure "$rows" "$model" "statsmodels" 1 "$python" "$here/by_statsmodels.py" "$model" "$data" "$work/kernels/statsmodels"
    done
    measure "$rows" "replicates" "fitcohort, 2000" 1 "$beside/models" ranks "$data" "$work/kernels/ours" 2000
    measure "$rows" "replicates" "SciPy, $replicates replicates" 1 "$python" "$here/by_statsmodels.py" ranks "$data" \
        "$work/kernels/statsmodels" "$replicates"
    agree "$rows" "statsmodels" "$work/kernels/ours" "$work/kernels/statsmodels"
    [ -z "$r" ] || agree "$rows" "R: lme4, MASS, rows" "$work/kernels/ours" "$work/kernels/r"
    rm -f "$data"
}

small
for size in "${sizes[@]}"; do
    of_size "$size"
done
kernels
"$python" "$here/table.py" "$times" "$agreed" "$here/requirements.txt" "${r:+R}" ${write:+--write docs/performance.md}
exit "$status"
