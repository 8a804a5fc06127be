"""Commands from host applications become the requests of plain mode, or are refused in words."""

import json
from typing import Any

import pytest

from dustcake.core.reasons import Because, because
from dustcake.core.requests.kinds import Acknowledge, Mode, RunBlower, SelectMode, SetZero
from dustcake.publish.request_json import ParsedRequest, read_request
from dustcake.publish.sparkplug.commands import (
    Command,
    DeviceRequest,
    Rebirth,
    Refused,
    command_metrics,
    read_commands,
)
from publish.sparkplug.covering import covers
from publish.sparkplug.host import FIRST_UTC_S, GROUP, NODE, Session
from publish.sparkplug.independent import command

DEVICE = "bay 3"
DCMD = f"spBv1.0/{GROUP}/DCMD/{NODE}/{DEVICE}"
NCMD = f"spBv1.0/{GROUP}/NCMD/{NODE}"
SENT_MS = round(FIRST_UTC_S * 1000)


@pytest.fixture
def session() -> Session:
    session = Session(DEVICE, "bay 4")
    metrics = [*session.metrics(1.0), *command_metrics(None, FIRST_UTC_S)]
    session.node.observe(DEVICE, metrics, is_there=True)
    session.be_born()
    return session


def read(session: Session, topic: str, payload: bytes, at_s: float | None = 1.0) -> list[Command]:
    utc_s = None if at_s is None else FIRST_UTC_S + at_s
    return list(read_commands(session.node, topic, payload, utc_s, expiry_s=60.0))


def problem(command: Command) -> str:
    assert isinstance(command, Refused), command
    assert command.reason.code is Because.NOT_UNDERSTOOD, command
    return command.reason.detail


def refusal(command: Command) -> Because:
    assert isinstance(command, Refused), command
    return command.reason.code


@covers(
    "operational-behavior-data-commands-ncmd-rebirth-verb",
    "operational-behavior-data-commands-ncmd-rebirth-name",
    "operational-behavior-data-commands-ncmd-rebirth-value",
    "operational-behavior-data-commands-ncmd-verb",
    "payloads-ncmd-seq",
    "payloads-name-cmd-requirement",
    "topics-ncmd-topic",
)
def test_a_rebirth_is_asked_for_by_name_and_without_a_number(
    session: Session, assertion: str
) -> None:
    rebirth: dict[str | int, Any] = {"Node Control/Rebirth": True}
    assert read(session, NCMD, command(SENT_MS, rebirth)) == [Rebirth()]
    assert read(session, NCMD, command(None, rebirth), at_s=None) == [Rebirth()]
    for other in ({"Node Control/Rebirth": False}, {"bdSeq": True}, {"Reboot": True}, {}):
        (refused,) = read(session, NCMD, command(SENT_MS, other))  # type: ignore[arg-type]
        assert "no other command than Node Control/Rebirth" in problem(refused)


@covers(
    "operational-behavior-data-commands-dcmd-verb",
    "operational-behavior-data-commands-dcmd-metric-name",
    "payloads-dcmd-seq",
    "topics-dcmd-topic",
    "topics-dcmd-payload",
)
@pytest.mark.parametrize(
    ("name", "value", "request_made"),
    [
        ("Commands/Mode", "timed", SelectMode(Mode.TIMED)),
        ("Commands/Acknowledge", "high_dp", Acknowledge("high_dp")),
        ("Commands/Blower run", False, RunBlower(False)),
        ("Commands/Blower run", True, RunBlower(True)),
        ("Commands/Zero", True, SetZero(False)),
        ("Commands/Zero with blower confirmed off", True, SetZero(True)),
    ],
)
def test_commands_become_requests(
    session: Session, name: str, value: str | bool, request_made: object, assertion: str
) -> None:
    aliases = {name: alias for alias, name in session.host.devices[DEVICE].names.items()}
    for which in (name, aliases[name]):
        (made,) = read(session, DCMD, command(SENT_MS, {which: value}))
        assert isinstance(made, DeviceRequest)
        assert made.device == DEVICE
        asked = read_request(made.request)
        assert isinstance(asked, ParsedRequest)
        assert asked.request == request_made
    # Delivered twice it is the same request, another time another one.
    ids = [
        json.loads(made.request)["id"]
        for at_ms in (SENT_MS, SENT_MS, SENT_MS + 1)
        for made in read(session, DCMD, command(at_ms, {name: value}))
        if isinstance(made, DeviceRequest)
    ]
    assert ids[0] == ids[1] != ids[2]


def test_a_request_of_plain_mode_goes_through_as_it_is(session: Session) -> None:
    text = '{"id": "a", "request": "mode", "mode": "off"}'
    made = read(session, DCMD, command(SENT_MS, {"Commands/Request": text}))
    assert made == [DeviceRequest(DEVICE, text.encode())]


def test_several_in_one_are_read_one_by_one(session: Session) -> None:
    both: dict[str | int, Any] = {"Commands/Mode": "off", "dP": 3.0}
    made, refused = read(session, DCMD, command(SENT_MS, both))
    assert isinstance(made, DeviceRequest)
    assert problem(refused) == f"dP of {DEVICE} cannot be written"


@covers(
    "operational-behavior-data-commands-ncmd-metric-name",
    "operational-behavior-data-commands-ncmd-metric-value",
    "operational-behavior-data-commands-dcmd-metric-value",
)
@pytest.mark.parametrize(
    ("metrics", "words"),
    [
        ({"Commands/Nothing": True}, f"{DEVICE} has no metric Commands/Nothing"),
        ({99: True}, f"{DEVICE} has no metric 99"),
        ({"Commands/Mode": True}, "takes a string"),
        ({"Commands/Mode": None}, "takes a string"),
        ({"Commands/Blower run": "yes"}, "takes a boolean"),
        ({"Commands/Blower run": 1}, "takes a boolean"),
        ({"Commands/Zero": False}, "is done by writing true"),
        ({"Commands/Answer": "x"}, "cannot be written"),
    ],
)
def test_what_does_not_fit_the_birth_is_refused(
    session: Session, metrics: dict[str | int, Any], words: str, assertion: str
) -> None:
    (refused,) = read(session, DCMD, command(SENT_MS, metrics))
    assert words in problem(refused)


@covers("topics-ncmd-payload", "topics-dcmd-timestamp", "topics-ncmd-timestamp")
def test_a_command_to_a_device_must_say_when_it_was_sent_and_be_fresh(
    session: Session, assertion: str
) -> None:
    payload = command(SENT_MS, {"Commands/Mode": "off"})
    for at_s in (-9.0, 0.0, 60.0):
        assert isinstance(read(session, DCMD, payload, at_s)[0], DeviceRequest)
    for at_s in (61.0, 86_400.0):
        assert refusal(read(session, DCMD, payload, at_s)[0]) is Because.TOO_OLD
    assert read(session, DCMD, payload, -12.0) == [
        Refused(because(Because.FROM_THE_FUTURE, ahead_s=12.0))
    ]
    assert refusal(read(session, DCMD, payload, None)[0]) is Because.AGE_NOT_KNOWN
    timeless = command(None, {"Commands/Mode": "off"})
    assert refusal(read(session, DCMD, timeless)[0]) is Because.AGE_NOT_TOLD


def test_neither_for_others_nor_nonsense(session: Session) -> None:
    payload = command(SENT_MS, {"Commands/Mode": "off"})
    assert problem(read(session, f"{DCMD}x", payload)[0]) == "no such device"
    assert "not a Sparkplug B payload" in problem(read(session, DCMD, b"\xff")[0])
    # A device that was not asked to take commands has nothing to write to.
    other = DCMD.replace(DEVICE, "bay 4")
    assert "has no metric" in problem(read(session, other, payload)[0])
