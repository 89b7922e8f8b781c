#!/bin/sh
# Sets everything up and runs all checks and tests but the long ones (deploy/soak.sh runs those).
set -eu
cd "$(dirname "$0")/.."
unset PYTHONDONTWRITEBYTECODE # a run starts hundreds of processes, and each would compile the program anew
. deploy/prepare.sh
prepare tests
.venv/bin/ruff check .
.venv/bin/ruff format --check .
# A file a worker, and one worker more than processors: a file that waits leaves its processor to one that computes.
[ $# -gt 0 ] || set -- --numprocesses "$(($(nproc) + 1))" --maxprocesses 5 --dist loadfile --no-loadscope-reorder

# What only reads the code does so beside the tests, which wait much. What it says is shown when they are done.
said=$(mktemp)
trap 'rm -f "$said"' EXIT
(
    .venv/bin/lint-imports
    .venv/bin/mypy
    .venv/bin/bandit --quiet --configfile pyproject.toml --recursive config drivers daemon
    npm --prefix daemon/shell/web run --silent check
) >"$said" 2>&1 &
reading=$!
failed=0
.venv/bin/pytest "$@" || failed=$?
wait "$reading" || failed=$?
cat "$said"
exit "$failed"
