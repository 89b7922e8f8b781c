#!/bin/sh
# Puts the chart library into the page: installed by npm from the lock file, copied, never committed.
# Without it the page works and says where its curves would be. Add --dev to get the accessibility checker for the tests.
set -eu
web="$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)/daemon/shell/web"
omit="--omit=dev"
[ "${1:-}" = "--dev" ] && omit=""
# shellcheck disable=SC2086
npm ci --prefix "$web" --ignore-scripts --no-audit --no-fund $omit
mkdir -p "$web/static/vendor"
# The library's browser build declares one variable; a last line makes it a module.
{ cat "$web/node_modules/uplot/dist/uPlot.iife.min.js"; printf '\nexport default uPlot;\n'; } > "$web/static/vendor/uplot.js"
cp "$web/node_modules/uplot/LICENSE" "$web/static/vendor/uplot.LICENSE.txt"
