#!/bin/sh
# Makes a Debian package of a wheelhouse, to be installed without a network:
#   deploy/deb.sh WHEELHOUSE [DIRECTORY]     the package goes to DIRECTORY, or here
# The package carries the wheels and the installer; its scripts call the same install.sh and uninstall.sh, so that a
# version lives in /opt/pitvigil/VERSION-LOCK and is switched to in one step, whichever way it came.
set -eu
here="$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)"
[ $# -ge 1 ] || { sed -n '2,3s/^# //p' "$0" >&2; exit 2; }
wheels="$(CDPATH= cd -- "$1" && pwd)" target="${2:-.}"
mkdir -p "$target"
version="$(sed -n '1s/^pitvigil==\([^ ]*\).*/\1/p' "$wheels/pitvigil.lock")"
[ -n "$version" ] || { echo "$wheels is no wheelhouse: make it with wheelhouse.sh" >&2; exit 1; }

# What the wheels were gathered for: the processor, and the one minor version of Python that they fit.
case "$(ls "$wheels")" in
    *_aarch64.whl*) architecture=arm64 ;;
    *_x86_64.whl*) architecture=amd64 ;;
    *) architecture=all ;;
esac
minor="$(ls "$wheels" | sed -n 's/.*-cp3\([0-9]*\)-cp3\1-.*/\1/p' | sort -un | tail -n 1)"
if [ -n "$minor" ]; then
    python="python3 (>= 3.$minor), python3 (<< 3.$((minor + 1)))"
else
    python="python3 (>= 3.11), python3 (<< 3.14)"
fi

tree="$(mktemp -d)"
trap 'rm -rf "$tree"' EXIT
chmod 755 "$tree"
umask 022
share="$tree/usr/share/pitvigil" doc="$tree/usr/share/doc/pitvigil"
mkdir -p "$tree/DEBIAN" "$share" "$doc" "$tree/usr/bin"
ln -s /opt/pitvigil/current/bin/pitvigil "$tree/usr/bin/pitvigil"
cp "$wheels"/* "$share/"
chmod 644 "$share"/*
chmod 755 "$share/install.sh" "$share/uninstall.sh"
cp "$here/debian/copyright" "$doc/copyright"
gzip -9nc "$here/debian/changelog" > "$doc/changelog.gz"
install -m 755 "$here/debian/postinst" "$here/debian/prerm" "$here/debian/postrm" "$tree/DEBIAN/"
sed -e "s/@VERSION@/$version/" -e "s/@ARCHITECTURE@/$architecture/" -e "s/@PYTHON@/$python/" \
    -e "s/@SIZE@/$(du -sk "$tree/usr" | cut -f1)/" "$here/debian/control.in" > "$tree/DEBIAN/control"
(cd "$tree" && find usr -type f -exec md5sum {} +) > "$tree/DEBIAN/md5sums"
package="$target/pitvigil_${version}_$architecture.deb"
dpkg-deb --root-owner-group -Zgzip -z1 --build "$tree" "$package" > /dev/null # the wheels are packed already
echo "$package"
