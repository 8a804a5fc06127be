"""The install script, in a mount namespace whose /etc, /opt, /usr/local and /var/lib are overlays:
it does all that it does on a Pi, and nothing of it stays on this machine."""

import asyncio
import os
import shutil
import sys
from pathlib import Path

import pytest

from system_support import settings
from system_support.broker import program
from system_support.device import device, scenario

CHECKOUT = Path(__file__).parents[2]
DIRTY = scenario(0.45)
PRISTINE = """
set -eu
mount -t tmpfs tmpfs /mnt
for place in /etc /opt /usr/local /var/lib /root; do
    name=$(echo "$place" | tr / _)
    upper=/mnt/$name/upper work=/mnt/$name/work
    mkdir -p "$upper" "$work"
    mount -t overlay overlay -o "lowerdir=$place,upperdir=$upper,workdir=$work" "$place"
done
# The service's user must reach the interpreter, which may live in a home directory here.
chmod a+rx /root
mount -t tmpfs -o mode=755 tmpfs /run
mkdir -p /run/systemd/system /run/bin
rm -rf /etc/dustcake /opt/dustcake /var/lib/dustcake
printf '#!/bin/sh\\nexec "%s" "%s" "$@"\\n' "$PYTHON" "$STAND_IN" >/run/bin/systemctl
chmod +x /run/bin/systemctl
PATH=/run/bin:$PATH
install() { sh "$CHECKOUT/deploy/install.sh" "$@"; }
settings=/etc/dustcake/dustcake.toml
last_seq() {
    dustcake history --json | tail -n 1 | sed 's/.*"seq": \\([0-9]*\\).*/\\1/'
}
trap 'systemctl stop' EXIT
"""


async def in_pristine_system(story: str, **environment: str) -> str:
    """Run a shell script there; all it has said. One that fails fails the test."""
    if os.geteuid() != 0:
        pytest.fail("the install script can only be tried as root: sudo sh tests/run.sh")
    process = await asyncio.create_subprocess_exec(
        program("unshare"),
        "--mount",
        "sh",
        "-c",
        PRISTINE + story,
        env={
            **{name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
            "PYTHON": sys.executable,
            "STAND_IN": str(Path(__file__).with_name("systemctl.py")),
            "CHECKOUT": str(CHECKOUT),
            **environment,
        },
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    out, _ = await process.communicate()
    said = out.decode()
    assert process.returncode == 0, said
    return said


FIRST = """
install
test ! -e /run/dustcake.pid
dustcake check $settings >/dev/null
cmp $settings "$CHECKOUT/config/four_valves_tcp.toml"
test "$(stat -c '%U:%G %a' $settings)" = 'root:dustcake 640'
test "$(stat -c '%U:%G %a' /var/lib/dustcake)" = 'dustcake:dustcake 750'
id -nG dustcake | grep -qw dialout
grep -q -- '--quiet enable dustcake' /run/systemctl-calls

echo '--- mistaken settings change nothing'
sed 's/low = .*/low = "9 kPa"/' "$PLANT" >/run/mistaken.toml
before=$(readlink /opt/dustcake/current)
if install --settings /run/mistaken.toml; then exit 1; fi
test "$(readlink /opt/dustcake/current)" = "$before"
cmp $settings "$CHECKOUT/config/four_valves_tcp.toml"

echo '--- an upgrade, with settings'
install --settings "$PLANT"
cmp $settings "$PLANT"
dustcake status | grep -q 'dP'
test "$(readlink /opt/dustcake/previous)" = "$before"
lived=$(last_seq)

echo '--- an upgrade to a release that cannot run'
good=$(readlink /opt/dustcake/current)
if sh "$BROKEN/deploy/install.sh"; then exit 1; fi
test "$(readlink /opt/dustcake/current)" = "$good"
dustcake status >/dev/null
ls /var/lib/dustcake/backups/before-*.tar.gz

echo '--- back to the release before'
install rollback
test "$(readlink /opt/dustcake/current)" = "$before"
test "$(readlink /opt/dustcake/previous)" = "$good"
dustcake status >/dev/null
test "$(last_seq)" -gt "$lived"

echo '--- removed'
test "$(stat -c %U /var/lib/dustcake/journal.db)" = dustcake
install uninstall
if systemctl is-active dustcake; then exit 1; fi
test -e $settings
test -s /var/lib/dustcake/journal.db
test ! -e /opt/dustcake
test ! -e /usr/local/bin/dustcake
test ! -e /etc/systemd/system/dustcake.service
"""


@pytest.mark.patience(400, "pip makes a virtual environment from wheels")
async def test_a_whole_life(tmp_path: Path) -> None:
    broken = tmp_path / "broken"
    shutil.copytree(
        CHECKOUT, broken, ignore=shutil.ignore_patterns(".*", "tests", "__pycache__"), symlinks=True
    )
    run = broken / "daemon" / "dustcake" / "cli" / "run.py"
    run.write_text(run.read_text().replace("asyncio.run(", "raise SystemExit(1)\n        ("))
    async with device(DIRTY) as plant:
        tables = (settings.tcp_bus(plant.port), settings.collector())
        plant_file = settings.write(tmp_path, *tables, journal={}, control={})
        said = await in_pristine_system(FIRST, PLANT=str(plant_file), BROKEN=str(broken))
    assert "still an example, and its addresses are not yours" in said
    assert "Nothing was changed: mend" in said
    assert "The new release does not start" in said
    assert "Nothing is lost: dustcake runs as before the upgrade." in said
    assert "Kept: the settings in /etc/dustcake, the journal in /var/lib/dustcake" in said
    assert "Traceback" not in said


@pytest.mark.story
async def test_help_and_mistakes() -> None:
    said = await in_pristine_system(
        """
        install --help
        for wrong in rollback '--settings /nowhere.toml' sideways; do
            if install $wrong; then exit 1; fi
        done
        test ! -e /opt/dustcake
        """
    )
    assert "sudo sh deploy/install.sh uninstall" in said
    assert "There is no release to go back to." in said
    assert "--settings /nowhere.toml: no such file" in said
    assert "unknown: sideways" in said
