#!/bin/sh
# Sets everything up and runs all checks and tests but the long ones (deploy/soak.sh runs those).
set -eu
cd "$(dirname "$0")/.."
unset PYTHONDONTWRITEBYTECODE # a run starts hundreds of processes, and each would compile the program anew
. deploy/prepare.sh
prepare tests
.venv/bin/ruff check .
.venv/bin/ruff format --check .
.venv/bin/lint-imports
.venv/bin/mypy
.venv/bin/bandit --quiet --configfile pyproject.toml --recursive config drivers daemon
npm --prefix daemon/shell/web run --silent check
[ $# -eq 0 ] || exec .venv/bin/pytest "$@"
# A file a worker, and one worker more than processors: a file that waits leaves its processor to one that computes.
exec .venv/bin/pytest --numprocesses "$(($(nproc) + 1))" --maxprocesses 5 --dist loadfile --no-loadscope-reorder
