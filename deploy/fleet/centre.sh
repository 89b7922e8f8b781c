#!/bin/sh
# The centre of a fleet: PostgreSQL for what was, mosquitto for what is. Run on the centre, as a user who may create databases.
#
#   centre.sh make DIR HOST             authority, certificates, database, roles, configuration of both servers
#   centre.sh broker DIR                lets mosquitto's user read its own files in DIR and no others; run it as root
#   centre.sh add DIR PIT [CREW [CLASS]]  one pit: certificate, role; writes DIR/pits/PIT.tar for its board
#   centre.sh reader DIR USER           a user of this machine may read everything (and serve the crew's page)
#   centre.sh pooler DIR USER           a user of this machine may work out what classes of pits have in common
#   centre.sh ring DIR PIT N            who takes a new release when: ring 1 first, then 2, up to 9; a new pit is in ring 2
#   centre.sh release DIR RELEASE       offers it, as wheelhouse.sh calls it, to ring 1 first
#   centre.sh rings DIR                 how far it is, and what is missing before the next ring
#   centre.sh excuse DIR PIT            it was started anew, but not for the release's sake
#   centre.sh renew DIR PIT             a new certificate for the same pit; writes DIR/pits/PIT.tar anew
#   centre.sh revoke DIR PIT            its certificate and its role are refused from now on
#   centre.sh class DIR PIT CLASS       how it is built, also of a board's other pit: pit-17.drum
#   centre.sh upgrade DIR               an existing centre takes over this release's rules; run it before the boards' upgrade
#
# DIR holds the authority's key: keep it on a machine that boards cannot reach, and a copy of it elsewhere.
# Which server: the usual variables of psql (PGHOST, PGPORT, ...). Needs postgresql, easy-rsa and, for the broker, mosquitto.
set -eu

DATABASE=pitvigil
HERE=$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)
export EASYRSA_BATCH=1 EASYRSA_ALGO=ec EASYRSA_CURVE=prime256v1 EASYRSA_CERT_EXPIRE=825 EASYRSA_CRL_DAYS=3650

usage() {
    sed -n 's/^#   //p' "$0" >&2
    exit 2
}

rsa() {
    PATH=$PATH:/usr/share/easy-rsa
    EASYRSA_PKI=$DIR/pki easyrsa "$@" >"$DIR/easyrsa.log" 2>&1 || {
        cat "$DIR/easyrsa.log" >&2
        exit 1
    }
}

sql() {
    PGOPTIONS="${PGOPTIONS:-} -c client_min_messages=warning" psql -X -q -v ON_ERROR_STOP=1 -d "$DATABASE" "$@"
}

named() {
    # what a topic, a role and a certificate can all carry
    case $1 in
    *[!a-z0-9-]* | -* | '')
        echo "a pit's name is lower-case letters, digits and hyphens: $1" >&2
        exit 2
        ;;
    esac
}

make() {
    HOST=$1
    [ ! -e "$DIR/pki" ] || {
        echo "$DIR has an authority already" >&2
        exit 2
    }
    umask 077
    mkdir -p "$DIR/pits"
    rsa init-pki
    EASYRSA_REQ_CN="pitvigil fleet" EASYRSA_CA_EXPIRE=7300 rsa build-ca nopass
    EASYRSA_CERT_EXPIRE=3650 rsa --subject-alt-name="DNS:$HOST" build-server-full "$HOST" nopass
    rsa gen-crl
    cp "$DIR/pki/ca.crt" "$DIR/pki/crl.pem" "$DIR"
    cp "$DIR/pki/issued/$HOST.crt" "$DIR/server.crt"
    cp "$DIR/pki/private/$HOST.key" "$DIR/server.key"
    cp "$DIR/server.key" "$DIR/broker.key" # the database refuses a key that another user may read
    echo "$HOST" >"$DIR/host"

    createdb -E UTF8 -T template0 "$DATABASE" # whatever the server's own encoding is: in a bare container it has none
    sql -f "$HERE/schema.sql" -o /dev/null
    upgrade

    # Add both to the server's own files and reload it; the certificate's common name is the role.
    cat >"$DIR/postgresql.conf" <<END
listen_addresses = '*'
max_connections = 400 # a board keeps one open
ssl = on
ssl_ca_file = '$DIR/ca.crt'
ssl_crl_file = '$DIR/crl.pem'
ssl_cert_file = '$DIR/server.crt'
ssl_key_file = '$DIR/server.key'
END
    cat >"$DIR/pg_hba.conf" <<END
hostssl $DATABASE +pit_board all cert
END
    # A board's user is its certificate's name: it reads and writes below its own topics only.
    cat >"$DIR/mosquitto.conf" <<END
listener 8883
cafile $DIR/ca.crt
crlfile $DIR/crl.pem
certfile $DIR/server.crt
keyfile $DIR/broker.key
require_certificate true
use_identity_as_username true
allow_anonymous false
acl_file $DIR/mosquitto.acl
max_queued_messages 100000
persistence true
# s: what a broker that is killed may lose of what it held for a reader. Left out it is half an hour.
autosave_interval 5
END
    cat >"$DIR/mosquitto.acl" <<'END'
pattern write fleet/%u/#
END
    echo "made $DIR. Next, for the database: add to its postgresql.conf the line include '$DIR/postgresql.conf',"
    echo "put $DIR/pg_hba.conf at the beginning of its pg_hba.conf, and restart it. For the broker, as root:"
    echo "sh $HERE/centre.sh broker $DIR, then ln -s $DIR/mosquitto.conf /etc/mosquitto/conf.d/fleet.conf, and restart it."
}

broker() {
    chgrp mosquitto "$DIR"
    chmod 710 "$DIR"
    for file in ca.crt crl.pem server.crt broker.key mosquitto.conf mosquitto.acl; do
        chgrp mosquitto "$DIR/$file"
        chmod 640 "$DIR/$file"
    done
}

upgrade() {
    sql -f "$HERE/rules.sql"
}

add() {
    PIT=$1 CREW=${2:-} CLASS=${3:-}
    named "$PIT"
    umask 077
    rsa build-client-full "$PIT" nopass
    sql -v pit="$PIT" -v crew="$CREW" -v class="$CLASS" <<'END'
CREATE ROLE :"pit" LOGIN CONNECTION LIMIT 5 IN ROLE pit_board; -- as in rules.sql
INSERT INTO pits (pit, crew, class) VALUES (:'pit', :'crew', :'class');
END
    pack
    echo "made $DIR/pits/$PIT.tar: unpack it in /etc/pitvigil on the board, and add to its rig file"
    printf '[fleet]\nhost = "%s"\npit = "%s"\n' "$(cat "$DIR/host")" "$PIT"
}

pack() {
    PACK=$(mktemp -d)
    mkdir "$PACK/fleet"
    cp "$DIR/ca.crt" "$PACK/fleet/ca.crt"
    cp "$DIR/pki/issued/$PIT.crt" "$PACK/fleet/pit.crt"
    cp "$DIR/pki/private/$PIT.key" "$PACK/fleet/pit.key"
    cat >"$PACK/fleet/bridge.conf" <<END
connection fleet
address $(cat "$DIR/host"):8883
bridge_cafile /etc/pitvigil/fleet/ca.crt
bridge_certfile /etc/pitvigil/fleet/pit.crt
bridge_keyfile /etc/pitvigil/fleet/pit.key
cleansession false
restart_timeout 5 60
topic # out 1 homie/ fleet/$PIT/homie/
END
    tar -C "$PACK" -cf "$DIR/pits/$PIT.tar" fleet
    rm -r "$PACK"
}

changed() {
    # whether a row was there is psql's to say
    [ -n "$1" ] || {
        echo "the centre knows no such pit" >&2
        exit 2
    }
}

ring() {
    named "$1"
    changed "$(sql -A -t -v pit="$1" -v ring="$2" <<'END'
UPDATE pits SET ring = :'ring' WHERE pit = :'pit' RETURNING pit;
END
    )"
}

class() {
    named "${1%%.*}"
    changed "$(sql -A -t -v pit="$1" -v class="$2" <<'END'
UPDATE pits SET class = :'class' WHERE pit = :'pit' RETURNING pit;
END
    )"
}

release() {
    sql -v release="$1" <<'END'
INSERT INTO releases VALUES (:'release') ON CONFLICT (release) DO UPDATE SET offered = now();
END
    rings
}

rings() {
    sql -c "SELECT ring, pits, taken AS \"have it\", round(hours::numeric, 1) AS \"hours of cooking\",
        array_to_string(missing, '; ') AS \"missing before the next\" FROM ring_state()"
}

excuse() {
    named "$1"
    changed "$(sql -A -t -v pit="$1" <<'END'
UPDATE pits SET restart_known = restart WHERE pit = :'pit' RETURNING pit;
END
    )"
}

renew() {
    PIT=$1
    named "$PIT"
    umask 077
    rsa revoke "$PIT" superseded
    rsa gen-crl
    cp "$DIR/pki/crl.pem" "$DIR/crl.pem"
    rsa build-client-full "$PIT" nopass
    pack
    sql -c 'SELECT pg_reload_conf()' >/dev/null
    echo "made $DIR/pits/$PIT.tar: unpack it in /etc/pitvigil on the board, and start pitvigil-ship again. Reload the broker."
}

reader() {
    named "$1"
    sql -v user="$1" <<'END'
CREATE ROLE :"user" LOGIN IN ROLE fleet_reader;
END
    # live values: its certificate (pki/issued, pki/private) may read every pit's topics and write none
    umask 077
    rsa build-client-full "$1" nopass
    printf 'user %s\ntopic deny fleet/%s/#\ntopic read fleet/#\n' "$1" "$1" >>"$DIR/mosquitto.acl"
}

pooler() {
    named "$1"
    sql -v user="$1" <<'END'
CREATE ROLE :"user" LOGIN IN ROLE fleet_pooler;
END
}

revoke() {
    PIT=$1
    named "$PIT"
    rsa revoke "$PIT"
    rsa gen-crl
    cp "$DIR/pki/crl.pem" "$DIR/crl.pem"
    sql -v pit="$PIT" <<'END'
ALTER ROLE :"pit" NOLOGIN;
UPDATE pits SET revoked = true WHERE pit = :'pit' OR starts_with(pit, :'pit' || '.');
SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = :'pit' \g /dev/null
SELECT pg_reload_conf() \g /dev/null
END
    echo "revoked $PIT. Its rows stay. Reload the broker as well: it reads $DIR/crl.pem anew."
}

[ $# -ge 3 ] || [ "$*" = "rings ${2:-}" ] || [ "$*" = "broker ${2:-}" ] || [ "$*" = "upgrade ${2:-}" ] || usage
WHAT=$1 DIR=$2
shift 2
case $WHAT in
make | broker | upgrade | add | class | reader | pooler | ring | release | rings | excuse | renew | revoke) "$WHAT" "$@" ;;
*) usage ;;
esac
