#!/bin/sh
# Installs or upgrades pitvigil on Debian 12 or 13, without a network:
#   sudo sh install.sh [--wheelhouse DIRECTORY]   as made by wheelhouse.sh; the directory of this file without it
#   sudo sh install.sh --in-turn   only if the crew's centre says that this board's ring may take this version
#   sudo sh install.sh --rollback                 back to the version before
#   --packaged         called by the Debian package, which brings the command itself
#   --root DIRECTORY   put the files under DIRECTORY, leave users and services of this machine alone
#
# Each version lives in its own directory /opt/pitvigil/VERSION-LOCK and is complete before the link `current` turns to
# it in one step; the one before stays for a roll-back. What you wrote in /etc/pitvigil is never overwritten.
set -eu
here="$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)"
wheelhouse="$here" root="" rollback="" packaged="" in_turn=""
while [ $# -gt 0 ]; do
    case "$1" in
        --wheelhouse) wheelhouse="$(CDPATH= cd -- "$2" && pwd)"; shift 2 ;;
        --root) mkdir -p "$2"; root="$(CDPATH= cd -- "$2" && pwd)"; shift 2 ;;
        --in-turn) in_turn=yes; shift ;;
        --rollback) rollback=yes; shift ;;
        --packaged) packaged=yes; shift ;;
        *) sed -n '2,7s/^# *//p' "$0" >&2; exit 2 ;;
    esac
done
opt="$root/opt/pitvigil" etc="$root/etc/pitvigil"
umask 022

fail() {
    echo "$1" >&2
    exit 1
}

serves() { # is this machine's systemd ours to command?
    [ -z "$root" ] && [ -d /run/systemd/system ]
}

point() { # point NAME VERSION: turn the link NAME to VERSION in one step
    ln -sfn "$2" "$opt/.$1.new"
    mv -fT "$opt/.$1.new" "$opt/$1"
}

place() { # place VERSION FILE TARGET: written aside, then moved into place in one step
    mkdir -p "$(dirname "$root$3")"
    cp "$opt/$1/deploy/$2" "$root$3.new"
    mv -f "$root$3.new" "$root$3"
}

switch_to() { # make VERSION current, with its own system files, and keep the one before as previous
    place "$1" pitvigil.service /etc/systemd/system/pitvigil.service
    place "$1" 70-pitvigil.rules /etc/udev/rules.d/70-pitvigil.rules
    place "$1" journald.conf /etc/systemd/journald.conf.d/pitvigil.conf
    old="$(readlink "$opt/current" || true)"
    if [ "$old" != "$1" ]; then
        [ -z "$old" ] || point previous "$old"
        point current "$1"
    fi
    ! serves || systemctl daemon-reload
}

restart_if_running() { # false when the service ran, or tried to, and the new version does not get ready
    serves || return 0
    case "$(systemctl is-active pitvigil || true)" in
        active | activating) systemctl restart pitvigil ;;
    esac
}

turn_back() {
    before="$(readlink "$opt/previous" || true)"
    [ -n "$before" ] && [ -e "$opt/$before/complete" ] || fail "there is no version before this one to go back to"
    switch_to "$before"
    echo "back to $before"
}

if [ -n "$rollback" ]; then
    turn_back
    restart_if_running || fail "it does not start either; see: journalctl -u pitvigil"
    ! serves || systemctl try-restart pitvigil-ship 2> /dev/null || true
    exit 0
fi

# --- what must be true first ---------------------------------------------------------------------------------
[ -n "$root" ] || [ "$(id -u)" = 0 ] || fail "run it as root: sudo sh $0"
for file in requirements.lock pitvigil.lock; do
    [ -e "$wheelhouse/$file" ] || fail "$wheelhouse has no $file; make it with wheelhouse.sh"
done
python3 -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' ||
    fail "needs Python 3.11, 3.12 or 3.13 (Debian 12 or 13)"
python3 -c 'import ensurepip, venv' 2> /dev/null || fail "needs the package python3-venv: apt install python3-venv"
python3 -c 'import zoneinfo; zoneinfo.ZoneInfo("UTC")' 2> /dev/null || fail "needs the package tzdata: apt install tzdata"
case "$(uname -m)" in
    x86_64 | aarch64) ;;
    *) fail "needs a 64-bit system (x86_64 or aarch64); this one is $(uname -m)" ;;
esac

# --- the program ---------------------------------------------------------------------------------------------
version="$(sed -n '1s/^pitvigil==\([^ ]*\).*/\1/p' "$wheelhouse/pitvigil.lock")"
version="$version-$(cat "$wheelhouse/pitvigil.lock" "$wheelhouse/requirements.lock" | sha256sum | cut -c1-8)"
if [ -n "$in_turn" ]; then
    "$opt/current/bin/pitvigil" ship --rig "$etc/rig.toml" --my-turn "$version" || fail "left as it was"
fi
if [ ! -e "$opt/$version/complete" ]; then
    rm -rf "${opt:?}/$version" # what an interrupted installation left
    mkdir -p "$opt"
    trap 'rm -rf "${opt:?}/$version"' EXIT
    python3 -m venv "$opt/$version"
    # Nothing from the network, nothing without its hash, nothing but wheels; no settings of whoever calls this.
    env -i PATH="$PATH" PIP_CONFIG_FILE=/dev/null "$opt/$version/bin/pip" --quiet --disable-pip-version-check install \
        --no-index --find-links "$wheelhouse" --only-binary=:all: --require-hashes --no-deps --no-cache-dir \
        --requirement "$wheelhouse/requirements.lock" --requirement "$wheelhouse/pitvigil.lock"
    lacks="$("$opt/$version/bin/pip" --disable-pip-version-check check)" || fail "the wheelhouse lacks a package: $lacks"
    "$opt/$version/bin/pitvigil" --help > /dev/null
    mkdir "$opt/$version/deploy"
    for file in install.sh uninstall.sh pitvigil.service 70-pitvigil.rules journald.conf; do
        cp "$here/$file" "$opt/$version/deploy/"
    done
    : > "$opt/$version/complete"
    sync
    trap - EXIT
fi

# --- its user, its files -------------------------------------------------------------------------------------
if [ -z "$root" ]; then
    getent group pitvigil > /dev/null || groupadd --system pitvigil
    getent passwd pitvigil > /dev/null || useradd --system --gid pitvigil --home-dir /var/lib/pitvigil \
        --no-create-home --shell /usr/sbin/nologin --comment "Watch over a wood-fired pit" pitvigil
    for group in dialout bluetooth audio gpio; do # serial lines, BLE, a sounder on the sound card or a GPIO line
        ! getent group "$group" > /dev/null || usermod --append --groups "$group" pitvigil
    done
fi
mkdir -p "$etc"
(umask 077 && mkdir -p "$etc/secrets")
if [ ! -e "$etc/secrets/page-token" ]; then
    (umask 077 && python3 -c 'import secrets; print(secrets.token_urlsafe(32))' > "$etc/secrets/page-token")
fi
if [ ! -e "$etc/rig.toml" ]; then
    # the page's key comes as a credential; see LoadCredential= in pitvigil.service
    sed 's/^\[page\]$/[page]\ntoken_file = "secret_page-token"/' "$here/rig.toml" > "$etc/rig.toml"
fi
cp "$here/cook.toml" "$etc/cook.toml.example"
[ -e "$etc/options" ] || printf '%s\n' '# While a cook is on, watch its pieces too; then: systemctl restart pitvigil' \
    '# COOK="--cook /etc/pitvigil/cook.toml"' > "$etc/options"

if [ -z "$packaged" ]; then
    mkdir -p "$root/usr/local/bin"
    ln -sfn /opt/pitvigil/current/bin/pitvigil "$root/usr/local/bin/pitvigil"
fi

# --- the switch ----------------------------------------------------------------------------------------------
switch_to "$version"
if serves; then
    udevadm control --reload 2> /dev/null && udevadm trigger --subsystem-match=tty --subsystem-match=gpio
    systemctl try-restart systemd-journald
    if ! restart_if_running; then
        turn_back
        systemctl restart pitvigil || true
        fail "the new version did not get ready: see journalctl -u pitvigil"
    fi
    systemctl try-restart pitvigil-ship 2> /dev/null || true # tells the crew's centre, where there is one
fi
for kept in "$opt"/*-*; do # two versions are enough
    name="$(basename "$kept")"
    [ "$name" = "$(readlink "$opt/current")" ] || [ "$name" = "$(readlink "$opt/previous" || true)" ] || rm -rf "$kept"
done

echo "pitvigil $version is in $opt"
echo "page key: $(cat "$etc/secrets/page-token")   (kept in $etc/secrets/page-token)"
echo "next: pitvigil devices; write $etc/rig.toml; pitvigil check --rig $etc/rig.toml"
echo "then: systemctl enable --now pitvigil"
