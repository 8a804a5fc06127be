"""Requests from outside: what is one, what is not and why, and what the asker is told."""

import json
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from core.driver import Collector
from dustcake.codec import decode_input, encode_input
from dustcake.core.events import RequestAnswered
from dustcake.core.inputs import OperatorRequested, Stamp
from dustcake.core.reasons import Because, because
from dustcake.core.requests.definitions import KIND_OF, LONGEST_LABEL, REQUESTS
from dustcake.core.requests.kinds import (
    Acknowledge,
    AlarmAction,
    ChangeSetPoints,
    ConfirmChange,
    Entry,
    HandleAlarm,
    Mode,
    PointChange,
    PulseValve,
    RecordEntry,
    RecordFilterChange,
    Request,
    RunBlower,
    SelectMode,
    SetPoint,
    SetZero,
)
from dustcake.publish.request_json import (
    LONGEST_REQUEST_BYTES,
    InvalidRequest,
    ParsedRequest,
    age_refusal,
    read_request,
    reply,
)
from dustcake.units import PressureUnit


def asking(**fields: Any) -> bytes:
    return json.dumps({"id": "r1", **fields}).encode()


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"request": "mode", "mode": "off"}, SelectMode(Mode.OFF)),
        ({"request": "mode", "mode": "on_demand"}, SelectMode(Mode.ON_DEMAND)),
        ({"request": "mode", "mode": "timed"}, SelectMode(Mode.TIMED)),
        ({"request": "zero"}, SetZero(False)),
        ({"request": "zero", "blower_off_confirmed": True}, SetZero(True)),
        ({"request": "acknowledge", "alarm": "high_dp"}, Acknowledge("high_dp")),
        (
            {"request": "shelve", "alarm": "high_dp", "for_s": 60, "why": "trial"},
            HandleAlarm(AlarmAction.SHELVE, "high_dp", "trial", 60),
        ),
        ({"request": "reset", "alarm": "smoke"}, HandleAlarm(AlarmAction.RESET, "smoke")),
        (
            {"request": "out_of_service", "alarm": "smoke", "why": "away"},
            HandleAlarm(AlarmAction.OUT_OF_SERVICE, "smoke", "away"),
        ),
        ({"request": "filter_change"}, RecordFilterChange()),
        (
            {"request": "filter_change", "valves": [1, 3], "note": "spare"},
            RecordFilterChange("spare", (1, 3)),
        ),
        ({"request": "record", "entry": "drum_emptied"}, RecordEntry(Entry.DRUM_EMPTIED)),
        ({"request": "record", "entry": "note", "note": "x"}, RecordEntry(Entry.NOTE, "x")),
        (
            {"request": "record", "entry": "upkeep_done", "upkeep": "snubber"},
            RecordEntry(Entry.UPKEEP_DONE, "", "snubber"),
        ),
        ({"request": "set_points", "low_pa": 700}, ChangeSetPoints(low_pa=700.0)),
        (
            {"request": "set_points", "high_pa": 1.5, "interval_s": 20, "on_time_s": 0.1},
            ChangeSetPoints(None, 1.5, 20.0, 0.1),
        ),
        ({"request": "confirm", "change": 12}, ConfirmChange(12)),
        ({"request": "blower", "run": True}, RunBlower(True)),
        ({"request": "blower", "run": False}, RunBlower(False)),
        ({"request": "pulse", "valve": 3}, PulseValve(3)),
    ],
)
def test_a_request_is_read(fields: dict[str, Any], expected: Request) -> None:
    assert read_request(asking(**fields)) == ParsedRequest(expected, "r1", "")
    assert read_request(asking(**fields, by="day shift")) == ParsedRequest(
        expected, "r1", "day shift"
    )


def test_every_kind_of_request_is_named() -> None:
    assert set(REQUESTS) == {
        "mode",
        "zero",
        "acknowledge",
        "blower",
        "pulse",
        "filter_change",
        "record",
        "set_points",
        "confirm",
        *AlarmAction,
    }
    required = {name for name in REQUESTS if KIND_OF[name].name_required}
    hides_or_moves = {"shelve", "out_of_service", "set_points", "confirm"}
    assert required == hides_or_moves | {"filter_change", "record"}


UTC = "`utc` must be a time with its zone, as 2026-05-04T06:00:00Z"
LABEL = "`id` must be a text of 1 to 64 characters, new for each request"
ONE_OF = f"`request` must be one of {', '.join(REQUESTS)}"
NOTE = "`note` must be a text of at most 200 characters"
VALVES = "`valves` must be a list of the numbers of the valves whose rows were changed"
FOR = "`for_s` must be the number of seconds it is shelved for"
POINT = "at least one of low_pa, high_pa, interval_s, on_time_s must be there"
CHANGE = "`change` must be the number of the change, as in the answer to `set_points`"
VALVE = "`valve` must be the number of a valve"
RUN = "`run` must be true or false"


@pytest.mark.parametrize(
    ("why", "text", "problem", "request_id"),
    [
        ("nothing at all", b"", "not JSON in UTF-8", None),
        ("not JSON", b"open the valves", "not JSON in UTF-8", None),
        ("another encoding", '{"id":"r1"}'.encode("utf-16"), "not JSON in UTF-8", None),
        ("not UTF-8", b'{"id":"\xff"}', "not JSON in UTF-8", None),
        ("nested too deeply", b"[" * 4000, "not JSON in UTF-8", None),
        ("infinity", b'{"id":"r1","request":"zero","x":-Infinity}', "not JSON in UTF-8", None),
        (
            "both at once",
            b'{"id":"r1","request":"blower","run":false,"run":true}',
            "a name stands twice in one object",
            None,
        ),
        ("a list", b"[]", "not a JSON object", None),
        ("a number", b"1", "not a JSON object", None),
        ("too long", b" " * (LONGEST_REQUEST_BYTES + 1), "longer than 4096 bytes", None),
        ("no id", b'{"request":"zero"}', LABEL, None),
        ("an empty id", asking(id="", request="zero"), LABEL, None),
        ("an id that is a number", asking(id=1, request="zero"), LABEL, None),
        ("an id that is too long", asking(id="x" * 65, request="zero"), LABEL, None),
        ("an id that breaks the line", asking(id="a\nb", request="zero"), LABEL, None),
        ("an id that has no UTF-8", asking(id="\ud800", request="zero"), LABEL, None),
        (
            "somebody without a name that can be shown",
            asking(by="\u202e", request="zero"),
            "`by` must be a text of at most 64 characters",
            "r1",
        ),
        ("no request", asking(), ONE_OF, "r1"),
        (
            "an unknown one",
            asking(request="open"),
            ONE_OF,
            "r1",
        ),
        (
            "a list for a request",
            asking(request=["mode"]),
            ONE_OF,
            "r1",
        ),
        (
            "an unknown mode",
            asking(request="mode", mode="auto"),
            "`mode` must be one of off, on_demand, timed",
            "r1",
        ),
        (
            "a mode that is no text",
            asking(request="mode", mode={}),
            "`mode` must be one of off, on_demand, timed",
            "r1",
        ),
        (
            "a confirmation that is no confirmation",
            asking(request="zero", blower_off_confirmed="false"),
            "`blower_off_confirmed` must be true or false",
            "r1",
        ),
        (
            "an alarm that is no name",
            asking(request="acknowledge", alarm=["high_dp"]),
            "`alarm` must be the name of an alarm",
            "r1",
        ),
        (
            "an alarm that could not be stored or shown",
            asking(request="acknowledge", alarm="\ud800"),
            "`alarm` must be the name of an alarm",
            "r1",
        ),
        ("a time without its zone", asking(request="zero", utc="2026-05-04T06:00:00"), UTC, "r1"),
        ("no time", asking(request="zero", utc="now"), UTC, "r1"),
        ("a time that is a number", asking(request="zero", utc=1.8e9), UTC, "r1"),
        ("no set point", asking(request="set_points"), POINT, "r1"),
        ("null", asking(request="set_points", low_pa=None), POINT, "r1"),
        (
            "a pressure that is a text",
            asking(request="set_points", low_pa="3 inH2O"),
            "`low_pa` must be a number of Pa",
            "r1",
        ),
        (
            "a time that is no number",
            asking(request="set_points", on_time_s=True),
            "`on_time_s` must be a number of seconds",
            "r1",
        ),
        (
            "a number without an end",
            b'{"id":"r1","request":"set_points","high_pa":1e999}',
            "`high_pa` must be a number of Pa",
            "r1",
        ),
        ("no change", asking(request="confirm"), CHANGE, "r1"),
        ("a change that is a text", asking(request="confirm", change="12"), CHANGE, "r1"),
        ("an endless change", asking(request="confirm", change=10**30), CHANGE, "r1"),
        (
            "a reason that is none",
            asking(request="reset", alarm="smoke", why=["so"]),
            "`why` must be a text of at most 200 characters",
            "r1",
        ),
        (
            "a reason without an end",
            asking(request="reset", alarm="smoke", why="x" * 201),
            "`why` must be a text of at most 200 characters",
            "r1",
        ),
        ("a note that is none", asking(request="filter_change", note=1), NOTE, "r1"),
        ("the same in the log", asking(request="record", entry="note", note=1), NOTE, "r1"),
        ("a valve by name", asking(request="filter_change", valves=["1"]), VALVES, "r1"),
        ("true is no valve", asking(request="filter_change", valves=[True]), VALVES, "r1"),
        ("one valve alone", asking(request="filter_change", valves=1), VALVES, "r1"),
        (
            "an entry nobody knows",
            asking(request="record", entry="party"),
            "`entry` must be one of zeroing, drum_emptied, damper_moved, upkeep_done, note",
            "r1",
        ),
        (
            "upkeep without its name",
            asking(request="record", entry="upkeep_done"),
            "`upkeep` must be the name of the upkeep that has been done",
            "r1",
        ),
        ("no time", asking(request="shelve", alarm="smoke", why="x"), FOR, "r1"),
        ("true is no time", asking(request="shelve", alarm="smoke", for_s=True), FOR, "r1"),
        (
            "nor is for ever",
            b'{"id":"r1","request":"shelve","alarm":"smoke","for_s":1e999}',
            FOR,
            "r1",
        ),
        (
            "only shelving takes a time",
            asking(request="out_of_service", alarm="smoke", why="x", for_s=5),
            "unknown field 'for_s' in a request of kind `out_of_service`",
            "r1",
        ),
        ("1 is not true", asking(request="blower", run=1), RUN, "r1"),
        ("no valve", asking(request="pulse", valve=True), VALVE, "r1"),
        ("a valve nobody could number", asking(request="pulse", valve=10**9), VALVE, "r1"),
        ("null is no note", asking(request="filter_change", note=None), NOTE, "r1"),
        (
            "upkeep beside another entry",
            asking(request="record", entry="note", upkeep="snubber"),
            "unknown field 'upkeep' in a request of kind `record`",
            "r1",
        ),
        ("run left out", asking(request="blower"), RUN, "r1"),
        (
            "a mistyped field is not silently ignored",
            asking(request="zero", blower_off_confirmd=True),
            "unknown field 'blower_off_confirmd' in a request of kind `zero`",
            "r1",
        ),
        (
            "a field that could not be told back is escaped and cut",
            asking(request="zero", **{"\ud800" + "x" * 100: 1}),
            f"unknown field '\\ud800{'x' * 63}' in a request of kind `zero`",
            "r1",
        ),
    ],
)
def test_what_is_no_request_says_what_would_be(
    why: str, text: bytes, problem: str, request_id: str | None
) -> None:
    assert read_request(text) == InvalidRequest(problem, request_id), why


def test_the_limits_themselves_are_allowed() -> None:
    longest = asking(id="x" * LONGEST_LABEL, by="y" * LONGEST_LABEL, request="zero")
    read = read_request(longest.ljust(LONGEST_REQUEST_BYTES))
    assert isinstance(read, ParsedRequest)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=80),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=6,
)
NEARLY = st.fixed_dictionaries(
    {"request": st.sampled_from([*REQUESTS, "other"]) | JSON},
    optional={
        "id": st.text(alphabet="ab-1", max_size=70) | JSON,
        "by": st.text(max_size=70) | JSON,
        "mode": st.sampled_from(list(Mode)) | JSON,
        "alarm": st.text(max_size=70) | JSON,
        "run": st.booleans() | JSON,
        "why": st.text(max_size=210) | JSON,
        "note": st.text(max_size=210) | JSON,
        "entry": st.sampled_from(list(Entry)) | JSON,
        "upkeep": st.text(max_size=70) | JSON,
        "valves": st.lists(st.integers()) | JSON,
        "for_s": st.floats() | JSON,
        "blower_off_confirmed": st.booleans() | JSON,
        "\ud800": JSON,
    },
)


@given(
    st.binary(max_size=200)
    | JSON.map(json.dumps).map(str.encode)
    | NEARLY.map(json.dumps).map(str.encode)
)
@example(b'{"id": "r", "request": "acknowledge", "alarm": "\\ud800"}')
@example(b'{"id": "r", "request": "zero", "\\udfff": 1}')
@example(b"9" * 4096)
def test_whatever_comes_in_is_answered_and_can_be_kept(text: bytes) -> None:
    """Never an exception: not when it is read, stored, decided on, or answered."""
    read = read_request(text)
    if isinstance(read, InvalidRequest):
        refused = RequestAnswered(read.request_id or "", "", "", False, read.reason)
        told = reply(refused, None, 3, PressureUnit.PA)
        assert json.loads(told.decode("utf-8"))["accepted"] is False
        assert len(read.problem) < 600
        return
    collector = Collector()
    asked = OperatorRequested(collector.now, read.request, read.by, read.request_id)
    assert decode_input(*encode_input(asked)) == asked
    (event,) = (e for e in collector.feed(asked).events if isinstance(e.body, RequestAnswered))
    answered = event.body
    assert isinstance(answered, RequestAnswered)
    content = json.loads(
        reply(answered, event.at.utc_s, event.seq, PressureUnit.PA).decode("utf-8")
    )
    assert content["id"] == read.request_id


AT = Stamp(1.0, 1_800_000_000.0)


def test_the_asker_is_told_what_became_of_it() -> None:
    no = because(Because.ZERO_TOO_FAR, dp_pa=49.8, limit_pa=12.5)
    answered = RequestAnswered("r1", "zero", "day shift", False, no)
    content = json.loads(reply(answered, AT.utc_s, 9, PressureUnit.INH2O))
    assert content == {
        "schema": "dustcake/reply/1",
        "utc": "2027-01-15T08:00:00.000Z",
        "seq": 9,
        "id": "r1",
        "request": "zero",
        "accepted": False,
        "reason": (
            "the transmitter reads 0.20 inH2O with no flow, more than the 0.05 inH2O a zero may "
            "hide"
        ),
        "reason_code": "zero_too_far",
        "change": None,
        "points": [],
    }


def test_a_change_of_set_points_is_shown_back_with_old_and_new() -> None:
    points = (PointChange(SetPoint.HIGH, 1000.0, 1100.0), PointChange(SetPoint.ON_TIME, 0.15, 0.2))
    held = because(Because.CONFIRM_CHANGE, within_s=60.0)
    answered = RequestAnswered("r1", "set_points", "day shift", True, held, 9, points)
    content = json.loads(reply(answered, AT.utc_s, 9, PressureUnit.INH2O))
    assert content["change"] == 9
    assert content["reason"] == "nothing is changed yet: confirm it within 1 min"
    good = {"quality": "good"}
    assert content["points"] == [
        {
            "set_point": "high_pa",
            "before": {"value": 1000.0, "unit": "Pa", "display": "4.01 inH2O", **good},
            "after": {"value": 1100.0, "unit": "Pa", "display": "4.42 inH2O", **good},
        },
        {
            "set_point": "on_time_s",
            "before": {"value": 0.15, "unit": "s", "display": "0.15 s", **good},
            "after": {"value": 0.2, "unit": "s", "display": "0.2 s", **good},
        },
    ]


def test_who_sent_no_request_is_told_why() -> None:
    why = InvalidRequest("not JSON in UTF-8").reason
    answered = RequestAnswered("", "", "mqtt:kim", False, why)
    content = json.loads(reply(answered, 0.0, 4, PressureUnit.PA))
    assert content == {
        "schema": "dustcake/reply/1",
        "utc": "1970-01-01T00:00:00.000Z",
        "seq": 4,
        "id": None,
        "request": None,
        "accepted": False,
        "reason": "not understood: not JSON in UTF-8",
        "reason_code": "not_understood",
        "change": None,
        "points": [],
    }


# --- how old it is

NOW_S = 1_800_000_000.0


def test_when_it_was_sent_is_read() -> None:
    asked = read_request(asking(request="zero", utc="2027-01-15T09:00:00.5+01:00"))
    assert asked == ParsedRequest(SetZero(), "r1", "", NOW_S + 0.5)


@pytest.mark.parametrize(
    ("sent_utc_s", "expiry_s", "now_utc_s", "why"),
    [
        (NOW_S - 30.0, None, NOW_S, None),
        (NOW_S - 30.1, None, NOW_S, Because.TOO_OLD),
        (NOW_S + 10.0, None, NOW_S, None),
        (NOW_S + 10.1, None, NOW_S, Because.FROM_THE_FUTURE),
        (None, 30.0, NOW_S, None),
        (None, 1.0, NOW_S, None),
        (None, 31.0, NOW_S, Because.HOLDS_TOO_LONG),
        (None, None, NOW_S, Because.AGE_NOT_TOLD),
        # Both are looked at; what says how long it holds does not make an old one young.
        (NOW_S - 31.0, 20.0, NOW_S, Because.TOO_OLD),
        (NOW_S, 3600.0, NOW_S, None),
        # While the clock is not set only the broker can tell.
        (NOW_S, None, None, Because.AGE_NOT_KNOWN),
        (NOW_S - 9999.0, 20.0, None, None),
        (NOW_S, 31.0, None, Because.AGE_NOT_KNOWN),
        (None, 20.0, None, None),
        (None, None, None, Because.AGE_NOT_TOLD),
    ],
)
def test_what_is_too_old_or_may_be_does_not_act(
    sent_utc_s: float | None, expiry_s: float | None, now_utc_s: float | None, why: Because | None
) -> None:
    refusal = age_refusal(sent_utc_s, expiry_s, now_utc_s, 30.0)
    assert (None if refusal is None else refusal.code) == why


@pytest.mark.parametrize(
    ("data", "request_id"),
    [(b"abc-1", "abc-1"), ("\u00e9".encode(), "\u00e9"), (b"\xff\x00", "ff00"), (b"a\n", "610a")],
)
def test_correlation_data_is_the_id_where_there_is_none(data: bytes, request_id: str) -> None:
    asked = read_request(b'{"request": "zero"}', data)
    assert asked == ParsedRequest(SetZero(), request_id, "")
    assert read_request(asking(request="zero"), data) == ParsedRequest(SetZero(), "r1", "")


def test_correlation_data_that_is_no_id() -> None:
    assert read_request(b'{"request": "zero"}', b"") == InvalidRequest(LABEL)
    assert read_request(b'{"request": "zero"}', b"\xff" * 33) == InvalidRequest(LABEL)
