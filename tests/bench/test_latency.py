"""How soon a subscriber hears of a register that has changed, beyond the poll period: against a
bare pymodbus read with a bare paho publish, at the same time, by the same broker and subscriber."""

import asyncio
import json
import os
import statistics
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from bench.conftest import Add
from system_support import settings
from system_support.broker import Broker, running, until
from system_support.processes import Daemons

HERE = Path(__file__).parent
POLL_S = 0.1
MEASURED_S = float(os.environ.get("DUSTCAKE_LATENCY_S", "15"))
MOST_RATIO, MARGIN = 1.5, 1.3
"""What is wanted at p50; and how much more is let pass where others use the processors too."""


class Subscriber:
    """Bare paho in a thread of its own: when each reading came, by topic."""

    def __init__(self, port: int) -> None:
        self.came_s: dict[str, dict[str, float]] = defaultdict(dict)
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.on_message = self._note
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("+/+/measurement")
        self._client.loop_start()

    def _note(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        at_s = time.monotonic()
        pa = json.loads(message.payload)["dp"]["value"]
        self.came_s[message.topic].setdefault(f"{pa:.2f}", at_s)

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def delays_ms(read: Sequence[str], unit: int, came_s: dict[str, float]) -> list[float]:
    """From the read that the device answered to the subscriber, sorted."""
    lines = [line.split() for line in read]
    told = [(pa, float(at_s)) for number, pa, at_s in lines if int(number) == unit]
    return sorted((came_s[pa] - at_s) * 1e3 for pa, at_s in told if pa in came_s)


@contextmanager
def running_process(*command: object, out: Path | None = None) -> Iterator[None]:
    """A Python program, ended in order afterwards."""
    words = [sys.executable, *(str(word) for word in command)]
    with ExitStack() as stack:
        file = None if out is None else stack.enter_context(out.open("w"))
        with subprocess.Popen(words, cwd=HERE.parent, stdout=file) as process:
            try:
                yield
            finally:
                process.terminate()


async def test_from_register_to_subscriber(tmp_path: Path, daemons: Daemons, row: Add) -> None:
    told = tmp_path / "device"
    async with running(Broker(tmp_path / "broker")) as broker:
        with running_process("-m", "bench.changing_device", out=told):
            await until(lambda: told.read_text().endswith("\n"), "the device to listen")
            modbus = int(told.read_text())
            collector = settings.collector(
                poll_s=POLL_S, contacts=None, outputs={"one_shot_register": None}
            )
            mqtt = {"host": "127.0.0.1", "port": broker.port}
            file = settings.write(tmp_path, settings.tcp_bus(modbus), collector, mqtt=mqtt)
            await daemons.start(file)
            raw = HERE / "raw_publish.py", modbus, 2, broker.port, POLL_S, "raw/unit-2/measurement"
            with running_process(*raw):
                await asyncio.sleep(2.0)  # past the start: what is measured is the steady state
                subscriber = Subscriber(broker.port)
                await asyncio.sleep(MEASURED_S)
                subscriber.stop()
        read = told.read_text().splitlines()[1:]
    ours = delays_ms(read, 1, subscriber.came_s["dustcake/hall-1/measurement"])
    floor = delays_ms(read, 2, subscriber.came_s["raw/unit-2/measurement"])
    assert min(len(ours), len(floor)) >= 0.8 * MEASURED_S / POLL_S
    for what, part in (("p50", 0.5), ("p99", 0.99)):
        mine, bare = (taken[int(part * len(taken))] for taken in (ours, floor))
        limit = f"at most {MOST_RATIO}" if what == "p50" else "no limit"
        row(
            f"register to subscriber, {what}, against bare pymodbus and paho",
            f"{mine / bare:.2f}",
            f"{limit}; {mine:.2f} of {bare:.2f} ms",
        )
    assert statistics.median(ours) / statistics.median(floor) <= MOST_RATIO * MARGIN
