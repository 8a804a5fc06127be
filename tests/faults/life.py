"""One life of the daemon: its own parts, wired as the live one wires them."""

import asyncio
from functools import partial
from typing import TYPE_CHECKING, Any

from dustcake.adapters.mqtt import LinkSettings, MqttLink
from dustcake.adapters.store import SqliteStore, StoreRefused
from dustcake.adapters.store.outbox import CollectorOutbox
from dustcake.core.alarms.names import AlarmName, AlarmState
from dustcake.core.inputs import PollCompleted, Stamp, Stopping
from dustcake.core.requests.definitions import Level
from dustcake.ports import FieldReading
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Publication, Topics
from dustcake.runtime.collector_service import paced
from dustcake.runtime.engine import Engine
from dustcake.runtime.request_service import MqttRequests, RequestService, answer_local
from dustcake.runtime.shutdown import DRAIN_S
from dustcake.settings.services import Mqtt
from dustcake.units import PressureUnit
from faults.audit import WatchedJournal

if TYPE_CHECKING:
    from faults.world import World


MQTT = Mqtt(host="localhost", requests_adjust=True, request_expiry_s=60.0)


class Clock:
    """The port Clock in a world."""

    def __init__(self, world: "World") -> None:
        self._world = world

    def now(self) -> Stamp:
        return self._world.now()

    async def sleep_until(self, mono_s: float) -> None:
        await asyncio.sleep(mono_s + self._world.boot_s - self._world.loop.now_s)


class Life:
    """From start to stop or crash."""

    def __init__(self, world: "World") -> None:
        self.world = world
        self.engine: Engine | None = None
        self.journal: WatchedJournal | None = None
        self.began_s = world.loop.now_s
        self.refused = False
        self.stopped_s: float | None = None
        self.renderer = Renderer(
            Topics("dustcake", world.setpoints.collector), world.setpoints, PressureUnit.PA, 1800
        )
        self._request_service: RequestService | None = None
        self._link: MqttLink | None = None
        self._outbox: CollectorOutbox | None = None
        self._asking: list[asyncio.Task[Any]] = []
        self._stop = asyncio.Event()

    @property
    def settled(self) -> bool:
        """Whether it has begun to decide."""
        return self.engine is not None and self.engine.decided.is_set()

    def acknowledgeable(self) -> list[AlarmName]:
        """Alarms that wait for somebody."""
        if self.engine is None or not self.settled:
            return []
        waiting = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
        return [a.name for a in self.engine.state.alarms if a.state in waiting]

    def change_held(self) -> int | None:
        """The number of the change of set points that waits to be confirmed."""
        held = (
            None
            if self.engine is None or not self.settled
            else self.engine.state.set_point_overrides.pending
        )
        return None if held is None else held.change

    @property
    def drained(self) -> bool:
        """Whether the broker has acknowledged all there was to tell."""
        if self._outbox is None or self.journal is None or self.journal.attempted is not None:
            return False
        with self.world.disk.reader() as reader:
            refs = {ref for (ref,) in reader.execute("SELECT ref FROM outbox")}
        return refs <= self._outbox.acknowledged()

    def sigterm(self) -> None:
        """From within a world event: stop in order."""
        if self.world.life is self and not self._stop.is_set():
            self.stopped_s = self.world.loop.now_s
            self.world.ledger.note("life", "SIGTERM")
            self._stop.set()

    def ask(self, payload: bytes, *, local: bool) -> None:
        """From within a world event: a request comes in."""
        if not self.settled or self._stop.is_set():
            return
        if local and self._request_service is not None:
            request_service = {self.world.setpoints.collector: self._request_service}
            self._asking = [task for task in self._asking if not task.done()]
            self._asking.append(
                self.world.loop.create_task(answer_local(payload, "somebody", request_service, {}))
            )
        elif self.world.broker.connection is not None:
            topic = self.renderer.topics.requests(Level.ADJUST).replace("+", "shift")
            self.world.broker.connection.request(topic, payload)

    async def main(self) -> None:
        """Until stopped."""
        try:
            async with SqliteStore.open(self.world.disk.path) as store:
                await self._run(store)
        except StoreRefused:
            self.refused = True

    async def _run(self, store: SqliteStore) -> None:
        world, clock = self.world, Clock(self.world)
        if world.collector.described:
            store.describe(self.renderer)
        self.journal = WatchedJournal(world, store)
        self.engine = engine = world.engine(
            world.setpoints,
            clock=clock,
            journal=self.journal,
            outputs=world.field,
            renderer=self.renderer,
            live=self._publish_live,
            fed=lambda: None,
            flush_s=world.collector.flush_s,
            measurement_every_s=world.collector.measurement_every_s,
        )
        outbox = self._outbox = store.outbox(world.setpoints.collector)
        self._request_service = RequestService(engine, PressureUnit.PA, clock)
        requests = MqttRequests(MQTT, self.renderer.topics, self._request_service)
        self._link = MqttLink(
            LinkSettings(MQTT, "client", "dustcake", requests.filters),
            outbox,
            lambda online: self.renderer.online(
                clock.now().utc_s, engine.state.next_seq - 1, online
            ),
            lambda: self.renderer.everything(engine.state, clock.now().utc_s),
            requests.answer,
            uniform=world.rng(f"backoff {world.lives}").random,
        )
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(engine.run())
            await engine.started.wait()
            around = [tasks.create_task(self._poll(engine)), tasks.create_task(self._link.run())]
            await self._stop.wait()
            await engine.post(Stopping)
            await engine.stopped.wait()
            try:
                async with asyncio.timeout(DRAIN_S):
                    # As the live daemon does it.
                    while self._link.status.connected and await outbox.pending(1):  # noqa: ASYNC110
                        await asyncio.sleep(0.01)
            except TimeoutError:
                world.ledger.note("life", "the broker gets the rest at the next start")
            for task in (*around, *self._asking):
                task.cancel()
        if self._asking:
            await asyncio.wait(self._asking)

    async def _poll(self, engine: Engine) -> None:
        async for _ in paced(Clock(self.world), self.world.collector.poll_s):
            reading = await self.world.field.read()
            await engine.post(partial(_poll_completed, reading=reading))

    def _publish_live(self, publication: Publication) -> None:
        if self._link is not None:
            self._link.publish_live(publication)


def _poll_completed(at: Stamp, reading: FieldReading) -> PollCompleted:
    return PollCompleted(at, reading.dp, reading.contacts, reading.header)
