"""The journal damaged, its disk full or read-only, while a real daemon runs, and at its start."""

import contextlib
import os
import sqlite3
import subprocess
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from dustcake.adapters.store import History, RecordedEvent
from recovery.pulsing import pulses_more, pulsing
from system_support import settings
from system_support.broker import program, until
from system_support.device import Device
from system_support.processes import Daemon, Daemons, dustcake_as_process

NAME = "hall-1"


def written(directory: Path, plant: Device, journal: Path | None = None) -> Path:
    path = journal or directory / "journal.db"
    return settings.write(
        directory,
        settings.tcp_bus(plant.port),
        pulsing(),
        journal={"path": str(path), "flush_s": 0.5},
    )


def events(journal: Path) -> list[RecordedEvent]:
    with History(journal) as history:
        return list(history.all_events(NAME, None, None))


def gapless(journal: Path) -> list[str]:
    """Names of the events, all of them there and in order."""
    found = events(journal)
    assert [one.seq for one in found] == list(range(1, len(found) + 1))
    return [one.name for one in found]


def page_of(journal: Path, table: str) -> tuple[int, int]:
    """First byte and size of the table's first page in the file, everything checkpointed."""
    with contextlib.closing(sqlite3.connect(journal)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size: int = connection.execute("PRAGMA page_size").fetchone()[0]
        root: int = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)
        ).fetchone()[0]
    return (root - 1) * size, size


def spoil(journal: Path, table: str) -> None:
    at, size = page_of(journal, table)
    with journal.open("r+b") as file:
        file.seek(at)
        file.write(b"\xa5" * size)
    with contextlib.closing(sqlite3.connect(journal)) as connection, connection:
        # What the daemon holds in its memory of the file is out of date by this.
        connection.execute("UPDATE dropped SET minutes = minutes")
        connection.execute("INSERT INTO dropped VALUES ('nobody', 0)")


@pytest.mark.parametrize("table", ["state", "outbox", "inputs"])
async def test_damaged_while_running(
    tmp_path: Path, plant: Device, daemons: Daemons, table: str
) -> None:
    journal = tmp_path / "journal.db"
    daemon = await daemons.start(written(tmp_path, plant))
    await pulses_more(plant)
    spoil(journal, table)
    await until(lambda: bool(daemon.logged("journal was damaged")), "the damage to be found", 30)
    await pulses_more(plant)
    assert await daemon.terminate() == 0
    (told,) = daemon.logged("journal was damaged")
    assert os.path.isfile(told["moved_to"])  # noqa: ASYNC240, PTH113
    names = gapless(journal)
    assert "stopped" in names[-3:]
    assert names.count("pulse") == sum(plant.unit.pulses)
    # The failed commit is on record, and that the next one worked.
    assert names.count("journal_changed") == 2


async def test_damaged_at_the_start(tmp_path: Path, plant: Device, daemons: Daemons) -> None:
    journal = tmp_path / "journal.db"
    daemon = await daemons.start(written(tmp_path, plant))
    await pulses_more(plant)
    counted = (await daemon.status())["valves"]
    daemon.kill()
    at, size = page_of(journal, "outbox")
    with journal.open("r+b") as file:
        file.seek(at)
        file.write(b"\xa5" * size)
    again = await daemons.start(tmp_path / "settings.toml")
    (told,) = again.logged("journal was damaged")
    assert os.path.isfile(told["moved_to"])  # noqa: ASYNC240, PTH113
    assert told["carried_over"]["state"] == 1
    valves = (await again.status())["valves"]
    assert sum(v["pulses"] for v in valves) >= sum(v["pulses"] for v in counted) > 0
    await pulses_more(plant)
    assert await again.terminate() == 0
    gapless(journal)


async def test_rubbish_in_its_place_is_a_first_start(
    tmp_path: Path, plant: Device, daemons: Daemons
) -> None:
    file = written(tmp_path, plant)
    (tmp_path / "journal.db").write_bytes(bytes(range(256)) * 64)
    daemon = await daemons.start(file)
    assert daemon.logged("journal was damaged")
    await pulses_more(plant)
    assert await daemon.terminate() == 0
    assert gapless(tmp_path / "journal.db")[0] == "started"


def mounted(*arguments: str) -> None:
    """Mount, or say that this machine does not allow it."""
    done = subprocess.run(["mount", *arguments], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"needs the right to mount a small file system: {done.stderr.strip()}")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "card"
    folder.mkdir()
    mounted("-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder))
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.fixture
def ext4_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system that can go read-only under a running program, as that of a failing card."""
    image, folder = tmp_path / "card.img", tmp_path / "card"
    folder.mkdir()
    with image.open("wb") as file:
        file.truncate(8_000_000)
    subprocess.run([program("mkfs.ext4"), "-q", "-F", str(image)], check=True)
    mounted("-o", "loop,errors=remount-ro", str(image), str(folder))
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


NO_PULSE_FOR_S = 4.0


async def fault_told(daemon: Daemon) -> str:
    """Wait for the alarm of the journal; its reason."""
    status = await daemon.alarm_comes("journal_fault")
    (reason,) = [
        each["reason"] for each in status["alarm_details"] if each["alarm"] == "journal_fault"
    ]
    return str(reason)


async def no_pulse_while_asked(plant: Device, daemon: Daemon) -> None:
    """It answers, reads, and does not pulse, for longer than two intervals between pulses."""
    await until(lambda: not plant.unit.energised, "the pulse under way to end")
    before = plant.unit.pulses.copy()
    began = datetime.fromisoformat((await daemon.status())["dp"]["utc"])
    later = began + timedelta(seconds=NO_PULSE_FOR_S)
    status = await daemon.status_when(
        lambda s: datetime.fromisoformat(s["dp"]["utc"]) > later, "readings to go on"
    )
    assert status["phase"] != "off"
    assert plant.unit.pulses == before


async def test_disk_full_and_cleared(
    tmp_path: Path, small_disk: Path, plant: Device, daemons: Daemons
) -> None:
    journal = small_disk / "journal.db"
    daemon = await daemons.start(written(tmp_path, plant, journal))
    await pulses_more(plant)
    filler = small_disk / "filler"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while file.write(b"x" * 4096):
            pass
    reason = await fault_told(daemon)
    assert "the disk is full" in reason or "make room" in reason, reason
    await no_pulse_while_asked(plant, daemon)
    filler.unlink()
    await pulses_more(plant)
    assert await daemon.terminate() == 0
    names = gapless(journal)
    assert names.count("journal_changed") == 2
    assert names.count("pulse") == sum(plant.unit.pulses)
    assert "Traceback" not in daemon.log


async def test_a_card_that_goes_read_only(
    tmp_path: Path, ext4_disk: Path, plant: Device, daemons: Daemons
) -> None:
    journal = ext4_disk / "journal.db"
    file = written(tmp_path, plant, journal)
    daemon = await daemons.start(file)
    await pulses_more(plant)
    mounted("-o", "remount,abort", str(ext4_disk))
    reason = await fault_told(daemon)
    assert str(journal) in reason
    await no_pulse_while_asked(plant, daemon)
    # Stopped in order: the valves are off, and that the last entries are lost is told.
    assert await daemon.terminate() == 0
    assert daemon.logged("last entries are lost")
    assert not plant.unit.energised
    before = plant.unit.pulses.copy()
    refused = await dustcake_as_process("run", file)
    assert refused.code == 1
    assert refused.err.splitlines()[-1].startswith(f"dustcake cannot run: journal {journal}")
    assert plant.unit.pulses == before
