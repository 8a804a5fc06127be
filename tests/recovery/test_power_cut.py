"""What a power cut may leave of the files is always whole, and holds all that was told."""

import os
import random
import shutil
import signal
import sqlite3
import time
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

from dustcake.adapters.store import History, SqliteStore
from recovery.pulsing import pulses_more, pulsing
from system_support import settings
from system_support.broker import Broker, until
from system_support.device import Device
from system_support.heard import Heard, listener
from system_support.processes import Daemons

NAME = "hall-1"
COPIES = 40
CUTS = 15


def reached(moment_s: float) -> bool:
    return time.monotonic() >= moment_s


def copied(journal: Path, to: Path) -> None:
    to.parent.mkdir()
    for suffix in ("", "-wal"):
        shutil.copyfile(f"{journal}{suffix}", f"{to}{suffix}")


async def whole(journal: Path) -> int:
    """How many events it holds, once it has been opened as a restarting daemon would."""
    async with SqliteStore.open(journal) as store:
        stored = await store.load(NAME)
    assert not list(journal.parent.glob("*.damaged*"))
    with closing(sqlite3.connect(journal)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with History(journal) as history:
        seqs = [one.seq for one in history.all_events(NAME, None, None)]
    assert seqs == list(range(1, len(seqs) + 1))
    assert (1 if stored is None else stored.state.next_seq) == len(seqs) + 1
    return len(seqs)


@pytest.mark.broker
@pytest.mark.patience(300, "many starts, one after the other")
async def test_any_moment(tmp_path: Path, broker: Broker, plant: Device, daemons: Daemons) -> None:
    journal = tmp_path / "journal.db"
    file = settings.write(
        tmp_path,
        settings.tcp_bus(plant.port),
        pulsing(),
        mqtt=settings.mqtt(broker.port),
        journal={"path": str(journal), "flush_s": 0.2},
    )
    chance = random.Random(7)
    async with listener(broker) as sub:
        heard = Heard(sub)
        daemon = await daemons.start(file)
        for n in range(COPIES):
            moment_s = time.monotonic() + chance.uniform(0.0, 0.4)
            await until(partial(reached, moment_s), "a random moment")
            # Stopped in the middle of whatever it does, so that both files are of one moment.
            os.kill(daemon.process.pid, signal.SIGSTOP)
            told = len(heard.events())
            cut = tmp_path / f"cut-{n}" / "journal.db"
            copied(journal, cut)
            os.kill(daemon.process.pid, signal.SIGCONT)
            assert await whole(cut) >= told
        assert await daemon.terminate() == 0
    assert len(heard.gapless()) > COPIES / 8


@pytest.mark.patience(300, "many starts, one after the other")
async def test_a_log_cut_off_anywhere(tmp_path: Path, plant: Device, daemons: Daemons) -> None:
    """The write-ahead log may end in the middle of a commit that was under way."""
    journal = tmp_path / "journal.db"
    file = settings.write(tmp_path, settings.tcp_bus(plant.port), pulsing())
    daemon = await daemons.start(file)
    await pulses_more(plant, 3)
    os.kill(daemon.process.pid, signal.SIGSTOP)
    copied(journal, tmp_path / "all" / "journal.db")
    os.kill(daemon.process.pid, signal.SIGCONT)
    assert await daemon.terminate() == 0
    length = os.stat(f"{tmp_path}/all/journal.db-wal").st_size  # noqa: PTH116
    chance, counts = random.Random(11), []
    for n, at in enumerate(sorted(chance.randrange(length) for _ in range(CUTS))):
        cut = tmp_path / f"cut-{n}" / "journal.db"
        copied(tmp_path / "all" / "journal.db", cut)
        os.truncate(f"{cut}-wal", at)
        if cut.stat().st_size == 0 and at < 100_000:
            continue  # cut before the schema was there: a first start
        counts.append(await whole(cut))
    assert counts == sorted(counts)
    assert counts[-1] > counts[0]
