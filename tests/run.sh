#!/bin/sh
# Installs what the tests need and runs them, in one of four tiers; README.md beside this says what
# belongs to each.
#
#   sh tests/run.sh quick           before a commit: the pure rooms, a tenth of the examples
#   sh tests/run.sh                 before a push: one story of each suite of real processes as well
#   sh tests/run.sh ci              what .ci/run runs
#   sh tests/run.sh prepare         nothing: only installs
#   sh tests/run.sh night           what finds something only in hours, and the tables of the benches
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

# Workers, and what they start, share what Python has compiled, whatever the environment says.
unset PYTHONDONTWRITEBYTECODE

tier() {
    name=$1
    shift
    pytest --tier "$name" "$@"
}

case "${1:-push}" in
prepare) ;;
quick)
    ruff check .
    ruff format --check .
    tier quick -n auto --dist loadfile tests
    ;;
push)
    # More workers than processors: what waits for processes and timers leaves them free.
    tier push -n 3 --dist loadfile --no-loadscope-reorder tests
    ;;
ci)
    # The pure rooms are covered to the last branch by their own plain tests; being measured costs
    # those with examples four times their time, and adds nothing.
    tier quick -n auto --dist loadfile -m "not examples and not patience" tests/core tests/publish \
        --cov=dustcake.core --cov=dustcake.publish --cov-branch \
        --cov-report=term-missing:skip-covered --cov-fail-under=100
    # By itself, because it spreads its days over all processors on its own.
    tier ci -s tests/faults/test_campaign.py
    # Alone, so that nothing else takes the processor from it.
    tier ci -s tests/bench
    tier ci -n 3 --dist loadfile --no-loadscope-reorder tests \
        --ignore=tests/faults/test_campaign.py --ignore=tests/bench
    ;;
night)
    tier night -s tests/faults/test_campaign.py -m night
    tier night -s tests/bench
    DUSTCAKE_KILLS="${DUSTCAKE_KILLS:-200}" tier night -s tests/processes
    tier night -n auto tests/fuzz
    tier night -n 3 --dist loadfile -m night tests \
        --ignore=tests/faults/test_campaign.py --ignore=tests/bench --ignore=tests/processes
    ;;
*)
    exec pytest "$@"
    ;;
esac
