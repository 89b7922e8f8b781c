#!/bin/sh
# Gathers in one directory all that a board needs, so that it can be installed where there is no network:
#   deploy/wheelhouse.sh DIRECTORY
# Run it on a computer like the board: the same Python minor version and the same processor architecture.
# For another one: deploy/wheelhouse.sh DIRECTORY --python 3.13 --machine aarch64   (needs `uv`)
# Every wheel must have a hash that requirements.lock names; pitvigil's own hash is written beside it.
set -eu
here="$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)"
[ $# -ge 1 ] || { sed -n '2,5s/^# //p' "$0" >&2; exit 2; }
target="$1"
shift
python="" machine=""
while [ $# -gt 0 ]; do
    case "$1" in
        --python) python="$2"; shift 2 ;;
        --machine) machine="$2"; shift 2 ;;
        *) echo "unknown option: $1" >&2; exit 2 ;;
    esac
done

mkdir -p "$target"
rm -f "$target"/*.whl "$target"/*.lock
scratch="$(mktemp -d)"
trap 'rm -rf "$scratch"' EXIT
python3 -m venv "$scratch/venv"
pip="$scratch/venv/bin/pip --disable-pip-version-check --quiet"

if [ -n "$python$machine" ]; then
    # pip judges the markers of a lock by the Python it runs on, so the lock is first narrowed to the board's own.
    uv pip compile "$here/requirements.lock" --no-deps --generate-hashes --no-emit-index-url --no-emit-find-links \
        --no-annotate --no-header --quiet --python-version "$python" --python-platform "$machine-manylinux_2_31" \
        --output-file "$target/requirements.lock"
    # oldest and newest C library tag that Debian 12 (glibc 2.36) can load
    set -- --python-version "$python" --implementation cp --abi "cp$(echo "$python" | tr -d .)" --abi abi3 --abi none
    for tag in 2014 _2_17 _2_24 _2_26 _2_27 _2_28 _2_31 _2_34 _2_35 _2_36; do
        set -- "$@" --platform "manylinux${tag}_$machine"
    done
else
    cp "$here/requirements.lock" "$target/requirements.lock"
    set --
fi
# shellcheck disable=SC2086
$pip download --require-hashes --no-deps --only-binary=:all: --dest "$target" "$@" --requirement "$target/requirements.lock"

if [ ! -e "$here/../daemon/shell/web/static/vendor/uplot.js" ]; then
    "$here/web-assets.sh" || echo "no chart library: the page will come without its curves" >&2
fi
# built from a copy, so that nothing left lying in the tree gets in
mkdir "$scratch/source"
(cd "$here/.." && cp -r pyproject.toml README.md LICENSE config drivers daemon "$scratch/source/")
rm -rf "$scratch/source/daemon/shell/web/node_modules"
# shellcheck disable=SC2086
$pip wheel --no-deps --wheel-dir "$target" "$scratch/source"
own="$(cd "$target" && ls pitvigil-*.whl)"
version="${own#pitvigil-}"
version="${version%%-*}"
printf 'pitvigil==%s --hash=sha256:%s\n' "$version" "$(sha256sum "$target/$own" | cut -d' ' -f1)" > "$target/pitvigil.lock"

for file in install.sh uninstall.sh pitvigil.service 70-pitvigil.rules journald.conf; do
    cp "$here/$file" "$target/"
done
cp "$here/../config/examples/rig.toml" "$here/../config/examples/cook.toml" "$target/"
release="$version-$(cat "$target/pitvigil.lock" "$target/requirements.lock" | sha256sum | cut -c1-8)" # as install.sh has it
echo "release $release"
echo "$(ls "$target"/*.whl | wc -l) wheels, $(du -sh "$target" | cut -f1): copy $target to the board and run there: sudo sh install.sh"
