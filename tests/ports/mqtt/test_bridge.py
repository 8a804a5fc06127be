"""The example bridge in deploy/: what is published during a cut arrives when the line is back."""

import asyncio
import subprocess
from pathlib import Path

import pytest

from system_support.broker import Broker, CuttingProxy, program, running, until
from system_support.example_broker import EXAMPLE

pytestmark = pytest.mark.broker

TOPIC = "dustcake/welding-1/event"
EVENTS = 3000  # three times what mosquitto queues by default
NOT_HERE = ("address", "bridge_cafile", "remote_username", "remote_password")


def lines(name: str) -> list[str]:
    """The directives of an example."""
    text = (EXAMPLE / name).read_text()
    return [each for each in text.splitlines() if each and not each.startswith("#")]


LIMITS = [each for each in lines("dustcake.conf") if each.startswith("max_queued")]


def bridge(plant: int) -> list[str]:
    """The example, but for where the plant's broker is and who signs in there."""
    kept = [each for each in lines("bridge.conf") if not each.startswith(NOT_HERE)]
    return [*kept, f"address 127.0.0.1:{plant}", "restart_timeout 1"]


async def publish(broker: Broker, payloads: list[str]) -> None:
    process = await asyncio.create_subprocess_exec(
        program("mosquitto_pub"),
        *broker.client_arguments(),
        *("-V", "5", "-q", "1", "-l", "-t", TOPIC),
        stdin=subprocess.PIPE,
    )
    await process.communicate("".join(f"{each}\n" for each in payloads).encode())
    assert process.returncode == 0


async def test_nothing_published_while_the_line_is_cut_is_lost(tmp_path: Path) -> None:
    numbers = [str(number) for number in range(EVENTS)]
    assert LIMITS, "the example says how much may wait"
    async with (
        running(Broker(tmp_path / "plant", extra=tuple(LIMITS))) as plant,
        CuttingProxy(plant.port) as line,
        running(Broker(tmp_path / "hall", extra=(*LIMITS, *bridge(line.port)))) as hall,
        plant.subscriber(TOPIC) as scada,
    ):
        await publish(hall, numbers[:1])
        await until(lambda: scada.lines == numbers[:1], "the first event")
        await line.__aexit__()
        await publish(hall, numbers[1:])
        assert scada.lines == numbers[:1], "the line is cut"
        async with CuttingProxy(plant.port, port=line.port):
            await until(lambda: len(scada.lines) >= EVENTS, "what has waited")
            hall.stop()
        assert scada.lines == numbers
