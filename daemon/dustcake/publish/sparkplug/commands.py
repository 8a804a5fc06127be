"""Commands from host applications: a rebirth, and requests an operator could make as well.

A command to a device writes to a metric below ``Commands/``. It becomes the same request as in
plain mode, and the decision core may refuse it; the answer is the metric ``Commands/Answer``.
"""

import json
from collections.abc import Iterator

from dustcake.core.record import record
from dustcake.core.requests.definitions import LONGEST_LABEL
from dustcake.publish.request_json import CLOCKS_APART_S
from dustcake.publish.sparkplug.edge_node import REBIRTH, EdgeNode, MessageType
from dustcake.publish.sparkplug.payload import DataType, Metric, PayloadError, decode
from dustcake.publish.sparkplug.reports import Report

MODE, ACKNOWLEDGE = "Commands/Mode", "Commands/Acknowledge"
BLOWER, ZERO = "Commands/Blower run", "Commands/Zero"
ZERO_CONFIRMED = "Commands/Zero with blower confirmed off"
REQUEST, ANSWER = "Commands/Request", "Commands/Answer"
TYPES = {
    MODE: DataType.STRING,
    ACKNOWLEDGE: DataType.STRING,
    BLOWER: DataType.BOOLEAN,
    ZERO: DataType.BOOLEAN,
    ZERO_CONFIRMED: DataType.BOOLEAN,
    REQUEST: DataType.STRING,
}
_REQUESTS = {
    MODE: ("mode", "mode"),
    ACKNOWLEDGE: ("acknowledge", "alarm"),
    BLOWER: ("blower", "run"),
    ZERO: ("zero", "blower_off_confirmed"),
    ZERO_CONFIRMED: ("zero", "blower_off_confirmed"),
}
"""The kind of request that a metric makes, and the field that its value is."""

MOST_METRICS = 64  # of one message; ten times as many as there are to write


@record
class Rebirth:
    """A host application wants all births again."""


@record
class DeviceRequest:
    """A request for the collector ``device``, as the JSON of plain mode."""

    device: str
    request: bytes


@record
class Refused:
    """A command, or one metric of it, that is not passed on, and why. ``device``: whom it was for,
    where that has been found out."""

    problem: str
    device: str | None = None


Command = Rebirth | DeviceRequest | Refused


def command_reports(answer: str | None, utc_s: float) -> list[Report]:
    """What a device shows that takes commands. A command is an impulse, so all read null."""
    return [
        *(Report(name, datatype, None, utc_s) for name, datatype in TYPES.items()),
        Report(ANSWER, DataType.STRING, answer, utc_s),
    ]


def read_commands(
    node: EdgeNode, topic: str, payload: bytes, utc_s: float | None, expiry_s: float
) -> Iterator[Command]:
    """The commands in one NCMD or DCMD.

    One to a device must have its time, which is not more than ``expiry_s`` ago: what was sent long
    ago, or to somebody else, must not act now.
    """
    try:
        received = decode(payload, MOST_METRICS)
    except PayloadError as error:
        yield Refused(f"not a Sparkplug B payload: {error}")
        return
    if topic == node.topics.of(MessageType.NCMD):
        named = [node.metric_named(metric) for metric in received.metrics if metric.value is True]
        if REBIRTH in named:
            yield Rebirth()
        else:
            yield Refused(f"the node takes no other command than {REBIRTH} = true")
        return
    device = {node.topics.of(MessageType.DCMD, name): name for name in node.devices}.get(topic)
    if device is None:
        yield Refused("no such device")
    elif utc_s is None:
        yield Refused("this computer's clock is not set, so the age of a command is not known")
    elif received.timestamp_ms is None:
        yield Refused("it does not say when it was sent")
    elif not -CLOCKS_APART_S <= utc_s - received.timestamp_ms / 1000 <= expiry_s:
        age_s = utc_s - received.timestamp_ms / 1000
        yield Refused(f"it was sent {age_s:.0f} s ago, and holds for {expiry_s:g} s")
    else:
        for metric in received.metrics:
            yield _request(node, device, metric, received.timestamp_ms)


def _request(node: EdgeNode, device: str, metric: Metric, at_ms: int) -> Command:
    name = node.metric_named(metric, device)
    if name is None:
        return Refused(f"{device} has no metric {metric.name or metric.alias}")
    if name not in TYPES:
        return Refused(f"{name} of {device} cannot be written")
    value = metric.value
    if not isinstance(value, str if TYPES[name] is DataType.STRING else bool):
        return Refused(f"{name} of {device} takes a {TYPES[name].name.lower()}")
    if name == REQUEST:
        return DeviceRequest(device, str(value).encode())
    if name in (ZERO, ZERO_CONFIRMED) and value is False:
        return Refused(f"{name} is done by writing true")
    request, field = _REQUESTS[name]
    # The same command delivered twice has the same time, and acts once.
    request_id = f"{at_ms} {name.removeprefix('Commands/')} {value}"[:LONGEST_LABEL]
    given = name == ZERO_CONFIRMED if request == "zero" else value
    fields = {"request": request, field: given, "id": request_id}
    return DeviceRequest(device, json.dumps(fields).encode())
