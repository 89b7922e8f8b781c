#!/bin/sh
# Makes everything a broker for pitvigil needs, with one command: a certificate authority and a server certificate,
# passwords for three users, the access list and the configuration. Needs openssl and the mosquitto package.
#
#   sudo deploy/hub/make-broker.sh /etc/mosquitto/pitvigil pit.local
#
# DIRECTORY is made; what is already in it is kept (delete a file to make it anew). HOSTNAME is the name by which the
# hub and pitvigil reach the broker: it goes into the certificate, and any other name is refused. PIT-ID is the pit's in the
# rig file; the pits of one watch are joined by a plus sign, the first one first: offset+drum.
set -eu
umask 077

if [ $# -lt 2 ]; then
    echo "usage: $0 DIRECTORY HOSTNAME [PIT-ID] [TLS-PORT] [LOCAL-PORT]" >&2
    exit 2
fi
host=$2
pit=${3:-pit}
tls_port=${4:-8883}
local_port=${5:-1883}
here=$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)
mkdir -p "$1"
dir=$(cd "$1" && pwd)
cd "$dir"

if [ ! -f ca.crt ]; then
    openssl req -x509 -newkey rsa:2048 -nodes -days 3650 -sha256 -subj "/CN=pitvigil home authority" \
        -addext "basicConstraints=critical,CA:TRUE" -addext "keyUsage=critical,keyCertSign,cRLSign" \
        -keyout ca.key -out ca.crt 2>/dev/null
fi
if [ ! -f server.crt ]; then
    case $host in
        *[!0-9.]*) name="DNS:$host" ;;
        *) name="IP:$host" ;;
    esac
    openssl req -newkey rsa:2048 -nodes -subj "/CN=$host" -keyout server.key -out server.csr 2>/dev/null
    printf 'subjectAltName=%s,DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth\nbasicConstraints=CA:FALSE\n' \
        "$name" > server.ext
    openssl x509 -req -in server.csr -CA ca.crt -CAkey ca.key -CAcreateserial -days 820 -sha256 \
        -extfile server.ext -out server.crt 2>/dev/null
    rm server.csr server.ext
fi

# One password a user, in a file of its own that only its reader may open. They are shown nowhere.
touch passwords
for user in pitvigil hub viewer; do
    if [ ! -f "$user.password" ]; then
        openssl rand -hex 24 > "$user.password"
        # By way of a file: on a command line everybody on this machine could read it.
        printf '%s:%s\n' "$user" "$(cat "$user.password")" > passwords.new
        mosquitto_passwd -U passwords.new
        cat passwords.new >> passwords
        rm passwords.new
    fi
done

sh "$here/access.sh" "$pit" > access

cat > mosquitto.conf <<EOF
# Written by make-broker.sh. Start with: mosquitto -c $dir/mosquitto.conf
per_listener_settings false
allow_anonymous false
password_file $dir/passwords
acl_file $dir/access

# The house: encrypted, with the certificate above.
listener $tls_port
certfile $dir/server.crt
keyfile $dir/server.key
tls_version tlsv1.2

# This machine only.
listener $local_port 127.0.0.1

# What is retained survives a power cut up to a minute old (the broker's own default is half an hour).
persistence true
persistence_location $dir/store/
autosave_interval 60
max_queued_messages 1000
set_tcp_nodelay true
log_dest stderr
log_type error
log_type warning
log_type notice
EOF
mkdir -p store
chmod 755 . && chmod 644 ca.crt
# Started as root, the broker becomes the user mosquitto, who must be able to read its part; the rest stays root's.
if [ "$(id -u)" = 0 ] && id mosquitto >/dev/null 2>&1; then
    chown -R mosquitto access passwords server.crt server.key mosquitto.conf store
fi
echo "Broker files are in $dir. Give ca.crt to everybody who connects by TLS, and each user its own .password file."
