# Read by demo.sh and test.sh: system packages, a virtual environment of our own, the page's assets.

as_root() {
    if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi
}

# step WHAT COMMAND ...: says what is done, and a dot every two seconds until it is.
step() {
    printf '%s ' "$1" >&2
    shift
    (while sleep 2 && kill -0 $$ 2>/dev/null; do printf '.' >&2; done) &
    dots=$!
    status=0
    "$@" || status=$?
    kill "$dots" 2>/dev/null || true
    wait "$dots" 2>/dev/null || true
    [ "$status" = 0 ] && echo " done" >&2 || echo " failed" >&2
    return "$status"
}

# prepare WHAT: "" for the watch alone, "tests" for all checks.
prepare() {
    packages="python3 python3-venv tzdata mosquitto"
    if [ -n "$1" ]; then
        packages="$packages mosquitto-clients dbus chromium-headless-shell nodejs npm openssl systemd postgresql easy-rsa"
        packages="$packages gcc libc6-dev make gcc-avr avr-libc libsimavr-dev"
    fi
    missing=""
    for package in $packages; do
        dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q "install ok installed" && continue
        case "$package" in
            nodejs) command -v node >/dev/null && continue ;;
            npm) command -v npm >/dev/null && continue ;;
            python3) command -v python3 >/dev/null && continue ;;
            python3-venv) python3 -c "import ensurepip" 2>/dev/null && continue ;;
        esac
        missing="$missing $package"
    done
    if [ -n "$missing" ]; then
        [ "$(id -u)" = 0 ] || sudo -v # asks for the password before the dots begin
        step "Looking for the newest packages of the system" as_root apt-get update -qq
        # shellcheck disable=SC2086 -- a list of words
        step "Installing:$missing" as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing
    fi
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
        echo "pitvigil needs Python 3.11 or later" >&2
        exit 1
    }
    [ -x .venv/bin/python ] || step "Making a virtual environment in .venv" python3 -m venv .venv
    lock=deploy/requirements.lock
    [ -z "$1" ] || lock=deploy/requirements-test.lock
    pip="env PIP_DISABLE_PIP_VERSION_CHECK=1 .venv/bin/python -m pip install --quiet --no-deps"
    step "Installing the Python packages of $lock (minutes, the first time)" $pip --require-hashes --requirement "$lock"
    step "Installing pitvigil" $pip --editable .
    if [ -n "$1" ]; then
        step "Fetching what the page is made of" sh deploy/web-assets.sh --dev
    elif command -v npm >/dev/null; then
        step "Fetching what the page is made of" sh deploy/web-assets.sh
    fi
}
