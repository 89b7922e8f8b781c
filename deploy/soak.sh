#!/bin/sh
# Runs the checks that take minutes to hours: deploy/soak.sh [options of pytest]. Set up first by deploy/test.sh.
# Without options it also prints what the watch costs, beside a script and a general flow tool; a target missed is said.
set -eu
cd "$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)/.."
.venv/bin/pytest -m soak --durations=0 "$@"
[ $# -gt 0 ] || .venv/bin/pytest -m "hypothesis and not soak" --hypothesis-profile=many --durations=10
[ $# -gt 0 ] || .venv/bin/python -m tests.bench.cost.bench_cost --window 600 || echo "not every cost is within its target"
