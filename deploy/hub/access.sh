#!/bin/sh
# Prints the access list of a mosquitto broker for one or more pits: pitvigil tells; the hub reads and orders; a viewer
# only reads. For a broker that the household has already, see `join-broker.sh`.
#
#   deploy/hub/access.sh pit [PIT-ID ...]
#
# The pits of one watch are joined by a plus sign, the first of its rig file first: offset+drum.
set -eu

if [ $# -eq 0 ]; then
    echo "usage: $0 PIT-ID[+PIT-ID...] ..." >&2
    exit 2
fi

homes() { # the Homie devices of one watch: its pit's; or the watch's own, each pit's and the cabinet's
    case $1 in
        *+*) echo "${1%%+*}-watch $(echo "$1" | tr + ' ') ${1%%+*}-cabinet" ;;
        *) echo "$1" ;;
    esac
}

echo "user pitvigil"
for watch; do
    pit=${watch%%+*}
    for home in $(homes "$watch"); do echo "topic write homie/5/$home/#"; done
    for part in event/# announce/# command/result answers/#; do
        echo "topic write pitvigil/$pit/$part"
    done
    echo "topic write homeassistant/+/pitvigil_$pit/#"
    for home in $(homes "$watch"); do echo "topic read homie/5/$home/+/+/set"; done
    echo "topic read pitvigil/$pit/command"
    echo "topic read pitvigil/$pit/orders/+"
done
echo "topic read homeassistant/status"

echo
echo "user hub"
for watch; do
    pit=${watch%%+*}
    for home in $(homes "$watch"); do echo "topic read homie/5/$home/#"; done
    echo "topic read pitvigil/$pit/#"
    for home in $(homes "$watch"); do echo "topic write homie/5/$home/+/+/set"; done
    echo "topic write pitvigil/$pit/command"
    echo "topic write pitvigil/$pit/orders/hub"
done
echo "topic read homeassistant/#"
echo "topic write homeassistant/status"

echo
echo "user viewer"
for watch; do
    for home in $(homes "$watch"); do echo "topic read homie/5/$home/#"; done
    echo "topic read pitvigil/${watch%%+*}/event/#"
done
