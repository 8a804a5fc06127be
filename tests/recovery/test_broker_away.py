"""A broker away for long: what a subscriber has in the end is what the journal holds."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from dustcake.adapters.store import History
from recovery.pulsing import pulses_more, pulsing
from system_support import settings
from system_support.broker import Broker, running, until
from system_support.device import Device
from system_support.heard import Heard, listener
from system_support.processes import Daemons

NAME = "hall-1"


@pytest.mark.broker
@pytest.mark.patience(240, "days of backlog go out")
async def test_the_ledger_is_the_journal(
    tmp_path: Path, plant: Device, daemons: Daemons, runs_off_by: Callable[[str], None]
) -> None:
    broker = Broker(tmp_path / "broker")
    file = settings.write(
        tmp_path, settings.tcp_bus(plant.port), pulsing(), mqtt=settings.mqtt(broker.port)
    )
    daemon = await daemons.start(file)  # and there is no broker
    for minute in range(1, 4):
        await pulses_more(plant, 1)
        runs_off_by(str(60 * minute))  # another minute begins
    await pulses_more(plant, 1)
    daemon.kill()
    daemon = await daemons.start(file)
    await pulses_more(plant, 2)
    async with running(broker), listener(broker) as sub:
        heard = Heard(sub)
        await until(lambda: len(heard.events("pulse")) >= 5, "what has waited", 90)
        await pulses_more(plant, 2)
        assert await daemon.terminate() == 0
        await until(lambda: heard.bodies("online")[-1]["online"] is False, "the goodbye")
        ledger = heard.gapless()
        minutes = heard.bodies("minute")
    with History(tmp_path / "journal.db") as history:
        journal = list(history.all_events(NAME, None, None))
    assert [(one["seq"], one["event"]) for one in ledger] == [(e.seq, e.name) for e in journal]
    assert ledger[0]["seq"] == 1
    assert len(minutes) >= 4
    with closing(sqlite3.connect(tmp_path / "journal.db")) as connection:
        kept = connection.execute(
            "SELECT number, polls, dp_mean_pa FROM minutes ORDER BY n"
        ).fetchall()
    assert [one["number"] for one in minutes] == [number for number, _, _ in kept]
    assert {one["dropped"] for one in minutes} == {0}
    for told, (_, polls, dp_mean_pa) in zip(minutes, kept, strict=True):
        assert told["polls"] == polls
        assert told["dp"]["mean"]["value"] == pytest.approx(dp_mean_pa, abs=0.01)
