#!/bin/sh
# Prints the access list of a mosquitto broker for one or more pits: pitvigil tells; the hub reads and orders; a viewer
# only reads. For a broker that the household has already, see `join-broker.sh`.
#
#   deploy/hub/access.sh pit [PIT-ID ...]
set -eu

if [ $# -eq 0 ]; then
    echo "usage: $0 PIT-ID ..." >&2
    exit 2
fi

echo "user pitvigil"
for pit; do
    echo "topic write homie/5/$pit/#"
    for part in event/# announce/# command/result answers/#; do
        echo "topic write pitvigil/$pit/$part"
    done
    echo "topic write homeassistant/+/pitvigil_$pit/#"
    echo "topic read homie/5/$pit/+/+/set"
    echo "topic read pitvigil/$pit/command"
    echo "topic read pitvigil/$pit/orders/+"
done
echo "topic read homeassistant/status"

echo
echo "user hub"
for pit; do
    echo "topic read homie/5/$pit/#"
    echo "topic read pitvigil/$pit/#"
    echo "topic write homie/5/$pit/+/+/set"
    echo "topic write pitvigil/$pit/command"
    echo "topic write pitvigil/$pit/orders/hub"
done
echo "topic read homeassistant/#"
echo "topic write homeassistant/status"

echo
echo "user viewer"
for pit; do
    echo "topic read homie/5/$pit/#"
    echo "topic read pitvigil/$pit/event/#"
done
