#!/bin/sh
# Tries all of this on the real hub, as a household would: installs the hub's core in an environment of its own, starts it
# without a screen, with recorder, a private broker and a simulated board, and prints a table; then another for two pits.
# Opt-in: it takes some 50 minutes a version, 1 GB of disk and the network. Set up pitvigil first by deploy/test.sh. Needs mosquitto, openssl and Python 3.13.
#
#   deploy/hub/try_hub.sh [--minutes 10] [VERSION ...]
#
# --minutes: how long the recorder is watched. HUB_PYTHON: which Python, where it is not `python3.13` on the path.
# Environments are kept in ~/.cache/pitvigil-hub for the next time.
set -eu
cd "$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)/../.."

minutes=10
if [ "${1:-}" = --minutes ]; then
    minutes=$2
    shift 2
fi
[ $# -gt 0 ] || set -- 2024.12.5 2025.4.4

fits() { "$1" -c 'import sys; sys.exit(sys.version_info[:2] != (3, 13))' 2>/dev/null; }
python=
for candidate in "${HUB_PYTHON:-python3.13}" "$HOME"/.pyenv/versions/3.13*/bin/python3.13; do
    if fits "$candidate"; then
        python=$candidate
        break
    fi
done
if [ -z "$python" ]; then
    echo "no Python 3.13 here, which these versions of the hub need: set HUB_PYTHON to one" >&2
    exit 3
fi
for program in mosquitto openssl; do
    PATH=$PATH:/usr/sbin command -v "$program" >/dev/null || { echo "$program is not installed" >&2; exit 3; }
done

kept=${XDG_CACHE_HOME:-$HOME/.cache}/pitvigil-hub
failed=0
for version; do
    environment=$kept/$version
    if [ ! -e "$environment/complete" ]; then
        rm -rf "$environment"
        "$python" -m venv "$environment"
        "$environment/bin/pip" install -q "homeassistant==$version"
        "$environment/bin/python" tests/hub/integrations.py > "$environment/needed.txt"
        constraints=$(find "$environment" -path '*/homeassistant/package_constraints.txt')
        "$environment/bin/pip" install -q --prefer-binary -c "$constraints" -r "$environment/needed.txt"
        touch "$environment/complete"
    fi
    place=$(mktemp -d)
    echo "everything of this trial is in $place/trial"
    PATH=$PATH:/usr/sbin .venv/bin/python -m tests.hub.trial "$environment" "$place/trial" --minutes "$minutes" || failed=1
    PATH=$PATH:/usr/sbin .venv/bin/python -m tests.hub.pits_trial "$environment" "$place/pits" || failed=1
done
exit $failed
