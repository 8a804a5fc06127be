"""Single stories of a bad network and of a broker that comes and goes, told by real processes."""

import json
import time
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any

import pytest

from processes.backlog import fill_minutes, fill_outbox
from processes.campaign import QUICK, seed_of
from processes.ledger import Ledger, due
from processes.proxy import BadNetwork, Trouble
from system_support import settings
from system_support.broker import Broker, running, until
from system_support.device import device, scenario
from system_support.processes import Daemon, Daemons

CLEAN = scenario(0.1)
BACKLOG = 1000
RUBBISH_S = 60.0
SETTLED_S = 15.0
"""After which a daemon is held to the memory it then has."""
MORE_KB = 2048
ON_TIME_S = 0.15
MODULE_TIMEOUT_S = 2
SLACK_S = 0.5
AT_ONCE = {"on_delay_s": 0.0, "off_delay_s": 0.0}


def resident_kb(daemon: Daemon) -> int:
    """Memory it has now."""
    status = Path(f"/proc/{daemon.process.pid}/status").read_text()
    (line,) = (line for line in status.splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1])


def missing(status: dict[str, Any]) -> list[str]:
    """Permissives that are not met."""
    return [one["name"] for one in status["permissives"] if one["met"] == "no"]


@pytest.mark.broker
async def test_the_broker_is_restarted_while_a_thousand_events_wait(
    tmp_path: Path, daemons: Daemons
) -> None:
    broker = Broker(tmp_path / "broker", persistent=True, extra=("max_queued_messages 0",))
    ledger = Ledger(broker)
    journal = tmp_path / "journal.db"
    try:
        await broker.start()
        async with device(CLEAN) as plant, ledger.subscriber:
            await until((broker.folder / "mosquitto.db").exists, "the session to be saved")
            bus, mqtt = settings.tcp_bus(plant.port), settings.mqtt(broker.port)
            file = settings.write(tmp_path, bus, settings.collector(), mqtt=mqtt)
            await fill_outbox(file, BACKLOG)
            daemon = await daemons.start(file)
            for told in (BACKLOG // 5, BACKLOG // 2):
                await until(lambda n=told: len(ledger.told) > n, "the backlog to be told")  # type: ignore[misc]
                # Killed it would lose what it has acknowledged and not yet saved or handed on, of
                # such a burst a few messages; no publisher can mend that.
                broker.stop()
                assert len(ledger.numbered("event")) < BACKLOG, "it must have been under way"
                admitted = ledger.connections
                await broker.start()
                await until(lambda n=admitted: ledger.connections > n, "the ledger to be let in")  # type: ignore[misc]
            # What made the backlog has started as well.
            await until(lambda: ledger.tells(b'"event": "started"', 2), "this daemon's start", 60)
            assert await daemon.terminate() == 0
            await until(lambda: ledger.tells(b'"event": "stopped"'), "its end")
            assert ledger.numbered("event") == due(file, journal)
    finally:
        broker.stop()


@pytest.mark.broker
async def test_the_subscriber_sees_which_minutes_were_given_up(
    tmp_path: Path, daemons: Daemons
) -> None:
    """A broker away for longer than minutes are kept waiting: here 20 of 90."""
    async with running(Broker(tmp_path / "broker")) as broker, device(CLEAN) as plant:
        ledger = Ledger(broker)
        async with ledger.subscriber:
            bus, mqtt = settings.tcp_bus(plant.port), settings.mqtt(broker.port)
            file = settings.write(tmp_path, bus, settings.collector(), mqtt=mqtt)
            await fill_minutes(file, minutes=90, most=20)
            daemon = await daemons.start(file)
            await until(lambda: ledger.tells(b'"event": "started"'), "the start, after them")
            assert await daemon.terminate() == 0
            await until(lambda: ledger.tells(b'"event": "stopped"'), "its end")
        minutes = [json.loads(one) for one in ledger.payloads("minute")]
        events = ledger.numbered("event")
    numbers = [one["number"] for one in minutes]
    assert 20 <= len(minutes) < 60
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    assert {one["dropped"] for one in minutes} == {numbers[0] - 1}
    assert events == due(file, tmp_path / "journal.db"), "of events none"


@pytest.mark.patience(180, "a minute of rubbish, and what follows")
async def test_a_minute_of_rubbish_on_the_fieldbus_gives_alarms(
    tmp_path: Path, daemons: Daemons
) -> None:
    """No reply comes without rubbish before it, and no request arrives without."""
    over = settings.merged(
        settings.merged(settings.valves_on_off(), QUICK),
        {
            "alarms": {"override": {"fieldbus_lost": AT_ONCE}},
            "outputs": {"watchdog": {"register": 101, "timeout_s": MODULE_TIMEOUT_S}},
        },
    )
    chance = Random(seed_of(3))
    async with (
        device(CLEAN) as plant,
        BadNetwork(plant.port, chance, troubles=[Trouble.NOISY]) as line,
    ):
        line.calm = True
        bus = settings.tcp_bus(line.port, timeout_s=0.2)
        daemon = await daemons.start(settings.write(tmp_path, bus, settings.collector(**over)))
        await until(lambda: plant.unit.energised, "a pulse")
        began_s = time.monotonic()
        line.calm = False
        line.reset_all()
        await daemon.alarm_comes("fieldbus_lost")
        await daemon.status_when(lambda s: "outputs_healthy" in missing(s), "the outputs lost")
        pulses = sum(plant.unit.pulses)
        await until(lambda: time.monotonic() >= began_s + SETTLED_S, "time to pass", SETTLED_S)
        settled_kb = resident_kb(daemon)
        await until(lambda: time.monotonic() >= began_s + RUBBISH_S, "the minute", RUBBISH_S)
        assert sum(plant.unit.pulses) == pulses, "no pulse while the outputs are not proved"
        assert not plant.unit.energised, "the module's watchdog has seen to that, if need was"
        assert resident_kb(daemon) <= settled_kb + MORE_KB
        print(f"{line.had[Trouble.NOISY]} connections, {settled_kb} kB")
        assert line.had[Trouble.NOISY] > 10
        line.calm = True
        line.reset_all()
        await daemon.quality_becomes("good")
        await until(lambda: sum(plant.unit.pulses) > pulses, "pulses again", 40)
        assert plant.unit.longest_on_s <= ON_TIME_S + MODULE_TIMEOUT_S + SLACK_S
        assert plant.unit.two_at_once == 0
        assert await daemon.terminate() == 0


@pytest.mark.story
async def test_a_valve_that_will_not_go_off_is_told_and_stops_cleaning(
    tmp_path: Path, daemons: Daemons, monkeypatch: pytest.MonkeyPatch
) -> None:
    over = settings.merged(
        settings.merged(settings.valves_on_off(), QUICK),
        {"alarms": {"override": {"valve_stuck_open": AT_ONCE}}},
    )
    async with device(CLEAN) as plant:
        image = plant.unit.image
        switch = image.write_bits
        sticking = [True]

        def write(address: int, values: Sequence[bool]) -> None:
            if any(values) or not sticking:
                switch(address, values)

        daemon = await daemons.start(
            settings.write(
                tmp_path, settings.tcp_bus(plant.port, timeout_s=0.2), settings.collector(**over)
            )
        )
        await until(lambda: sum(plant.unit.pulses) > 0, "a pulse")
        monkeypatch.setattr(image, "write_bits", write)
        status = await daemon.alarm_comes("valve_stuck_open")
        pulses = sum(plant.unit.pulses)
        assert plant.unit.energised
        tried = plant.server.exchange.requests
        await until(lambda: plant.server.exchange.requests > tried + 60, "many polls more")
        assert sum(plant.unit.pulses) == pulses, "no other valve is fired meanwhile"
        assert "outputs_healthy" in missing(status)
        sticking.clear()
        await until(lambda: not plant.unit.energised, "the valve to be switched off")
        await until(lambda: sum(plant.unit.pulses) > pulses, "pulses again")
        assert plant.unit.two_at_once == 0
        assert await daemon.terminate() == 0
