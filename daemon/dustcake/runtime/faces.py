"""What shows the collectors to others: to a PLC as registers, to a monitoring system as figures, to
a Sparkplug B host application as devices of an edge node."""

import asyncio
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from functools import partial
from importlib.metadata import version
from pathlib import Path

from dustcake.adapters.mqtt import EdgeNodeLink, LinkSettings
from dustcake.adapters.store import SqliteStore
from dustcake.core.requests.definitions import Level
from dustcake.core.requests.kinds import Identity
from dustcake.core.state import State
from dustcake.ports import Clock
from dustcake.publish.metrics import CollectorState, Family, families
from dustcake.publish.plc import RegisterSource, image
from dustcake.publish.request_json import InvalidRequest, read_request
from dustcake.publish.sparkplug.collector import CollectorDevice, active_alarms
from dustcake.publish.sparkplug.commands import DeviceRequest, Refused, command_metrics
from dustcake.publish.sparkplug.edge_node import EdgeNode, NodeTopics, PrimaryHost
from dustcake.publish.sparkplug.payload import DataType, Metric
from dustcake.runtime.collector_service import CollectorService
from dustcake.runtime.request_service import RateLimit, Requester
from dustcake.runtime.shutdown import LEAVE_S
from dustcake.settings.model import Settings
from dustcake.settings.services import Sparkplug

DISK_WITHIN_S = 1.0


def plc_registers(
    services: Sequence[CollectorService], clock: Clock, unit: int
) -> Sequence[int] | None:
    """The registers of the collector at ``unit``, which counts from 1; None where there is none, or
    nothing to show yet."""
    if not 1 <= unit <= len(services):
        return None
    service = services[unit - 1]
    steps = sum(service.step_times.counts)
    if not steps:
        return None
    now_s = clock.now().mono_s
    return image(RegisterSource(service.engine.state, service.setpoints, steps, now_s))


async def metrics_snapshot(
    services: Sequence[CollectorService], store: SqliteStore, journal: Path, clock: Clock
) -> Callable[[], Iterable[Family]]:
    """The figures of all collectors. Taken in the loop; what it gives may be called in a thread, as
    it holds values only."""
    waiting: dict[str, int] = {}
    # A disk that stalls has an alarm of its own; nothing else need wait for it.
    with suppress(TimeoutError):
        async with asyncio.timeout(DISK_WITHIN_S):
            waiting = await store.waiting()
    mono_s = clock.now().mono_s
    seen = [
        CollectorState(
            each.engine.state,
            each.setpoints,
            mono_s,
            each.polls,
            each.polls_failed,
            each.polls_missed,
            each.step_times,
            None if each.link is None else each.link.status.connected,
            waiting.get(each.name),
        )
        for each in services
    ]
    return lambda: families(seen, version("dustcake"), _size(journal))


def _size(journal: Path) -> int | None:
    """Bytes of the file and of the log beside it; None where there is none."""
    parts = (journal, journal.with_name(f"{journal.name}-wal"))
    try:
        return sum(part.stat().st_size for part in parts if part.exists())
    except OSError:
        return None


# A broken connection is noticed after one and a half times the keepalive at the latest.
UNNOTICED = 1.5


class SparkplugNode:
    """Watches every collector, and reports what changes."""

    def __init__(
        self,
        settings: Settings,
        sparkplug: Sparkplug,
        services: Sequence[CollectorService],
        clock: Clock,
    ) -> None:
        self._clock = clock
        self._services = {each.name: each for each in services}
        self._takes_commands = sparkplug.commands_enabled or sparkplug.commands_adjust
        # A command does not say who sends it, but for the name in Commands/Request.
        self._requester = Requester(
            "sparkplug",
            Identity.UNKNOWN,
            Level.ADJUST if sparkplug.commands_adjust else Level.ACKNOWLEDGE,
            "Sparkplug commands with `commands_adjust`",
            is_named=False,
        )
        self._rate_limit = RateLimit(sparkplug.commands_per_minute)
        self._answers: dict[str, str] = {}
        self._site = settings.site.name
        deadbands_pa = (sparkplug.dp_deadband.pa, sparkplug.header_deadband.pa)
        self._devices = {
            each.name: CollectorDevice(each.setpoints, each.shown_in, deadbands_pa)
            for each in services
        }
        self._alarms: dict[str, tuple[bool, str]] = {}
        self._node = EdgeNode(
            NodeTopics(sparkplug.group, sparkplug.node),
            self._devices,
            capacity=sparkplug.history_values,
            unsure_s=UNNOTICED * sparkplug.keepalive_s,
        )
        client_id = settings.client_id("sparkplug")
        self.link = EdgeNodeLink(
            LinkSettings(sparkplug, client_id, leave_s=LEAVE_S, table="sparkplug"),
            self._node,
            PrimaryHost(sparkplug.primary_host),
            clock,
            on_request=self._take if self._takes_commands else None,
            command_expiry_s=sparkplug.command_expiry_s,
        )
        for each in services:
            each.watchers.append(partial(self._observe, each.name))

    def _observe(self, name: str, state: State) -> None:
        now = self._clock.now()
        device = self._devices[name]
        is_there = device.is_there(state, now)
        if now.utc_s is None:
            return  # every metric must have a time
        metrics = device.metrics(state, now.utc_s)
        if self._takes_commands:
            metrics += command_metrics(self._answers.get(name), now.utc_s)
        self._node.observe(name, metrics, is_there=is_there)
        alarms = (is_there, active_alarms(state))
        if self._alarms.get(name) != alarms:
            self._alarms[name] = alarms
            self._node.observe_node(self._facts(now.utc_s), now.utc_s)
        self.link.stir()

    def _facts(self, utc_s: float) -> list[Metric]:
        facts = [
            Metric("Properties/Software", DataType.STRING, "dustcake", utc_s),
            Metric("Properties/Version", DataType.STRING, version("dustcake"), utc_s),
            Metric("Properties/Site", DataType.STRING, self._site, utc_s),
        ]
        for name, (is_there, alarms) in self._alarms.items():
            place = f"Collectors/{name}"
            facts += [
                Metric(f"{place}/Transmitter answers", DataType.BOOLEAN, is_there, utc_s),
                Metric(f"{place}/Active alarms", DataType.STRING, alarms, utc_s),
            ]
        return facts

    async def _take(self, command: DeviceRequest | Refused) -> None:
        assert command.device is not None  # a command without a device is not passed on
        collector = self._services[command.device]
        refusal = command.reason if isinstance(command, Refused) else None
        request = (
            InvalidRequest("") if isinstance(command, Refused) else read_request(command.request)
        )
        answer = await collector.request_service.answer(
            request, self._requester, refusal, limit=self._rate_limit
        )
        self._answers[command.device] = answer.decode()
        self._observe(command.device, collector.engine.state)
