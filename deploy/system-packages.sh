#!/bin/sh
# Installs the Debian packages named by purpose ("venv", "test") that are missing; needs root or sudo without
# a password. Otherwise says in one line each what is missing and what goes without it, and returns 3.
#
#   deploy/system-packages.sh venv|test [PYTHON]
set -u
PATH="$PATH:/usr/sbin:/sbin"
purpose=$1
python=${2:-python3}
missing=""

# need COMMAND PACKAGE WHAT_GOES_WITHOUT_IT
need() {
    command -v "$1" >/dev/null 2>&1 && return
    missing="$missing $2"
    echo "missing: $2 ($3)"
}

case $purpose in
venv)
    if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
        missing="python3-venv"
        echo "missing: python3-venv (no virtual environment can be made without it)"
    fi
    ;;
test)
    need mosquitto mosquitto "tests marked broker are skipped: end to end, listener, benchmarks"
    need mosquitto_sub mosquitto-clients "the ingest benchmark is skipped"
    need chromium chromium "tests marked browser are skipped, and there are no screenshots"
    if ! ls /usr/share/fonts/truetype/dejavu/DejaVuSans.ttf >/dev/null 2>&1; then
        missing="$missing fonts-dejavu-core"
        echo "missing: fonts-dejavu-core (screenshots show boxes for letters)"
    fi
    need influxd influxdb "there is no time-series server to test a store against"
    need nginx nginx "there is no time-series server to test a store against"
    ;;
*)
    echo "usage: $0 venv|test [PYTHON]" >&2
    exit 2
    ;;
esac
[ -z "$missing" ] && exit 0

as_root=""
if [ "$(id -u)" -ne 0 ]; then
    if command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then
        as_root="sudo -n"
    else
        echo "to install them: sudo apt-get install$missing"
        exit 3
    fi
fi
if ! command -v apt-get >/dev/null 2>&1; then
    echo "this is no Debian-like machine: install$missing its own way"
    exit 3
fi

echo "installing:$missing"
$as_root apt-get update -qq &&
    $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null ||
    { echo "apt-get could not install$missing"; exit 3; }

# Debian starts a service as soon as it is installed. The tests start their own on free ports, so what was
# installed for them alone is put to rest again.
for service in mosquitto nginx influxdb; do
    case " $missing " in
    *" $service "*)
        if [ -d /run/systemd/system ]; then
            $as_root systemctl disable --now --quiet "$service" || true
        elif [ -x "/etc/init.d/$service" ]; then
            $as_root "/etc/init.d/$service" stop >/dev/null 2>&1 || true
        fi
        ;;
    esac
done
exit 0
