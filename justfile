# Tasks of the project; `just --list` shows them. Needs the Rust toolchain; `pictures`, `pdf` and `browser` also
# chromium, `pictures` rsvg-convert, `browser` node and npm.

chromium := env("CHROMIUM", "chromium") + " --headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking --disable-component-update --disable-sync"

# Everything that has to pass before a change goes in
check:
    .ci/run

# All tests
test:
    cargo test --workspace

# Format and lint, as .ci/run demands them
lint:
    cargo fmt --all --check
    cargo clippy --workspace --all-targets --features fitcohort-calibration/slow -- -D warnings

# Write the rule list of README.md anew from the code
readme:
    FITCOHORT_WRITE_README=1 cargo test --test integration readme::the_rule_list

# An invented practice, from records to reports, into demo-output/
demo:
    cargo run --release -- demo

# Pages and figures of the demo as pictures, into target/pictures, and the heads of the three pages for README.md
pictures:
    #!/usr/bin/env bash
    set -euo pipefail
    cargo run --release -- demo --out target/pictures/demo
    for svg in target/pictures/demo/reports/*/figures/*.svg; do
        reader="$(basename "$(dirname "$(dirname "$svg")")")"
        rsvg-convert --zoom 2 --output "target/pictures/$reader-$(basename "$svg" .svg).png" "$svg"
    done
    profile="$(mktemp -d)"
    trap 'rm -rf "$profile"' EXIT
    for reader in owner researcher trainer; do
        {{ chromium }} --user-data-dir="$profile" --hide-scrollbars --window-size=1000,1000 \
            --screenshot="target/pictures/$reader.png" "file://$PWD/target/pictures/demo/reports/$reader/index.html"
        cp "target/pictures/$reader.png" "docs/pictures/$reader.png"
        # Pictures in the repository stay below 200 kB: 64 colours are enough for text and two inks.
        if command -v pngquant > /dev/null; then
            pngquant --force --strip --ext .png 64 "docs/pictures/$reader.png"
        fi
        echo "docs/pictures/$reader.png: $(stat --format %s "docs/pictures/$reader.png") bytes"
    done

# The three reports of REPORTS (a folder that `fitcohort report` wrote) as PDF, beside their pages
pdf REPORTS="demo-output/reports":
    #!/usr/bin/env bash
    set -euo pipefail
    profile="$(mktemp -d)"
    trap 'rm -rf "$profile"' EXIT
    find "$(realpath "{{ REPORTS }}")" -mindepth 2 -name index.html | sort | while read -r page; do
        {{ chromium }} --user-data-dir="$profile" --no-pdf-header-footer \
            --print-to-pdf="$(dirname "$page")/report.pdf" "file://$page"
    done

# Every page of invented and odd cohorts in a real browser: console, network, widths, axe-core, keyboard, paper
browser:
    cargo build
    tests/browser/run.sh target/debug/fitcohort

# Compute the reference values again and compare; PYTHON has tests/reference/requirements.txt installed
reference PYTHON="python3":
    {{ PYTHON }} tests/reference/regenerate.py --check

# Whether intervals cover and tests keep their level, on data whose truth is known, against docs/calibration.md (minutes)
calibration:
    cargo test --release --locked -p fitcohort-calibration --features slow

# What an ingest costs over merely parsing its bytes
floor:
    cargo bench --bench ingest_floor

# fitcohort beside other programs on FITTINGS invented fittings, and whether their answers agree
compare FITTINGS="10000":
    benches/compare/run.sh {{ FITTINGS }}

# Time and peak memory of each step on FITTINGS invented fittings (GNU time)
bench FITTINGS="100000":
    #!/usr/bin/env bash
    set -euo pipefail
    cargo build --release
    work="$(mktemp -d)"
    trap 'rm -rf "$work"' EXIT
    run() { /usr/bin/time --format "%e s  %M KiB  $1 $2" target/release/fitcohort "$@" --quiet > "$work/printed"; }
    run synthesize --fittings {{ FITTINGS }} --out "$work/delivery"
    run ingest "$work/delivery" --into "$work/cohort"
    for name in match curves association clinicians; do run query "$name" "$work/cohort"; done
    run report "$work/cohort" --out "$work/reports"

# Fuzz TARGET for SECONDS; what it finds new stays in tests/fuzz/corpus (cargo-fuzz, address sanitizer, stable compiler)
fuzz TARGET SECONDS="60":
    RUSTC_BOOTSTRAP=1 ASAN_OPTIONS=quarantine_size_mb=16:detect_leaks=0 cargo fuzz run --fuzz-dir tests/fuzz --target-dir target/fuzz {{ TARGET }} -- \
        -dict=tests/fuzz/dictionaries/{{ TARGET }}.dict -max_total_time={{ SECONDS }} -timeout=1 -rss_limit_mb=512 -max_len=4096

# Kill ingests at KILLS random moments and look whether the cohort is whole
kills KILLS="200":
    FITCOHORT_KILLS={{ KILLS }} cargo test --test integration killed_at_any_moment -- --nocapture

# Hold the published schema against the public validator of data packages (makes its own environment with pip)
frictionless:
    cargo build
    tests/frictionless/run.sh target/debug/fitcohort
