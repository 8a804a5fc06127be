"""An edge node linked to a real broker, and a host application's side of it."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dustcake.adapters.mqtt import EdgeNodeLink
from dustcake.core.inputs import Stamp
from dustcake.publish.sparkplug.commands import DeviceRequest, Refused, command_metrics
from dustcake.publish.sparkplug.edge_node import EdgeNode, NodeTopics, PrimaryHost
from ports.mqtt.running_link import Noting, settings_for
from publish.sparkplug.host import GROUP, NODE, dp, mode
from publish.sparkplug.independent import parsed
from system_support.broker import Broker, Subscriber, until

DEVICE = "bay 3"
HOST = "control room"
STATE = f"spBv1.0/STATE/{HOST}"
LINE_FORMAT = "%t\t%q\t%r\t%x"


def topic(kind: str, device: str | None = None) -> str:
    """A topic of the node, or of its device."""
    base = f"spBv1.0/{GROUP}/{kind}/{NODE}"
    return base if device is None else f"{base}/{device}"


class HandClock:
    """A clock that is set by hand; ``utc_s`` None: not set."""

    def __init__(self) -> None:
        self.mono_s = 0.0
        self.utc_s: float | None = 1_800_000_000.0

    def now(self) -> Stamp:
        """The present instant."""
        return Stamp(self.mono_s, self.utc_s)

    async def sleep_until(self, mono_s: float) -> None:
        """Not waited on by the link."""
        raise AssertionError(mono_s)


class NotingEdgeNodeLink(Noting, EdgeNodeLink):
    """One that keeps every status it has had."""


class Linked:
    """A node under test, fed by hand."""

    def __init__(
        self,
        port: int,
        *,
        version: str = "5",
        host: str | None = None,
        commands: bool = True,
        unsure_s: float = 0.0,
    ) -> None:
        settings = settings_for(
            port, client_id="mill-sparkplug", version=version, retry_cap_s=0.1, table="sparkplug"
        )
        self.clock = HandClock()
        topics = NodeTopics(GROUP, NODE)
        self.node = EdgeNode(topics, [DEVICE], capacity=1000, unsure_s=unsure_s)
        self.asked: list[DeviceRequest | Refused] = []
        self.link = NotingEdgeNodeLink(
            settings,
            self.node,
            PrimaryHost(host),
            self.clock,
            on_request=self._ask if commands else None,
            uniform=lambda: 0.5,
        )
        self._number = 0

    async def _ask(self, asked: DeviceRequest | Refused) -> None:
        self.asked.append(asked)

    def see(self, value_pa: float, *, there: bool = True) -> None:
        """The device reads so, a second later."""
        self._number += 1
        self.clock.mono_s += 1.0
        if self.clock.utc_s is not None:
            self.clock.utc_s += 1.0
            metrics = [dp(value_pa, self._number), mode("off", self._number)]
            metrics += command_metrics(None, self.clock.utc_s)
            self.node.observe(DEVICE, metrics, is_there=there)
        self.link.stir()

    async def connected(self) -> None:
        """Return when there is a connection."""
        await until(lambda: self.link.status.connected, "a connection")

    def causes(self) -> list[str]:
        """Why connections were lost, in words."""
        return [each.trouble.cause for each in self.link.statuses if each.trouble is not None]


@contextlib.asynccontextmanager
async def linked(port: int, **options: Any) -> AsyncIterator[Linked]:
    """A node with its link at work, one value seen; ended in order."""
    bench = Linked(port, **options)
    bench.see(0.0)
    task = asyncio.create_task(bench.link.run())
    try:
        yield bench
        assert not task.done()
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@dataclass
class Received:
    """One message as it came through the broker."""

    topic: str
    qos: int
    retained: bool
    payload: Any

    @property
    def kind(self) -> str:
        """NBIRTH and so on."""
        return self.topic.split("/")[2]


def host_side(broker: Broker) -> Subscriber:
    """mosquitto_sub on everything of the group."""
    return broker.subscriber(f"spBv1.0/{GROUP}/#", line_format=LINE_FORMAT)


def messages(subscriber: Subscriber) -> list[Received]:
    """What it has heard, decoded by the independent decoder."""
    heard = []
    for line in subscriber.lines:
        where, qos, retained, data = line.split("\t")
        heard.append(Received(where, int(qos), retained == "1", parsed(bytes.fromhex(data))))
    return [each for each in heard if not each.kind.endswith("CMD")]


def kinds(subscriber: Subscriber) -> list[str]:
    """Of the messages it has heard."""
    return [each.kind for each in messages(subscriber)]


async def publish(broker: Broker, where: str, data: bytes, folder: Path, *options: str) -> None:
    """Publish bytes with mosquitto_pub."""
    path = folder / "payload"
    path.write_bytes(data)
    await broker.publish_file(where, path, *options)
