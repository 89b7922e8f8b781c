#!/bin/sh
# Sets everything up and runs all checks and tests but the long ones (deploy/soak.sh runs those).
set -eu
cd "$(dirname "$0")/.."
. deploy/prepare.sh
prepare tests
.venv/bin/ruff check .
.venv/bin/ruff format --check .
.venv/bin/lint-imports
.venv/bin/mypy
.venv/bin/bandit --quiet --configfile pyproject.toml --recursive config drivers daemon
npm --prefix daemon/shell/web run --silent check
[ $# -eq 0 ] || exec .venv/bin/pytest "$@"
# What only computes shares the cores; what measures time, or needs ports, buses and processes, has the machine to itself.
.venv/bin/pytest --numprocesses auto --maxprocesses 4 --dist loadfile --ignore tests/system --ignore tests/faults
exec .venv/bin/pytest tests/system tests/faults
