#!/bin/sh
# Takes pitvigil off: sudo sh uninstall.sh [--purge] [--root DIRECTORY]
# Your files in /etc/pitvigil and the journal of your cooks in /var/lib/pitvigil stay, unless --purge is given.
set -eu
root="" purge=""
while [ $# -gt 0 ]; do
    case "$1" in
        --purge) purge=yes; shift ;;
        --root) root="$(CDPATH= cd -- "$2" && pwd)"; shift 2 ;;
        *) sed -n '2,3s/^# *//p' "$0" >&2; exit 2 ;;
    esac
done
[ -n "$root" ] || [ "$(id -u)" = 0 ] || { echo "run it as root: sudo sh $0" >&2; exit 1; }

if [ -z "$root" ] && [ -d /run/systemd/system ]; then
    systemctl disable --now --quiet pitvigil || true
fi
rm -f "$root/etc/systemd/system/pitvigil.service" "$root/etc/udev/rules.d/70-pitvigil.rules" \
    "$root/etc/systemd/journald.conf.d/pitvigil.conf" "$root/usr/local/bin/pitvigil"
rm -rf "$root/opt/pitvigil"
if [ -z "$root" ] && [ -d /run/systemd/system ]; then
    systemctl daemon-reload
    udevadm control --reload 2> /dev/null || true # where it does not run there is nothing to tell
fi
if [ -n "$purge" ]; then
    rm -rf "$root/etc/pitvigil" "$root/var/lib/pitvigil"
    if [ -z "$root" ] && getent passwd pitvigil > /dev/null; then
        userdel pitvigil
    fi
    echo "pitvigil and all it kept are gone"
else
    echo "pitvigil is gone; your files stay in $root/etc/pitvigil and $root/var/lib/pitvigil"
fi
