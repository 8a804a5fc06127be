"""Commands from host applications: a rebirth, and requests an operator could make as well.

A command to a device writes to a metric below ``Commands/``. It becomes the same request as in
plain mode, and the decision core may refuse it; the answer is the metric ``Commands/Answer``.
"""

import json
from collections.abc import Iterator

from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record
from dustcake.core.requests.definitions import LONGEST_LABEL
from dustcake.publish.request_json import age_refusal
from dustcake.publish.sparkplug.edge_node import REBIRTH, EdgeNode
from dustcake.publish.sparkplug.payload import DataType, Metric, Written, decode

ZERO, ZERO_CONFIRMED = "Commands/Zero", "Commands/Zero with blower confirmed off"
REQUEST, ANSWER = "Commands/Request", "Commands/Answer"
_COMMANDS = {
    "Commands/Mode": (DataType.STRING, "mode", "mode"),
    "Commands/Acknowledge": (DataType.STRING, "acknowledge", "alarm"),
    "Commands/Blower run": (DataType.BOOLEAN, "blower", "run"),
    ZERO: (DataType.BOOLEAN, "zero", "blower_off_confirmed"),
    ZERO_CONFIRMED: (DataType.BOOLEAN, "zero", "blower_off_confirmed"),
    REQUEST: (DataType.STRING, "", ""),
}
"""The type of each metric, the kind of request that it makes, and the field that its value is."""

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

    reason: Reason
    device: str | None = None


Command = Rebirth | DeviceRequest | Refused


def _not_understood(problem: str) -> Refused:
    return Refused(because(Because.NOT_UNDERSTOOD, problem))


def command_metrics(answer: str | None, utc_s: float) -> list[Metric]:
    """What a device shows that takes commands. A command is an impulse, so all read null."""
    return [
        *(Metric(name, datatype, None, utc_s) for name, (datatype, *_) in _COMMANDS.items()),
        Metric(ANSWER, DataType.STRING, answer, utc_s),
    ]


def read_commands(
    node: EdgeNode, topic: str, payload: bytes, utc_s: float | None, expiry_s: float
) -> Iterator[Command]:
    """The commands in one NCMD or DCMD.

    One to a device must have its time, which is not more than ``expiry_s`` ago: what was sent long
    ago, or to somebody else, must not act now.
    """
    try:
        sent_ms, written = decode(payload, MOST_METRICS)
    except ValueError as error:
        yield _not_understood(f"not a Sparkplug B payload: {error}")
        return
    if topic == node.topics.of("NCMD"):
        if REBIRTH in [node.metric_named(each) for each in written if each.value is True]:
            yield Rebirth()
        else:
            yield _not_understood(f"the node takes no other command than {REBIRTH} = true")
        return
    sent_utc_s = None if sent_ms is None else sent_ms / 1000
    refusal = age_refusal(sent_utc_s, None, utc_s, expiry_s)
    device = {node.topics.of("DCMD", name): name for name in node.devices}.get(topic)
    if device is None:
        yield _not_understood("no such device")
    elif refusal is not None:
        yield Refused(refusal)
    else:
        for each in written:
            yield _request(node, device, each, sent_ms)


def _request(node: EdgeNode, device: str, written: Written, at_ms: int | None) -> Command:
    name, value = node.metric_named(written, device), written.value
    if name is None:
        return _not_understood(f"{device} has no metric {written.name or written.alias}")
    if name not in _COMMANDS:
        return _not_understood(f"{name} of {device} cannot be written")
    datatype, request, field = _COMMANDS[name]
    if not isinstance(value, str if datatype is DataType.STRING else bool):
        return _not_understood(f"{name} of {device} takes a {datatype.name.lower()}")
    if name == REQUEST:
        return DeviceRequest(device, str(value).encode())
    if request == "zero" and value is False:
        return _not_understood(f"{name} is done by writing true")
    # The same command delivered twice has the same time, and acts once.
    request_id = f"{at_ms} {name.removeprefix('Commands/')} {value}"[:LONGEST_LABEL]
    given = name == ZERO_CONFIRMED if request == "zero" else value
    fields = {"request": request, field: given, "id": request_id}
    return DeviceRequest(device, json.dumps(fields).encode())
