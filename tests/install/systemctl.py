"""Stands in for systemctl where no systemd runs: starts and stops the one service for real.

What it knows of the unit it reads from the file that was installed.
"""

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

UNIT = Path("/etc/systemd/system/dustcake.service")
PID = Path("/run/dustcake.pid")
CALLS = Path("/run/systemctl-calls")
PATIENCE_S = 60.0


def running() -> int | None:
    """Process number of the daemon, if it lives."""
    try:
        pid = int(PID.read_text())
        os.kill(pid, 0)
    except (OSError, ValueError):
        return None
    return pid


def start() -> int:
    """Return when the daemon answers; 1 when it ends instead, as for Type=notify."""
    words = re.search(r"^ExecStart=(.+)$", UNIT.read_text(), re.MULTILINE)
    assert words is not None
    Path("/run/dustcake").mkdir(exist_ok=True)
    for command in (
        ["chown", "dustcake:dustcake", "/run/dustcake"],
        ["systemd-analyze", "verify", str(UNIT)],
    ):
        subprocess.run(command, check=True)
    with Path("/run/daemon.log").open("ab") as log:
        daemon = subprocess.Popen(
            ["runuser", "-u", "dustcake", "--", *words[1].split()],
            stdout=log,
            stderr=log,
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )
    PID.write_text(str(daemon.pid))
    status = [words[1].split()[0], "status"]
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s and daemon.poll() is None:
        if subprocess.run(status, capture_output=True, check=False).returncode == 0:
            return 0
    return 1


def stop() -> int:
    """SIGTERM, and wait."""
    if (pid := running()) is None:
        return 0
    os.killpg(pid, signal.SIGTERM)
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s:
        if running() is None:
            return 0
    return 1


def main(arguments: list[str]) -> int:
    with CALLS.open("a") as calls:
        print(*arguments, file=calls)
    words = [word for word in arguments if not word.startswith("-")]
    match words[0] if words else "--version":
        case "--version":
            print("systemd 252 (252)")
            return 0
        case "start":
            return start()
        case "stop":
            return stop()
        case "disable":
            return stop() if "--now" in arguments else 0
        case "is-active":
            return 0 if running() is not None else 3
        case "enable" | "daemon-reload" | "status":
            return 0
    return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
