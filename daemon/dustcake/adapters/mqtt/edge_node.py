"""The Sparkplug B link: births, data and deaths of the node, commands from host applications."""

import asyncio
import random
from collections.abc import Awaitable, Callable

import aiomqtt
import structlog

from dustcake.adapters.limits import FloodLog, Turns
from dustcake.adapters.mqtt.connection import Connection
from dustcake.adapters.mqtt.link import MOST_WAITING
from dustcake.adapters.mqtt.reconnect import Link
from dustcake.adapters.mqtt.trouble import LinkFault, LinkSettings
from dustcake.core.reasons import Because, Reason, because
from dustcake.ports import Clock
from dustcake.publish.sparkplug.commands import DeviceRequest, Rebirth, Refused, read_commands
from dustcake.publish.sparkplug.edge_node import EdgeNode, PrimaryHost
from dustcake.publish.topics import Publication
from dustcake.publish.wording import sentence
from dustcake.units import PressureUnit

LARGEST_COMMAND = 5120  # bytes; some more than the longest request
COMMANDS_APART_S = 0.02
REBIRTHS_APART_S = 1.0

_log = structlog.get_logger(__name__)
_dropped = FloodLog("message dropped")

RequestOf = Callable[[DeviceRequest | Refused], Awaitable[None]]


class EdgeNodeLink(Link):
    """One connection for the edge node; ``run`` keeps it up.

    ``settings.request_topics`` are not used: what is listened to follows from the node. With
    ``on_request`` None commands to devices are not even subscribed to; otherwise it is also called
    for those that are refused here, to answer them. A command holds for
    ``command_expiry_s`` after it was sent.
    """

    def __init__(
        self,
        settings: LinkSettings,
        node: EdgeNode,
        host: PrimaryHost,
        clock: Clock,
        *,
        on_request: RequestOf | None = None,
        command_expiry_s: float = 60.0,
        uniform: Callable[[], float] = random.random,
    ) -> None:
        super().__init__(settings, uniform)
        self._node = node
        self._host = host
        self._clock = clock
        self._on_request = on_request
        self._expiry_s = command_expiry_s
        self._stirred = asyncio.Event()
        self._rebirth = False
        self._turns = Turns(COMMANDS_APART_S)
        self._requests: asyncio.Queue[DeviceRequest | Refused] = asyncio.Queue(MOST_WAITING)
        self._is_sent = False
        self._waited_for = ""

    def stir(self) -> None:
        """Something has been observed, and may be due."""
        self._is_sent = False
        self._stirred.set()

    @property
    def is_behind(self) -> bool:
        """Whether something that has been observed is not sent yet, although it could be."""
        can_send = self.status.connected and self._host.is_ready and self._now() is not None
        return can_send and not self._is_sent

    def _now(self) -> float | None:
        return self._clock.now().utc_s

    def _will(self) -> Publication:
        return self._node.will()

    def _connect_sent(self) -> None:
        self._node.connect_sent()  # the will's number is used up

    def _goodbye(self) -> Publication:
        return self._node.death()

    def _disconnected(self) -> None:
        # What may have been lost on the way is sent again.
        self._node.disconnected(self._clock.now().mono_s)

    async def _use(self, connection: Connection) -> None:
        self._host.connected()
        self._rebirth = False
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._receive(connection))
            await connection.listen(self._topics(), "commands refused by the broker")
            self._note_connection()
            tasks.create_task(self._hand_on())
            tasks.create_task(self._send(connection))

    def _topics(self) -> list[str]:
        topics = [self._node.topics.of("NCMD")]
        if self._on_request is not None:
            topics += [self._node.topics.of("DCMD", each) for each in self._node.devices]
        if self._host.topic is not None:
            topics.append(self._host.topic)
        return topics

    async def _send(self, connection: Connection) -> None:
        while True:
            utc_s = await self._may_be_born()
            self._rebirth = False
            loop = asyncio.get_running_loop()
            again_s = loop.time() + REBIRTHS_APART_S
            loop.call_at(again_s, self._stirred.set)
            await connection.send(self._node.birth(utc_s))
            while not (self._rebirth and loop.time() >= again_s):
                self._stirred.clear()
                now = self._clock.now()
                due = None if now.utc_s is None else self._node.next_due(now, now.utc_s)
                if due is None:
                    self._is_sent = True
                    await self._stirred.wait()
                else:
                    await connection.send(due)
                    await asyncio.sleep(0)  # sending need not have waited for anything

    async def _may_be_born(self) -> float:
        """The time, once there is one and the primary host is there."""
        while True:
            self._stirred.clear()
            utc_s = self._now()
            if utc_s is not None and self._host.is_ready:
                self._waited_for = ""
                return utc_s
            awaited = "the clock to be set" if utc_s is None else f"{self._host.topic} online"
            if awaited != self._waited_for:
                _log.info("sparkplug waits", awaited=awaited)
                self._waited_for = awaited
            await self._stirred.wait()

    async def _receive(self, connection: Connection) -> None:
        """Sort what comes in, until the connection or the primary host goes."""
        async for message in connection.incoming():
            await self._turns.next()
            topic = str(message.topic)
            if topic == self._host.topic:
                self._take_state(message.payload)
            elif message.retain:
                self._refuse(topic, because(Because.RETAINED))
            elif len(message.payload) > LARGEST_COMMAND:
                size = f"{len(message.payload)} bytes, more than {LARGEST_COMMAND}"
                self._refuse(topic, because(Because.NOT_UNDERSTOOD, size))
            else:
                self._take_commands(topic, message)

    def _take_state(self, payload: bytes) -> None:
        heard = self._host.heard(payload)
        if heard == "offline" and self._node.is_born:
            broker = self._settings.broker
            raise LinkFault(
                f"the primary host application is offline at {broker.host}:{broker.port_used}",
                "start it, or correct sparkplug.primary_host",
            )
        if heard in ("older", "not understood"):
            _dropped.warn(topic=self._host.topic, cause=heard)
        self._stirred.set()

    def _take_commands(self, topic: str, message: aiomqtt.Message) -> None:
        for command in read_commands(
            self._node, topic, message.payload, self._now(), self._expiry_s
        ):
            if isinstance(command, Rebirth):
                self._rebirth = True
                self._stirred.set()
            elif isinstance(command, Refused):
                self._refuse(topic, command.reason)
            elif self._requests.full():
                _dropped.warn(topic=topic, cause=f"{MOST_WAITING} commands are waiting already")
            else:
                self._requests.put_nowait(command)

    def _refuse(self, topic: str, reason: Reason) -> None:
        """Log that a command is refused, and answer it where it was for a device."""
        _dropped.warn(topic=topic, cause=sentence(reason, PressureUnit.PA))
        topics = self._node.topics
        for device in self._node.devices:
            if topics.of("DCMD", device) == topic and not self._requests.full():
                self._requests.put_nowait(Refused(reason, device))

    async def _hand_on(self) -> None:
        while self._on_request is not None:
            request = await self._requests.get()
            await self._turns.next()
            await self._on_request(request)
