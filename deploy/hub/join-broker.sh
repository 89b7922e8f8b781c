#!/bin/sh
# For a household whose broker runs already: prints the user, the rights and the lines to add, and changes nothing.
#
#   deploy/hub/join-broker.sh HOST pit [PIT-ID ...]
#
# HOST is the name of the broker's machine, PIT-ID the id of each pit in its rig file; the pits of one watch are joined by a
# plus sign, the first of its rig file first: offset+drum.
set -eu

if [ $# -lt 2 ]; then
    echo "usage: $0 HOST PIT-ID ..." >&2
    exit 2
fi
here=$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)
host=$1
shift
only() { # the lines of one user
    sh "$here/access.sh" "$@" | awk -v user="user $who" '$0 == user { on = 1; next } /^user / { on = 0 } on && NF'
}

echo "1. A user for pitvigil. On the machine of a mosquitto broker (another broker has a page for users):"
echo
echo "   mosquitto_passwd /etc/mosquitto/passwords pitvigil"
echo "   Write the same password into a file of its own on the machine of the watch, mode 0600."
echo
echo "2. Its rights: these topics and no more. Lines for mosquitto's acl_file (without one, everybody may do everything):"
echo
echo "   user pitvigil"
who=pitvigil
only "$@" | sed 's/^/   /'
echo
echo "3. Your hub's user, if an access list holds it too, needs besides what it has:"
echo
who=hub
only "$@" | sed 's/^/   /'
echo
echo "   One more person or tablet that may give orders, here \"ann\", with an allowance of her own:"
echo
for watch; do
    pit=${watch%%+*}
    echo "   user ann"
    echo "   topic write pitvigil/$pit/orders/ann"
    echo "   topic read pitvigil/$pit/answers/ann"
done
echo
echo "4. The broker must take retained messages and last wills. Then reload it: systemctl reload mosquitto"
echo
for watch; do
    echo "5. In the rig file of $watch (with TLS: port = 8883 and tls = { ca_file = \"...\" }):"
    echo
    echo "   [broker]"
    echo "   host = \"$host\""
    echo "   user = \"pitvigil\""
    echo "   password_file = \"/etc/pitvigil/broker.password\""
    echo
done
echo "6. pitvigil check --rig RIG names every mistake; pitvigil notify-test --rig RIG tries it."
