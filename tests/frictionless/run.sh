#!/usr/bin/env bash
# Holds the published schema against the public validator of Frictionless Data Packages: fitcohort and the validator judge
# the same deliveries, whole and broken, and have to agree on which tables are bad.
#
#   tests/frictionless/run.sh FITCOHORT [PYTHON]
#
# FITCOHORT is the built program. PYTHON (default python3, 3.10 or later) makes the environment with the versions of
# requirements.txt, in a temporary folder that is removed again. Exit code 0: agreed, and differed where it is said.
set -euo pipefail
fitcohort="$(realpath "${1:?the path of a built fitcohort is needed}")"
python="${2:-python3}"
here="$(cd "$(dirname "$0")" && pwd)"
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
"$python" -m venv "$work/venv"
"$work/venv/bin/pip" install --quiet --disable-pip-version-check --requirement "$here/requirements.txt"
"$work/venv/bin/python" "$here/compare.py" "$fitcohort" "$work"
