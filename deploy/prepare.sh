# Read by demo.sh and test.sh: system packages, a virtual environment of our own, the page's assets.

as_root() {
    if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi
}

# prepare WHAT: "" for the watch alone, "tests" for all checks.
prepare() {
    packages="python3 python3-venv tzdata mosquitto"
    if [ -n "$1" ]; then
        packages="$packages mosquitto-clients dbus chromium nodejs npm openssl systemd postgresql easy-rsa"
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
        echo "installing:$missing"
        as_root apt-get update -qq
        # shellcheck disable=SC2086 -- a list of words
        as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing
    fi
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
        echo "pitvigil needs Python 3.11 or later" >&2
        exit 1
    }
    [ -x .venv/bin/python ] || python3 -m venv .venv
    lock=deploy/requirements.lock
    [ -z "$1" ] || lock=deploy/requirements-test.lock
    pip="env PIP_DISABLE_PIP_VERSION_CHECK=1 .venv/bin/python -m pip install --quiet --no-deps"
    $pip --require-hashes --requirement "$lock"
    $pip --editable .
    if [ -n "$1" ]; then
        sh deploy/web-assets.sh --dev
    elif command -v npm >/dev/null; then
        sh deploy/web-assets.sh
    fi
}
