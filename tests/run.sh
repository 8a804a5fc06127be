#!/bin/sh
# Installs what the tests need and runs all of them.
#
#   sh tests/run.sh                 everything, benchmarks included
#   sh tests/run.sh tests/core      just these, with pytest's own options if you like
#
# With CI set in the environment anything that is missing fails the run; without, it is said loudly.
set -eu
cd "$(dirname "$0")/.."
. deploy/venv.sh

TOOLS="chromium openssl systemd-analyze mkfs.ext4 pkg-config mosquitto mosquitto_sub mosquitto_pub socat mbpoll cc"
PACKAGES="chromium openssl systemd e2fsprogs pkg-config mosquitto mosquitto-clients socat mbpoll gcc libc6-dev libmodbus-dev"

missing_tools() {
    for tool in $TOOLS; do
        command -v "$tool" >/dev/null 2>&1 || [ -x "/usr/sbin/$tool" ] || printf ' %s' "$tool"
    done
    [ -e /usr/include/modbus/modbus.h ] || printf ' libmodbus'
}

install_tools() {
    command -v apt-get >/dev/null 2>&1 || return 0
    as_root=""
    if [ "$(id -u)" -ne 0 ]; then
        # Never asks for a password in the middle of a test run.
        sudo -n true 2>/dev/null || return 0
        as_root="sudo -n"
    fi
    echo "Installing$(missing_tools) with apt-get" >&2
    # shellcheck disable=SC2086 # both are lists of words
    { $as_root apt-get update -qq &&
        $as_root env DEBIAN_FRONTEND=noninteractive \
            apt-get install -y -qq --no-install-recommends $PACKAGES; } >/dev/null || true
}

[ -z "$(missing_tools)" ] || install_tools
if [ -n "$(missing_tools)" ]; then
    cat >&2 <<NOTE
########################################################################
NOT HERE:$(missing_tools)
Tests against a real broker and foreign Modbus programs cannot run
without them. On Debian: sudo apt install $PACKAGES
########################################################################
NOTE
    [ -z "${CI:-}" ] || exit 1
fi

make_venv .venvs/test deploy/locks/test.txt
PATH="$PWD/.venvs/test/bin:$PATH:/usr/sbin"
export PATH

if [ $# -gt 0 ]; then
    exec pytest "$@"
fi

# The pure rooms are covered to the last branch by their own tests.
pytest -n auto tests/core tests/publish \
    --cov=dustcake.core --cov=dustcake.publish --cov-branch \
    --cov-report=term-missing:skip-covered --cov-fail-under=100
# More workers than processors: most of these wait for processes and timers.
pytest -n 3 --dist loadfile --no-loadscope-reorder tests --ignore=tests/core --ignore=tests/publish \
    --ignore=tests/faults/test_campaign.py --ignore=tests/bench
# By itself, because it spreads its days over all processors on its own.
pytest -s tests/faults/test_campaign.py
# Alone and last, so that nothing else takes the processor from it.
pytest tests/bench -s
