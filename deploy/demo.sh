#!/bin/sh
# Installs what is missing on a fresh Debian 12 or 13 and shows a night at the pit in about five minutes, on a busy machine in more.
set -eu
cd "$(dirname "$0")/.."
. deploy/prepare.sh
prepare ""
exec .venv/bin/pitvigil demo "$@"
