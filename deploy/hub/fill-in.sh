#!/bin/sh
# Prints package.yaml or card.yaml with your names in it.
#
#   deploy/hub/fill-in.sh package.yaml "The long pit" notify.mobile_app_phone light.bedroom media_player.bedroom tts.home
#   deploy/hub/fill-in.sh card.yaml "The long pit"
#
# The first name is that of the pit in the rig file. The others are the hub's own: the phone to tell, and the bedroom's light,
# speaker and voice (the hub lists them under Developer tools). A watch over several pits is called "Pit watch" in the hub: write
# that for the first name, and the pits' own names at the end.
#
#   deploy/hub/fill-in.sh package.yaml "Pit watch" notify.mobile_app_phone light.bedroom media_player.bedroom tts.home Offset Drum
#   deploy/hub/fill-in.sh card.yaml "Pit watch" Offset Drum
set -eu

if [ $# -lt 2 ]; then
    echo "usage: $0 package.yaml|card.yaml NAME-OF-THE-PIT [PHONE LIGHT SPEAKER VOICE] [PIT ...]" >&2
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
name=$2
if [ "$1" = package.yaml ]; then
    phone=$3 light=$4 speaker=$5 voice=$6
    shift 6
else
    phone='' light='' speaker='' voice=''
    shift 2
fi
for each in "$name" "$@"; do
    if printf '%s' "$each" | LC_ALL=C grep -q '[^ -~]'; then
        echo "$0: write the name without accents, as it stands in the hub's ids (sensor.NAME_watch)" >&2
        exit 2
    fi
done
slug() { # as the hub makes an id of a name
    printf '%s' "$1" | tr '[:upper:]' '[:lower:]' | tr -cs 'a-z0-9' '_' | sed 's/^_*//; s/_*$//'
}
pit=$(slug "$name")
pits='' names=''
for each; do
    case $each in *.*) continue ;; esac # one of the hub's own ids, which the card does not need
    pits="$pits$(slug "$each")|"
    names="$names$each|"
done
# "# each pit" to "# end" is said of each pit, "# several pits" to "# end" only of several.
awk -v pits="$pits" -v names="$names" -v alone="$pit" '
    BEGIN { many = split(pits, id, "|") - 1; split(names, name, "|"); if (many < 1) { many = 0; id[1] = alone } }
    function listed(  n, all) { for (n = 1; n <= many; n++) all = all (n > 1 ? ", " : "") "\"" name[n] "\""; return all }
    function put(text, what, by) { gsub(/[\\&]/, "\\\\&", by); gsub(what, by, text); return text }
    function said(line, n) {
        line = put(line, "OF_ID", many ? "_" id[n] : "")
        line = put(line, "OF_NAME", many ? ": " name[n] : "")
        return put(put(put(line, "FIRE", id[n]), "FIRST", id[1]), "ALL_PITS", listed())
    }
    /^ *# each pit$/ { each = 1; lines = 0; next }
    /^ *# several pits$/ { skip = !many; next }
    /^ *# end$/ {
        if (each) for (n = 1; n <= (many ? many : 1); n++) for (i = 1; i <= lines; i++) print said(block[i], n)
        each = skip = 0
        next
    }
    skip { next }
    each { block[++lines] = $0; next }
    { print said($0, 1) }
' "$file" | sed -e "s/NOTIFY_PHONE/$phone/g; s/LIGHT_BEDROOM/$light/g; s/SPEAKER_BEDROOM/$speaker/g; s/VOICE_HOME/$voice/g" \
    -e "s/PIT/$pit/g"
