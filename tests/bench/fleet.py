"""Many daemons at one broker: message rates, processor and memory of the broker and of the daemons.

A collector has a connection, a will and topics of its own, whichever daemon it belongs to. So 8
daemons of 25 collectors are to the broker what 200 daemons of one collector are.

    cd tests && python -m bench.fleet --daemons 200 --collectors 1      needs 12 GB, and 5 minutes
    cd tests && python -m bench.fleet                     200 collectors in 8 daemons
    cd tests && python -m bench.fleet --every 0.5         each tells every reading

Everything is on this machine, and ends with it.
"""

import argparse
import asyncio
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from bench.process_figures import cpu_s, resident_mib
from system_support import settings
from system_support.broker import Broker, running, until
from system_support.processes import Daemon, Daemons

HERE = Path(__file__).parent
AT_ONCE = 8
"""So many daemons are started before the next ones are: each takes a second of processor time."""


@dataclass
class Load:
    """Of one kind of process: part of one core in per cent, and memory in MiB, all together."""

    per_cent: float
    mib: float


@dataclass
class Figures:
    """What was measured. ``back_s``: after the broker was restarted, until all were told again."""

    collectors: int
    messages_s: float
    kb_s: float
    broker: Load
    daemons: Load
    back_s: float


class Everything:
    """Bare paho that hears all there is."""

    def __init__(self, port: int) -> None:
        self.messages = 0
        self.bytes = 0
        self.states: Counter[str] = Counter()
        self.online: set[str] = set()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.on_message = self._note
        self._client.on_connect = lambda client, *_: client.subscribe("dustcake/#", qos=1)
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _note(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        self.messages += 1
        self.bytes += len(message.payload)
        _, collector, leaf = message.topic.split("/", 2)
        if leaf == "state":
            self.states[collector] += 1
        elif leaf == "online" and b"true" in message.payload:
            self.online.add(collector)

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def devices(ports: int, units: int) -> Iterator[list[int]]:
    """Their TCP ports."""
    command = [sys.executable, "-m", "bench.devices", str(ports), str(units)]
    with subprocess.Popen(command, cwd=HERE.parent, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield [int(port) for port in process.stdout.readline().split()]
        finally:
            process.terminate()


def settings_file(
    directory: Path, number: int, units: int, modbus: int, mqtt: int, every_s: float
) -> Path:
    """One daemon's, with all it writes beside it."""
    directory.mkdir()
    bus = settings.tcp_bus(modbus, name="bus")
    place = {"outputs": {"one_shot_register": None}}
    collectors = [
        settings.merged(
            settings.collector(f"hall-{number}-{unit}", poll_s=1.0, stale_after_s=10.0),
            settings.merged(settings.placed("bus", unit), place),
        )
        for unit in range(1, units + 1)
    ]
    broker = {"host": "127.0.0.1", "port": mqtt, "measurement_every_s": every_s}
    broker["client_id"] = f"daemon-{number}"
    journal = {"path": str(directory / "journal.db")}
    return settings.write(directory, bus, *collectors, mqtt=broker, journal=journal)


async def logs_running(daemon: Daemon, patience_s: float) -> None:
    """Return when it says so, which takes its time among so many."""
    await until(lambda: bool(daemon.logged("running")), "a daemon to run", patience_s)


def processor_s(pids: Sequence[int]) -> float:
    return sum(map(cpu_s, pids))


async def measure(
    directory: Path, daemons: int, collectors: int, seconds: float, every_s: float
) -> Figures:
    """Start everything, look at it for so long, restart the broker, and end everything."""
    total, patience_s = daemons * collectors, 60.0 + 3.0 * daemons
    started = Daemons()
    with ExitStack() as stack:
        stack.callback(started.end_all)
        ports = stack.enter_context(devices(daemons, collectors))
        broker = Broker(directory / "broker", extra=("max_queued_messages 100000",))
        async with running(broker):
            everything = Everything(broker.port)
            stack.callback(everything.stop)
            pids: list[int] = []
            for first in range(0, daemons, AT_ONCE):
                begun = [
                    started.begin(
                        settings_file(
                            directory / str(n), n, collectors, ports[n], broker.port, every_s
                        )
                    )
                    for n in range(first, min(first + AT_ONCE, daemons))
                ]
                for one in begun:
                    await logs_running(one, patience_s)
                pids += [one.process.pid for one in begun]
            await until(lambda: len(everything.online) == total, "all to be there", patience_s)
            await asyncio.sleep(3.0)  # past the start: what is measured is the steady state
            before = everything.messages, everything.bytes
            own_s, broker_s = processor_s(pids), cpu_s(broker.pid)
            began_s = time.monotonic()
            await asyncio.sleep(seconds)
            took_s = time.monotonic() - began_s
            messages, size = everything.messages - before[0], everything.bytes - before[1]
            of_daemons = Load(
                (processor_s(pids) - own_s) / took_s * 100, sum(map(resident_mib, pids))
            )
            of_broker = Load(
                (cpu_s(broker.pid) - broker_s) / took_s * 100, resident_mib(broker.pid)
            )
            broker.kill()
            everything.states.clear()
            await broker.start()
            back_s = time.monotonic()
            await until(lambda: len(everything.states) == total, "all told again", patience_s)
            back_s = time.monotonic() - back_s
    return Figures(total, messages / took_s, size / took_s / 1e3, of_broker, of_daemons, back_s)


def main() -> None:
    parser = argparse.ArgumentParser(description="Many daemons at one broker.")
    parser.add_argument("--daemons", type=int, default=8)
    parser.add_argument("--collectors", type=int, default=25, help="of each daemon")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--every", type=float, default=10.0, help="measurement_every_s")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as directory:
        found = asyncio.run(
            measure(
                Path(directory),
                options.daemons,
                options.collectors,
                options.seconds,
                options.every,
            )
        )
    print(f"{options.daemons} daemons, {found.collectors} collectors")
    print(f"messages        {found.messages_s:.1f} /s, {found.kb_s:.1f} kB/s of payload")
    print(f"broker          {found.broker.per_cent:.1f} % of a core, {found.broker.mib:.0f} MiB")
    print(f"daemons         {found.daemons.per_cent:.1f} % of a core, {found.daemons.mib:.0f} MiB")
    print(f"broker restart  all told again after {found.back_s:.1f} s")


if __name__ == "__main__":
    main()
