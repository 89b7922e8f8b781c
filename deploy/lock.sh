#!/bin/sh
# Pins every package, with the hashes of its wheels, for Python 3.11 to 3.13 on Linux x86-64 and aarch64:
#   requirements.lock       what runs on the board
#   requirements-test.lock  the same versions, and what the checks need
#   daemon/shell/web/package-lock.json  what the page takes from npm, and what checks its scripts
# Needs `uv` and `npm`. Versions already pinned stay as they are; --upgrade takes the newest. Further options go to uv.
set -eu
here="$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)"
cd "$here/.."

compile() {
    output="$1"
    shift
    uv pip compile pyproject.toml --python-version 3.11 --universal \
        --generate-hashes --no-emit-index-url --no-emit-find-links --no-annotate --no-header --quiet \
        --output-file "$output" "$@"
}

compile deploy/requirements.lock --extra push --extra encrypted --extra fleet "$@"
# What the board runs is what is tested: the second lock must agree with the first.
compile deploy/requirements-test.lock --extra push --extra encrypted --extra report --extra parquet --extra fleet --extra test \
    --constraint deploy/requirements.lock "$@"

# Addresses have no place in a lock: whoever installs uses the registry they are set up with.
npm install --prefix daemon/shell/web --package-lock-only --ignore-scripts --no-audit --no-fund
node -e '
  const fs = require("fs"), file = "daemon/shell/web/package-lock.json", lock = JSON.parse(fs.readFileSync(file));
  for (const entry of Object.values(lock.packages)) delete entry.funding;
  fs.writeFileSync(file, JSON.stringify(lock, null, 2) + "\n");'
