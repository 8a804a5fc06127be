"""Daemons that are ended with the test, and simulated collectors for them."""

import sys
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from system_support import processes
from system_support.device import Device, device, scenario

ODD = Path(__file__).with_name("odd_daemon.py")


@pytest.fixture
async def plant() -> AsyncIterator[Device]:
    """A collector with its blower running."""
    async with device(scenario(0.1)) as served:
        yield served


@pytest.fixture
def runs_off_by(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Set how many seconds the time of day is off, or that it is `unset`."""
    file = tmp_path / "offset"
    file.write_text("0")
    monkeypatch.setenv("ODD", f"clock:{file}")
    monkeypatch.setattr(processes, "DAEMON", [sys.executable, str(ODD)])

    def change(to: str) -> None:
        new = tmp_path / "new"
        new.write_text(to)
        new.replace(file)

    return change
