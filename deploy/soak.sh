#!/bin/sh
# Runs the checks that take minutes to hours: deploy/soak.sh [options of pytest]. Set up first by deploy/test.sh.
set -eu
cd "$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)/.."
exec .venv/bin/pytest -m soak --durations=0 "$@"
