#!/bin/sh
# What a container of the centre runs: `database`, `broker` or `page`; anything else is a word for centre.sh, without its DIR.
# CENTRE_HOST: the name under which boards reach it; needed the first time.
set -eu
HERE=$(CDPATH= cd -- "$(dirname -- "$(readlink -f "$0")")" && pwd)
HOME_DIR=${CENTRE_HOME:-/var/lib/postgresql}
DATA=$HOME_DIR/data FLEET=$HOME_DIR/fleet
PATH=$PATH:$(echo /usr/lib/postgresql/*/bin):/usr/sbin
export PATH PGHOST="$HOME_DIR/socket"

make() { # whole, or anew: what an interrupted first start left holds nothing yet
    [ -n "${CENTRE_HOST:-}" ] || {
        echo "say under which name boards reach this centre: CENTRE_HOST=centre.example" >&2
        exit 2
    }
    rm -rf "$DATA" "$FLEET" "$HOME_DIR/broker"
    mkdir -p "$PGHOST" "$HOME_DIR/broker"
    initdb -D "$DATA" -E UTF8 --locale=C.UTF-8 -A peer -U postgres >"$HOME_DIR/initdb.log"
    echo "unix_socket_directories = '$PGHOST'" >>"$DATA/postgresql.conf"
    pg_ctl -w -s -D "$DATA" -o "-c listen_addresses=''" -l "$HOME_DIR/first.log" start
    sh "$HERE/centre.sh" make "$FLEET" "$CENTRE_HOST"
    sh "$HERE/centre.sh" reader "$FLEET" crew
    pg_ctl -w -s -D "$DATA" stop
    echo "include '$FLEET/postgresql.conf'" >>"$DATA/postgresql.conf"
    cat "$FLEET/pg_hba.conf" "$DATA/pg_hba.conf" >"$DATA/pg_hba.new"
    mv "$DATA/pg_hba.new" "$DATA/pg_hba.conf"
    echo "persistence_location $HOME_DIR/broker/" >>"$FLEET/mosquitto.conf"
    # The broker has its own user: these files and no others, and a place for its messages.
    sh "$HERE/centre.sh" broker "$FLEET"
    chgrp mosquitto "$HOME_DIR/broker"
    chmod 770 "$HOME_DIR/broker"
    chmod 755 "$HOME_DIR" "$PGHOST"
    : >"$HOME_DIR/made"
}

made() { # the others wait for the database's first start
    until [ -e "$HOME_DIR/made" ]; do
        sleep 1
    done
}

case ${1:-} in
database)
    [ -e "$HOME_DIR/made" ] || make
    exec postgres -D "$DATA"
    ;;
broker)
    made
    exec mosquitto -c "$FLEET/mosquitto.conf"
    ;;
page)
    made
    shift
    exec "${PITVIGIL:-/opt/pitvigil/bin/pitvigil}" fleet --database "dbname=pitvigil host=$PGHOST" "$@"
    ;;
'')
    sed -n '2,3s/^# //p' "$0" >&2
    exit 2
    ;;
*)
    what=$1
    shift
    exec sh "$HERE/centre.sh" "$what" "$FLEET" "$@"
    ;;
esac
