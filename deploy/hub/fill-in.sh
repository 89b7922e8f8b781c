#!/bin/sh
# Prints package.yaml or card.yaml with your names in it.
#
#   deploy/hub/fill-in.sh package.yaml "The long pit" notify.mobile_app_phone light.bedroom media_player.bedroom tts.home
#   deploy/hub/fill-in.sh card.yaml "The long pit"
#
# The first name is that of the pit in the rig file. The others are the hub's own: the phone to tell, and the bedroom's light,
# speaker and voice (the hub lists them under Developer tools).
set -eu

if [ $# -lt 2 ]; then
    echo "usage: $0 package.yaml|card.yaml NAME-OF-THE-PIT [PHONE LIGHT SPEAKER VOICE]" >&2
    exit 2
fi
here=$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)
case $1 in
    package.yaml | card.yaml) file=$here/$1 ;;
    *) echo "$0: package.yaml or card.yaml, not $1" >&2; exit 2 ;;
esac
if [ "$1" = package.yaml ] && [ $# -lt 6 ]; then
    echo "$0: the package needs a phone, a light, a speaker and a voice" >&2
    exit 2
fi
if printf '%s' "$2" | LC_ALL=C grep -q '[^ -~]'; then
    echo "$0: write the name without accents, as it stands in the hub's ids (sensor.NAME_watch)" >&2
    exit 2
fi
# As the hub makes an id of a name.
pit=$(printf '%s' "$2" | tr '[:upper:]' '[:lower:]' | tr -cs 'a-z0-9' '_' | sed 's/^_*//; s/_*$//')
sed -e "s/NOTIFY_PHONE/${3:-}/g; s/LIGHT_BEDROOM/${4:-}/g; s/SPEAKER_BEDROOM/${5:-}/g; s/VOICE_HOME/${6:-}/g" \
    -e "s/PIT/$pit/g" "$file"
