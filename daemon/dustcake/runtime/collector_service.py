"""One collector of the daemon: its engine, and what polls, feeds the watchdog and publishes."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from dataclasses import replace
from functools import partial
from math import floor
from typing import Any

from dustcake.adapters.modbus import Bus, CoilOutputs, FieldInputs
from dustcake.adapters.mqtt import LinkSettings, LinkStatus, MqttLink
from dustcake.adapters.store import SqliteStore
from dustcake.core.alarms.names import ACTIVE, AlarmState
from dustcake.core.inputs import PollCompleted, ReadFailure, Stamp
from dustcake.core.state import State
from dustcake.ports import Clock, FieldReading, Watchdog
from dustcake.publish.exception_reporting import Deadbands
from dustcake.publish.payloads import measured
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Publication, Topics
from dustcake.publish.wording import header_unit
from dustcake.runtime.broker_link import CollectorPresence, broker_link, link_content
from dustcake.runtime.commissioning import Commissioning
from dustcake.runtime.engine import Engine
from dustcake.runtime.request_service import MqttRequests, RequestService
from dustcake.settings.model import Collector, Settings
from dustcake.settings.setpoints import to_setpoints
from dustcake.units import PressureUnit

MEASUREMENTS_MISSED = 3
"""The broker drops a measurement when this many more should have come."""


async def paced(clock: Clock, every_s: float) -> AsyncIterator[int]:
    """Yield at once and then at absolute multiples of ``every_s`` after that.

    Yields how many slots were missed since the last one, because what was done in between took
    too long; missed slots are not made up for, so a stall causes no burst.
    """
    due_s = clock.now().mono_s
    missed = 0
    while True:
        yield missed
        late_s = clock.now().mono_s - due_s
        missed = max(0, floor(late_s / every_s))
        due_s += (missed + 1) * every_s
        await clock.sleep_until(due_s)


class WatchdogFeeder:
    """Feeds the service manager's watchdog when every collector has completed a step since it was
    last fed, so that one stuck collector is not hidden by the others."""

    def __init__(self, watchdog: Watchdog, collectors: Iterable[str]) -> None:
        self._watchdog = watchdog
        self._collectors = frozenset(collectors)
        self._fed: set[str] = set()

    def fed(self, collector: str) -> None:
        """A step of this collector has been completed and committed."""
        self._fed.add(collector)
        if self._fed >= self._collectors:
            self._fed.clear()
            self._watchdog.fed()


class CollectorService:
    """Everything that runs for one collector."""

    def __init__(
        self,
        settings: Settings,
        collector: Collector,
        *,
        buses: Mapping[str, Bus],
        store: SqliteStore,
        clock: Clock,
        watchdog_feeder: WatchdogFeeder,
    ) -> None:
        self.name = collector.name
        self._collector = collector
        self._clock = clock
        self._transmitter = FieldInputs(
            buses, collector.transmitter, collector.header, collector.contacts
        )
        setpoints = to_setpoints(collector)
        mqtt = settings.mqtt
        every_s = 10.0 if mqtt is None else mqtt.measurement_every_s
        topics = Topics("dustcake" if mqtt is None else mqtt.root, collector.name)
        expiry_s = max(1, round(MEASUREMENTS_MISSED * every_s))
        self._renderer = Renderer(topics, setpoints, collector.shown_in, expiry_s)
        store.describe(self._renderer)
        self._outputs = CoilOutputs(buses, collector.outputs, collector.blower.coil)
        self._watchdog_feeder = watchdog_feeder
        self._polled = False
        self.engine = Engine(
            setpoints,
            clock=clock,
            journal=store,
            outputs=self._outputs,
            renderer=self._renderer,
            live=self._publish_live,
            fed=self._stepped,
            flush_s=settings.journal.flush_s,
            measurement_every_s=every_s,
            deadbands=None
            if mqtt is None
            else Deadbands(mqtt.dp_deadband.pa, mqtt.header_deadband.pa),
        )
        self.request_service = RequestService(self.engine, collector.shown_in, clock)
        self._outbox = store.outbox(collector.name)
        self._link: MqttLink | None = None
        self.commissioning = Commissioning(settings, collector, self.request_service, buses, clock)
        self.polls = 0
        """Times the inputs were read since the start."""
        self.polls_failed = 0
        """Of these, without a proper reply for dP."""
        self.polls_missed = 0
        """Polls left out, because the one before took too long."""
        self.watchers: list[Callable[[State], None]] = []
        """Called with the state after each step that is completed and committed."""
        self.watchers.append(self.commissioning.observe)
        if mqtt is not None:
            requests = MqttRequests(mqtt, topics, self.request_service)
            self._link = MqttLink(
                _link_settings(settings, topics, requests.filters),
                self._outbox,
                CollectorPresence(self.engine, self._renderer, clock),
                on_request=requests,
            )

    def _publish_live(self, publication: Publication) -> None:
        if self._link is not None:
            self._link.publish_live(publication)

    async def poll(self) -> None:
        """Read the field, paced, until cancelled."""
        async for missed in paced(self._clock, self._collector.poll_s):
            self.polls_missed += missed
            reading = await self._transmitter.read()
            self.polls += 1
            self.polls_failed += isinstance(reading.dp, ReadFailure)
            self._polled = True
            await self.engine.post(partial(_poll_completed, reading=reading))

    def _stepped(self) -> None:
        """Feed the watchdog, but not for steps alone: the core also wakes by itself, and that must
        not hide a poller that hangs."""
        if self._polled:
            self._polled = False
            self._watchdog_feeder.fed(self.name)
        for watcher in self.watchers:
            watcher(self.engine.state)

    async def keep_watchdog(self) -> None:
        """Keep the output module's watchdog set and fed, until cancelled; return if none is
        fitted."""
        await self._outputs.keep_watchdog()

    async def publish(self) -> None:
        """Keep the link to the broker, until cancelled."""
        if self._link is not None:
            await self.engine.started.wait()
            await self._link.run()

    @property
    def connected(self) -> bool | None:
        """Whether the link to the broker is up; None where there is none."""
        return None if self._link is None else self._link.status.connected

    async def drained(self) -> None:
        """Return when the broker has everything, or at once when it is not there."""
        while self._link is not None and self._link.status.connected:
            if not await self._outbox.pending(1):
                return
            await asyncio.sleep(0.01)

    def summary(self) -> str:
        """One line for the service manager."""
        state = self.engine.state
        dp = measured(state.sample, self._collector.shown_in)["display"] or "no dP"
        active = sum(alarm.state in ACTIVE for alarm in state.alarms)
        decision = state.decision
        clock = "" if self._clock.now().utc_s is not None else ", clock not set"
        return (
            f"{self.name}: {dp}, {decision.mode.value}, {decision.phase.value}, "
            f"{active} alarm{'' if active == 1 else 's'}{clock}"
        )

    def status(self, shown_in: PressureUnit | None = None) -> dict[str, Any]:
        """For `dustcake status`; in ``shown_in`` instead of the collector's own unit where that is
        given."""
        state, unit = self.engine.state, shown_in or self._collector.shown_in
        renderer = self._renderer if shown_in is None else replace(self._renderer, unit=shown_in)
        link: LinkStatus | None = None if self._link is None else self._link.status
        return {
            "dp": measured(state.sample, unit),
            "header": None if state.header is None else measured(state.header, header_unit(unit)),
            **renderer.state_content(state),
            "alarm_details": [
                renderer.alarm_content(alarm, setting)
                for alarm, setting in zip(state.alarms, renderer.setpoints.alarms, strict=True)
                if alarm.state is not AlarmState.NORMAL
            ],
            "missed_polls": self.polls_missed,
            "clock_set": self._clock.now().utc_s is not None,
            "broker": None if link is None else link_content(link),
        }


def _poll_completed(at: Stamp, reading: FieldReading) -> PollCompleted:
    return PollCompleted(at, reading.dp, reading.contacts, reading.header)


def _link_settings(settings: Settings, topics: Topics, filters: tuple[str, ...]) -> LinkSettings:
    """One connection for each collector, so that each has a will of its own and the broker's
    access rules can keep one collector from speaking for another."""
    mqtt = settings.mqtt
    assert mqtt is not None
    client_id = settings.mqtt_client_id
    if len(settings.collectors) > 1:
        client_id = f"{client_id}-{topics.collector}"
    return replace(
        broker_link(mqtt, "mqtt", client_id, topics.collector),
        root=topics.root,
        request_topics=filters,
    )
