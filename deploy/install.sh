#!/bin/sh
# Installs dustcake as a service on this computer (a Raspberry Pi, or any Debian-like Linux with
# systemd), upgrades it, goes back to the release before, or removes it.
#
#   sudo sh deploy/install.sh                        install; run again from a newer checkout: upgrade
#   sudo sh deploy/install.sh --settings plant.toml  the same, with your settings file
#   sudo sh deploy/install.sh rollback               back to the release before
#   sudo sh deploy/install.sh uninstall              remove all but the settings and the journal
#
# The service starts only when `dustcake check` passes, and not while /etc/dustcake/dustcake.toml is
# still an unchanged example: its addresses are not those of your collector.
set -eu
came_from=$(pwd)
cd "$(dirname "$0")/.."
. deploy/venv.sh

HOME_DIR=/opt/dustcake
CURRENT=$HOME_DIR/current
PREVIOUS=$HOME_DIR/previous
SETTINGS=/etc/dustcake/dustcake.toml
JOURNAL_DIR=/var/lib/dustcake
BACKUPS=$JOURNAL_DIR/backups
UNITS=/etc/systemd/system
COMMAND=/usr/local/bin/dustcake

say() { printf '%s\n' "$@"; }
die() {
    printf '%s\n' "$*" >&2
    exit 1
}

usage() {
    sed -n '2,/^set -eu/{/^set -eu/d;s/^# \{0,1\}//;p;}' deploy/install.sh
}

# Whether systemd runs here. It does not in a chroot or a container that is being built.
booted() { [ -d /run/systemd/system ]; }

# A link changes its target in one step, so that there is never none.
point() { ln -sfn "$2" "$1.new" && mv -T "$1.new" "$1"; }

target() { readlink "$1" 2>/dev/null || true; }

as_service() { runuser -u dustcake -- "$@"; }

stop_service() { if booted && systemctl is-active --quiet dustcake; then systemctl stop dustcake; fi; }

make_user() {
    getent passwd dustcake >/dev/null && return
    useradd --system --user-group --home-dir "$JOURNAL_DIR" --no-create-home \
        --shell /usr/sbin/nologin dustcake
}

make_directories() {
    install -d -m 0755 "$HOME_DIR" "$HOME_DIR/releases"
    install -d -m 0750 -o root -g dustcake /etc/dustcake
    install -d -m 0750 -o dustcake -g dustcake "$JOURNAL_DIR" "$BACKUPS"
    # Serial ports belong to this group on Debian and Raspberry Pi OS.
    if getent group dialout >/dev/null; then usermod --append --groups dialout dustcake; fi
}

# A release is a virtual environment of its own, with exactly what the lock pins.
make_release() {
    python=$(find_python)
    version=$(sed -n 's/^version = "\(.*\)"/\1/p' pyproject.toml)
    release=$HOME_DIR/releases/$version-$(date -u +%Y%m%dT%H%M%SZ)
    say "Installing dustcake $version into $release (needs the network, some minutes on a Pi)"
    rm -rf "$release"
    if ! "$python" -m venv "$release"; then
        die "Cannot make a virtual environment: sudo apt install python3-venv"
    fi
    "$release/bin/python" -m pip install --quiet --disable-pip-version-check \
        --require-hashes -r deploy/locks/daemon.txt
    "$release/bin/python" -m pip install --quiet --disable-pip-version-check \
        --no-deps --no-build-isolation .
    # Reports as PDF are welcome and not needed: on 32-bit ARM no wheel of it is to be had, and
    # nothing is compiled here.
    if ! "$release/bin/python" -m pip install --quiet --disable-pip-version-check \
        --require-hashes --only-binary :all: -r deploy/locks/report.txt 2>/dev/null; then
        say "Commissioning reports can be made as HTML only: no wheel of the PDF library fits here."
    fi
    install -m 0644 daemon/LICENSE "$release/"
    for page in README.md config/*.md deploy/*.md simulator/README.md daemon/dustcake_lab/README.md; do
        install -D -m 0644 "$page" "$release/$page"
    done
    "$release/bin/dustcake" --help >/dev/null || die "$release does not run; nothing was changed"
}

# Before anything is changed: would the new release take the settings it is to work with?
try_settings() {
    tried=$given
    if [ -z "$tried" ] && [ -e "$SETTINGS" ]; then tried=$SETTINGS; fi
    [ -n "$tried" ] || return 0
    if ! "$release/bin/dustcake" check "$tried" >/dev/null; then
        rm -rf "$release"
        die "Nothing was changed: mend $tried as said above, then run this again."
    fi
}

put_settings() {
    install -d -m 0755 /etc/dustcake/examples
    install -m 0644 config/*.toml config/schema.json /etc/dustcake/examples/
    if [ -n "$given" ]; then
        if [ -e "$SETTINGS" ] && ! cmp -s "$given" "$SETTINGS"; then
            cp -p "$SETTINGS" "$SETTINGS.before-$(date -u +%Y%m%dT%H%M%SZ)"
        fi
        install -m 0640 -o root -g dustcake "$given" "$SETTINGS"
    elif [ ! -e "$SETTINGS" ]; then
        install -m 0640 -o root -g dustcake config/four_valves_tcp.toml "$SETTINGS"
    fi
}

put_units() {
    install -d "$UNITS/dustcake.service.d"
    install -m 0644 deploy/systemd/dustcake.service "$UNITS/"
    systemd_version=$(systemctl --version | sed -n '1s/^systemd \([0-9]*\).*/\1/p')
    if [ "${systemd_version:-0}" -ge 254 ]; then
        install -m 0644 deploy/systemd/dustcake.service.d/*.conf "$UNITS/dustcake.service.d/"
    fi
    if booted; then systemctl daemon-reload; fi
    systemctl --quiet enable dustcake
}

is_example() {
    for example in config/*.toml; do
        cmp -s "$example" "$SETTINGS" && return
    done
    return 1
}

# Starts, and waits until every collector has made its first decision. Fails if it does not get there.
start_service() {
    if is_example; then
        say "" "Not started: $SETTINGS is still an example, and its addresses are not yours." \
            "  1. edit it          sudo nano $SETTINGS   (other examples: /etc/dustcake/examples)" \
            "  2. check it         sudo dustcake check $SETTINGS" \
            "  3. look, no output  sudo dustcake read $SETTINGS" \
            "  4. vent the header, then start: sudo systemctl start dustcake"
        return
    fi
    if ! as_service "$CURRENT/bin/dustcake" check "$SETTINGS" >/dev/null; then
        say "Not started: mend $SETTINGS as said above, then: sudo systemctl start dustcake"
        return 2
    fi
    if ! booted; then
        say "Not started: systemd does not run here. It starts with the computer."
        return
    fi
    systemctl start dustcake || return 1
    say "Running. See what it does: dustcake status" \
        "Whoever may use the commands joins its group: sudo usermod --append --groups dustcake NAME"
}

# What the older release needs to go on: a copy made before the newer one touches the journal.
back_up() {
    [ -e "$JOURNAL_DIR/journal.db" ] && [ -n "$(target "$CURRENT")" ] || return 0
    "$CURRENT/bin/dustcake" backup --settings "$SETTINGS" "$1" &&
        chown dustcake:dustcake "$1" && say "Settings and journal are kept in $1"
}

# The copy that was made when the release that is left behind came in.
backup_before() { printf '%s/before-%s.tar.gz' "$BACKUPS" "$(basename "$1")"; }

# Back to the release before; the one that is left behind stays installed.
go_back() {
    newer=$(target "$CURRENT")
    older=$(target "$PREVIOUS")
    [ -n "$older" ] && [ -x "$older/bin/dustcake" ] || die "There is no release to go back to."
    stop_service
    point "$CURRENT" "$older"
    point "$PREVIOUS" "$newer"
    if [ -e "$JOURNAL_DIR/journal.db" ] &&
        ! "$older/bin/dustcake" history --settings "$SETTINGS" --since 1s >/dev/null; then
        saved=$(backup_before "$newer")
        say "The journal was brought up by the newer release; the copy $saved takes its place," \
            "and the newer one stays beside it."
        as_service "$older/bin/dustcake" restore --settings "$SETTINGS" --journal-only "$saved"
    fi
    say "Back to $(basename "$older")."
}

install_or_upgrade() {
    make_user
    make_directories
    make_release
    try_settings
    before=$(target "$CURRENT")
    before_that=$(target "$PREVIOUS")
    stop_service
    back_up "$(backup_before "$release")"
    put_settings
    point "$CURRENT" "$release"
    if [ -n "$before" ]; then point "$PREVIOUS" "$before"; fi
    ln -sfn "$CURRENT/bin/dustcake" "$COMMAND"
    put_units
    code=0
    start_service || code=$?
    if [ "$code" -ne 0 ] && [ -n "$before" ]; then
        say "" "The new release does not start:"
        if booted; then systemctl status --no-pager --lines 20 dustcake || true; fi
        go_back
        rm -rf "$PREVIOUS" "$release"
        if [ -n "$before_that" ]; then point "$PREVIOUS" "$before_that"; fi
        start_service
        die "Nothing is lost: dustcake runs as before the upgrade."
    fi
    # Two releases are enough: this one, and the one to go back to.
    for old in "$HOME_DIR"/releases/*; do
        case $old in "$release" | "$before") ;; *) rm -rf "$old" ;; esac
    done
    return "$code"
}

uninstall() {
    if booted; then systemctl disable --now --quiet dustcake || true; fi
    rm -rf "$UNITS/dustcake.service" "$UNITS/dustcake.service.d" "$HOME_DIR" "$COMMAND" \
        "$UNITS/multi-user.target.wants/dustcake.service" /etc/dustcake/examples
    if booted; then systemctl daemon-reload; fi
    say "Removed. Kept: the settings in /etc/dustcake, the journal in $JOURNAL_DIR, and their owner," \
        "the user dustcake. To remove these too:" \
        "  sudo rm -r /etc/dustcake $JOURNAL_DIR && sudo userdel dustcake"
}

action=install
given=""
while [ $# -gt 0 ]; do
    case $1 in
    install | rollback | uninstall) action=$1 ;;
    --settings)
        [ $# -ge 2 ] || die "--settings needs a file: sudo sh deploy/install.sh --settings plant.toml"
        case $2 in /*) given=$2 ;; *) given=$came_from/$2 ;; esac
        [ -r "$given" ] || die "--settings $2: no such file, or it cannot be read"
        shift
        ;;
    -h | --help)
        usage
        exit 0
        ;;
    *)
        usage >&2
        die "unknown: $1"
        ;;
    esac
    shift
done
[ "$(id -u)" -eq 0 ] || die "This changes the system: sudo sh deploy/install.sh $action"
command -v systemctl >/dev/null || die "There is no systemd here; see deploy/Containerfile."

case $action in
install) install_or_upgrade ;;
rollback)
    go_back
    start_service
    ;;
uninstall) uninstall ;;
esac
