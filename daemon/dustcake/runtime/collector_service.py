"""One collector of the daemon: its engine, and what polls, feeds the watchdog and publishes."""

import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from math import floor
from typing import Any, TypeVar

from dustcake.adapters.host import ServiceManager
from dustcake.adapters.modbus import Bus, CoilOutputs, FieldInputs
from dustcake.adapters.mqtt import EdgeNodeLink, LinkSettings, MqttLink
from dustcake.adapters.store import SqliteStore
from dustcake.core.alarms.names import ACTIVE, AlarmState
from dustcake.core.inputs import PollCompleted, ReadFailure
from dustcake.core.state import State
from dustcake.ports import Clock
from dustcake.publish.metrics import StepTimes
from dustcake.publish.payloads import measured
from dustcake.publish.render import Deadbands, Renderer
from dustcake.publish.topics import Publication, Topics
from dustcake.publish.wording import header_unit
from dustcake.runtime.commissioning import Commissioning
from dustcake.runtime.engine import Engine
from dustcake.runtime.request_service import MqttRequests, RequestService
from dustcake.runtime.shutdown import LEAVE_S
from dustcake.settings.base import Section
from dustcake.settings.model import Collector, Settings
from dustcake.settings.services import COLLECTOR, Mqtt
from dustcake.settings.setpoints import to_setpoints
from dustcake.units import PressureUnit

T = TypeVar("T", bound=Section)

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

    def __init__(self, watchdog: ServiceManager, collectors: Iterable[str]) -> None:
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
        self.shown_in = collector.shown_in
        self.setpoints = to_setpoints(collector)
        self._poll_s = collector.poll_s
        self._clock = clock
        self._transmitter = FieldInputs(
            buses, collector.transmitter, collector.header, collector.contacts
        )
        # Without a broker nothing is published; what would be is worded by the defaults.
        mqtt = settings.mqtt or Mqtt(host="localhost")
        topics = Topics(mqtt.root, collector.name)
        expiry_s = max(1, round(MEASUREMENTS_MISSED * mqtt.measurement_every_s))
        self._renderer = Renderer(topics, self.setpoints, collector.shown_in, expiry_s)
        store.describe(self._renderer)
        self._outputs = CoilOutputs(buses, collector.outputs, collector.blower.coil)
        self._watchdog_feeder = watchdog_feeder
        self._polled = False
        self.engine = Engine(
            self.setpoints,
            clock=clock,
            journal=store,
            outputs=self._outputs,
            renderer=self._renderer,
            live=self._publish_live,
            fed=self._stepped,
            flush_s=settings.journal.flush_s,
            measurement_every_s=mqtt.measurement_every_s,
            deadbands=Deadbands(mqtt.dp_deadband.pa, mqtt.header_deadband.pa),
        )
        self.request_service = RequestService(self.engine, collector.shown_in, clock)
        self._outbox = store.outbox(collector.name)
        self.link: MqttLink | None = None
        """To the broker, where the settings name one."""
        put_request = self.request_service.answer
        self.commissioning = Commissioning(
            settings, collector, put_request, lambda: self.engine.state, buses, clock
        )
        self.polls = 0
        """Times the inputs were read since the start."""
        self.polls_failed = 0
        """Reads without a proper reply for dP since the start."""
        self.polls_missed = 0
        """Polls left out, because the one before took too long."""
        self.step_times = StepTimes()
        self.watchers: list[Callable[[State], None]] = []
        """Called with the state after each step that is completed and committed."""
        if settings.mqtt is not None:
            requests = MqttRequests(mqtt, topics, self.request_service)
            self.link = MqttLink(
                _link_settings(settings, mqtt, topics, requests.filters),
                self._outbox,
                self._online,
                self._current,
                requests.answer,
            )

    def _online(self, online: bool) -> Publication:
        utc_s, seq = self._clock.now().utc_s, self.engine.state.next_seq - 1
        return self._renderer.online(utc_s, seq, online)

    def _current(self) -> Sequence[Publication]:
        return self._renderer.everything(self.engine.state, self._clock.now().utc_s)

    def _publish_live(self, publication: Publication) -> None:
        if self.link is not None:
            self.link.publish_live(publication)

    async def _poll(self) -> None:
        async for missed in paced(self._clock, self._poll_s):
            self.polls_missed += missed
            reading = await self._transmitter.read()
            self.polls += 1
            self.polls_failed += isinstance(reading.dp, ReadFailure)
            self._polled = True
            completed = partial(
                PollCompleted, dp=reading.dp, contacts=reading.contacts, header=reading.header
            )
            await self.engine.post(completed)

    def _stepped(self) -> None:
        """Feed the watchdog, but not for steps alone: the core also wakes by itself, and that must
        not hide a poller that hangs."""
        if self._polled:
            self._polled = False
            self._watchdog_feeder.fed(self.name)
        self.step_times = self.step_times.with_one(self.engine.step_s)
        self.commissioning.observe()
        for watcher in self.watchers:
            watcher(self.engine.state)

    def background(self) -> dict[str, Coroutine[Any, Any, None]]:
        """What runs beside the engine until cancelled, by name."""
        work = {
            "poll": self._poll(),
            "commissioning": self.commissioning.run(),
            # Set and fed; this ends where none is fitted.
            "module watchdog": self._outputs.keep_watchdog(),
        }
        if self.link is not None:
            work["publish"] = self.link.run()
        return work

    async def drained(self) -> None:
        """Return when the broker has everything, or at once when it is not there."""
        while self.link is not None and self.link.status.connected:
            if not await self._outbox.pending(1):
                return
            await asyncio.sleep(0.01)

    def summary(self) -> str:
        """One line for the service manager."""
        state = self.engine.state
        dp = measured(state.sample, self.shown_in)["display"] or "no dP"
        active = sum(alarm.state in ACTIVE for alarm in state.alarms)
        decision = state.decision
        clock = "" if self._clock.now().utc_s is not None else ", clock not set"
        return (
            f"{self.name}: {dp}, {decision.mode.value}, {decision.phase.value}, "
            f"{active} alarm{'' if active == 1 else 's'}{clock}"
        )

    def status(self, shown_in: PressureUnit | None = None) -> dict[str, Any]:
        """The collector for `dustcake status`; in ``shown_in`` instead of the collector's own unit
        where that is given."""
        state, unit = self.engine.state, shown_in or self.shown_in
        renderer = replace(self._renderer, unit=unit)
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
            "broker": link_content(self.link),
        }


def link_content(link: MqttLink | EdgeNodeLink | None) -> dict[str, Any] | None:
    """A link for `dustcake status`."""
    if link is None:
        return None
    trouble = {name: getattr(link.status.trouble, name, None) for name in ("cause", "remedy")}
    return {"connected": link.status.connected, **trouble}


def _link_settings(
    settings: Settings, mqtt: Mqtt, topics: Topics, filters: tuple[str, ...]
) -> LinkSettings:
    """One connection for each collector, so that each has a will of its own and the broker's
    access rules can keep one collector from speaking for another."""
    client_id = settings.client_id("mqtt")
    if len(settings.collectors) > 1:
        client_id = f"{client_id}-{topics.collector}"
    broker = _filled_in(mqtt, topics.collector)
    if broker.tls is not None:
        tls = _filled_in(broker.tls, topics.collector)
        broker = broker.model_copy(update={"tls": tls})
    return LinkSettings(broker, client_id, topics.root, filters, leave_s=LEAVE_S)


def _filled_in(table: T, collector: str) -> T:
    """``table`` with the name of the collector where `{collector}` stands for it."""
    texts = {
        name: text.replace(COLLECTOR, collector) for name, text in table if isinstance(text, str)
    }
    return table.model_copy(update=texts)
