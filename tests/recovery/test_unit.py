"""The service unit, held to the service manager's own judgement."""

import re
import subprocess
import sys
from pathlib import Path

from system_support.broker import program

UNIT = Path(__file__).parents[2] / "deploy" / "systemd" / "dustcake.service"
MOST_EXPOSED = 2.0  # the tool calls what is below 5 OK


def systemd_analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [program("systemd-analyze"), *arguments], capture_output=True, text=True, check=False
    )


def test_exposure_is_ok_or_better() -> None:
    done = systemd_analyze("security", "--offline=true", "--no-pager", str(UNIT))
    found = re.search(r"Overall exposure level for dustcake\.service: ([\d.]+) (\w+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found[1]) <= MOST_EXPOSED
    assert found[2] == "OK"


def test_it_is_in_order(tmp_path: Path) -> None:
    copy = tmp_path / "dustcake.service"
    text = UNIT.read_text()
    assert "ExecStart=/opt/dustcake/current/bin/dustcake run " in text
    copy.write_text(text.replace("/opt/dustcake/current/bin/dustcake", sys.executable))
    done = systemd_analyze("verify", str(copy))
    assert (done.returncode, done.stderr) == (0, "")


def test_it_says_what_the_daemon_does() -> None:
    lines = UNIT.read_text().splitlines()
    for line in (
        "Type=notify",
        "WatchdogSec=30",
        "Restart=always",
        "RestartPreventExitStatus=2",
        "StateDirectory=dustcake",
        "RuntimeDirectory=dustcake",
        "SupplementaryGroups=dialout",
        "LoadCredential=mqtt-password:/etc/dustcake/mqtt-password",
    ):
        assert line in lines
