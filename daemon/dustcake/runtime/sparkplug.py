"""The daemon as a Sparkplug B edge node, its collectors as devices."""

from collections.abc import Sequence
from functools import partial
from importlib.metadata import version
from typing import Any

from dustcake.adapters.mqtt import EdgeNodeLink, LinkSettings
from dustcake.core.requests.definitions import Level
from dustcake.core.requests.kinds import Identity
from dustcake.core.state import State
from dustcake.ports import Clock
from dustcake.publish.request_json import InvalidRequest, ParsedRequest, read_request
from dustcake.publish.sparkplug.collector import CollectorDevice, active_alarms
from dustcake.publish.sparkplug.commands import DeviceRequest, Refused, command_reports
from dustcake.publish.sparkplug.edge_node import EdgeNode, NodeTopics, PrimaryHost
from dustcake.publish.sparkplug.payload import DataType
from dustcake.publish.sparkplug.reports import Report
from dustcake.runtime.collector_service import CollectorService, link_content
from dustcake.runtime.request_service import RateLimit, Requester
from dustcake.runtime.shutdown import LEAVE_S
from dustcake.settings.model import Settings
from dustcake.settings.services import Sparkplug
from dustcake.settings.setpoints import to_setpoints

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
            collector.name: CollectorDevice(
                to_setpoints(collector), collector.shown_in, deadbands_pa
            )
            for collector in settings.collectors
        }
        self._alarms: dict[str, tuple[bool, str]] = {}
        self._node = EdgeNode(
            NodeTopics(sparkplug.group, sparkplug.node),
            self._devices,
            capacity=sparkplug.history_values,
            unsure_s=UNNOTICED * sparkplug.keepalive_s,
        )
        client_id = settings.sparkplug_client_id
        self._link = EdgeNodeLink(
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
        reports = device.reports(state, now.utc_s)
        if self._takes_commands:
            reports += command_reports(self._answers.get(name), now.utc_s)
        self._node.observe(name, reports, is_there=is_there)
        alarms = (is_there, active_alarms(state))
        if self._alarms.get(name) != alarms:
            self._alarms[name] = alarms
            self._node.observe_node(self._facts(now.utc_s), now.utc_s)
        self._link.stir()

    def _facts(self, utc_s: float) -> list[Report]:
        facts = [
            Report("Properties/Software", DataType.STRING, "dustcake", utc_s),
            Report("Properties/Version", DataType.STRING, version("dustcake"), utc_s),
            Report("Properties/Site", DataType.STRING, self._site, utc_s),
        ]
        for name, (is_there, alarms) in self._alarms.items():
            place = f"Collectors/{name}"
            facts += [
                Report(f"{place}/Transmitter answers", DataType.BOOLEAN, is_there, utc_s),
                Report(f"{place}/Active alarms", DataType.STRING, alarms, utc_s),
            ]
        return facts

    async def _take(self, command: DeviceRequest | Refused) -> None:
        assert command.device is not None  # a command without a device is not passed on
        collector = self._services[command.device]
        request: ParsedRequest | InvalidRequest
        if isinstance(command, Refused):
            request = InvalidRequest(command.problem)
        else:
            request = read_request(command.request)
        answer = await collector.request_service.answer_limited(
            request, self._requester, self._rate_limit
        )
        self._answers[command.device] = answer.decode()
        self._observe(command.device, collector.engine.state)

    async def publish(self) -> None:
        """Keep the link to the broker, until cancelled."""
        await self._link.run()

    @property
    def is_behind(self) -> bool:
        """Whether something observed has not been reported yet, although it could be."""
        return self._link.is_behind

    def status(self) -> dict[str, Any]:
        """For `dustcake status`."""
        return link_content(self._link.status)
