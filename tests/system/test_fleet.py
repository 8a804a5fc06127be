"""One daemon with 32 collectors on five buses: each is independent of the faults of the others."""

import json
from collections import defaultdict
from contextlib import AsyncExitStack
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from dustcake_sim.modbus_serial import ModbusSerialServer
from system_support import settings
from system_support.broker import Broker, Subscriber, until
from system_support.device import Device, Unit, device, scenario
from system_support.processes import Daemons, serial_pair

TCP_BUSES, UNITS, UNITS_ON_THE_LINE = 4, 7, 4
POLL_S = 0.5
MOST_LATE_S, ON_THE_LINE_S = 2.0, 2.5
"""Longest between two readings told of a collector nothing is wrong with: some polls, and what a
machine with other work may add. On the line each of its two exchanges may have to wait for one with
the dead unit: its time-out of 0.1 s, and 0.15 s that the longest frame could still take."""
TIMED = "hall-0-1"


def name(bus: int | str, unit: int) -> str:
    return f"hall-{bus}-{unit}"


class Told:
    """What the collectors have told: good readings, by the daemon's own clock; and which of
    them say that nothing answers."""

    def __init__(self, subscriber: Subscriber) -> None:
        self._subscriber = subscriber
        self._taken = 0
        self._readings: dict[str, list[float]] = defaultdict(list)
        self._lost: set[str] = set()

    def _take_in(self) -> None:
        lines = self._subscriber.lines[self._taken :]
        self._taken += len(lines)
        for text in lines:
            topic, _, payload = text.partition(" ")
            collector, body = topic.split("/")[1], json.loads(payload)
            if topic.endswith("/alarm/fieldbus_lost"):
                (self._lost.add if body["active"] else self._lost.discard)(collector)
            elif body["dp"]["quality"] == "good":
                at_s = datetime.fromisoformat(body["dp"]["utc"]).timestamp()
                self._readings[collector].append(at_s)

    @property
    def lost(self) -> set[str]:
        """Collectors of which it is told last that nothing answers."""
        self._take_in()
        return self._lost

    async def often(self, collectors: set[str], times: int) -> dict[str, list[float]]:
        """The readings from now on, when each has told this many."""
        self._take_in()
        self._readings.clear()

        def all_have() -> bool:
            self._take_in()
            return all(len(self._readings[each]) >= times for each in collectors)

        await until(all_have, f"{times} readings of {len(collectors)} collectors")
        return {each: self._readings[each] for each in collectors}


async def test_32_collectors_on_five_buses(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    soon = {"on_delay_s": 0.5, "off_delay_s": 0.5}
    override = {"fieldbus_lost": soon}
    quick = {"poll_s": POLL_S, "stale_after_s": 3.0, "alarms": {"override": override}}
    collectors, buses = {}, []
    async with AsyncExitStack() as stack:
        devices: list[Device] = []
        for number in range(TCP_BUSES):
            devices.append(await stack.enter_async_context(device(*[scenario(0.1)] * UNITS)))
            buses.append(settings.tcp_bus(devices[-1].port, name=f"bus-{number}"))
            for unit in range(1, UNITS + 1):
                over = settings.placed(f"bus-{number}", unit)
                table = settings.collector(name(number, unit), **quick)
                collectors[name(number, unit)] = settings.merged(table, over)
        near, far = await stack.enter_async_context(serial_pair(tmp_path))
        buses.append({**settings.serial_bus(near), "name": "line", "timeout_s": 0.1})
        on_line = {n: Unit(scenario(0.1), 1.0, seed=n) for n in range(1, UNITS_ON_THE_LINE + 1)}
        images = {n: unit.image for n, unit in on_line.items()}
        line = await stack.enter_async_context(ModbusSerialServer(images, str(far), parity="N"))
        for unit in on_line:
            table = settings.collector(name("line", unit), **quick)
            collectors[name("line", unit)] = settings.merged(table, settings.placed("line", unit))
        assert len(collectors) == 32
        collectors[TIMED]["cleaning"] |= {"mode": "timed", "timed_interval_s": 1.0}

        topics = "dustcake/+/measurement", "dustcake/+/alarm/fieldbus_lost"
        subscriber = broker.subscriber(*topics, line_format="%t %p")
        await stack.enter_async_context(subscriber)
        mqtt = settings.mqtt(broker.port)
        file = settings.write(tmp_path, buses, *collectors.values(), mqtt=mqtt)
        daemon = await daemons.start(file)
        told = Told(subscriber)
        await told.often(set(collectors), 3)

        await devices[1].go()  # a whole bus, and one unit on the line that others share
        del line.exchange.units[2]
        dead = {name(1, unit) for unit in range(1, UNITS + 1)} | {name("line", 2)}
        await until(lambda: told.lost == dead, "the alarms of those that do not answer")
        pulses = sum(devices[0][1].pulses)
        alive = await told.often(set(collectors) - dead, 8)
        for each, times_s in alive.items():
            gaps_s = [after - before for before, after in pairwise(times_s)]
            most_s = ON_THE_LINE_S if "line" in each else MOST_LATE_S
            assert max(gaps_s) <= most_s, f"{each}: {gaps_s}"
        await until(
            lambda: sum(devices[0][1].pulses) > pulses, "pulses of the collector that cleans"
        )
        assert devices[0][1].two_at_once == 0

        await devices[1].come_back()
        line.exchange.units[2] = images[2]
        await until(lambda: not told.lost, "all to be back")
        await told.often(set(collectors), 2)
        assert await daemon.terminate(within_s=5.0) == 0
