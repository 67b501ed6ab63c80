# Tasks of the project; `just --list` shows them. Needs the Rust toolchain; `pictures` also rsvg-convert and chromium.

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

# Pages and figures of the demo as pictures, into target/pictures, and the README's picture
pictures:
    #!/usr/bin/env bash
    set -euo pipefail
    cargo run --release -- demo --out target/pictures/demo
    for svg in target/pictures/demo/reports/*/figures/*.svg; do
        reader="$(basename "$(dirname "$(dirname "$svg")")")"
        rsvg-convert --zoom 2 --output "target/pictures/$reader-$(basename "$svg" .svg).png" "$svg"
    done
    for reader in owner researcher trainer; do
        chromium --headless --no-sandbox --disable-gpu --hide-scrollbars --window-size=1100,1500 \
            --screenshot="target/pictures/$reader.png" "file://$PWD/target/pictures/demo/reports/$reader/index.html"
    done
    cp target/pictures/owner.png docs/pictures/owner.png

# Compute the reference values again and compare; PYTHON has tests/reference/requirements.txt installed
reference PYTHON="python3":
    {{ PYTHON }} tests/reference/regenerate.py --check

# Whether intervals cover and tests keep their level, on data whose truth is known, against docs/calibration.md (minutes)
calibration:
    cargo test --release --locked -p fitcohort-calibration --features slow

# What an ingest costs over merely parsing its bytes
floor:
    cargo bench --bench ingest_floor

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
