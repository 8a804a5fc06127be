"""What is stored reads back to the same values, and what cannot be read says so."""

import json
from dataclasses import asdict
from math import inf, isnan, nan
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.driver import LOST, Collector, answering, board, chosen, ready, running, with_header
from dustcake.codec import (
    STATE_FORMAT,
    FormatError,
    decode_body,
    decode_input,
    decode_state,
    encode_body,
    encode_input,
    encode_state,
)
from dustcake.core import events
from dustcake.core.air.state import AirUse
from dustcake.core.alarms.names import ACTIVE, AlarmName
from dustcake.core.commands import FireValve
from dustcake.core.filter_life.state import FilterLife
from dustcake.core.inputs import (
    Contacts,
    FailureKind,
    Input,
    JournalReported,
    Measured,
    OperatorRequested,
    Outcome,
    OutputReported,
    PollCompleted,
    ReadFailure,
    Registers,
    RequestRefused,
    Restarted,
    Stamp,
    Stopping,
    Woke,
)
from dustcake.core.reasons import Because, because
from dustcake.core.requests.kinds import (
    Acknowledge,
    AlarmAction,
    ChangeSetPoints,
    ConfirmChange,
    Entry,
    HandleAlarm,
    Identity,
    Mode,
    PointChange,
    PulseValve,
    RecordEntry,
    RecordFilterChange,
    RunBlower,
    SelectMode,
    SetPoint,
    SetZero,
)
from dustcake.core.setpoints import BlowerRequest
from dustcake.core.signal_gaps import Gap
from dustcake.core.state import State

NUMBERS = st.floats(allow_nan=False)
STAMPS = st.builds(Stamp, NUMBERS, st.none() | NUMBERS)
TEXTS = st.text(max_size=20)
SIGNALS = (
    st.builds(Registers, st.lists(st.integers(0, 65535), max_size=4).map(tuple))
    | st.builds(Measured, NUMBERS)
    | st.builds(ReadFailure, st.sampled_from(FailureKind), TEXTS)
)
CONTACTS = st.builds(Contacts, *[st.none() | st.booleans()] * 6)
REQUESTS = (
    st.builds(SelectMode, st.sampled_from(Mode))
    | st.builds(SetZero, st.booleans())
    | st.builds(Acknowledge, TEXTS)
    | st.builds(HandleAlarm, st.sampled_from(AlarmAction), TEXTS, TEXTS, st.none() | NUMBERS)
    | st.builds(RunBlower, st.booleans())
    | st.builds(PulseValve, st.integers(-(2**53), 2**53))
    | st.builds(RecordFilterChange, TEXTS, st.lists(st.integers(1, 99)).map(tuple))
    | st.builds(RecordEntry, st.sampled_from(Entry), TEXTS, TEXTS)
    | st.builds(ChangeSetPoints, *[st.none() | NUMBERS] * 4)
    | st.builds(ConfirmChange, st.integers(0, 2**53))
)
INPUTS = {
    PollCompleted: st.builds(PollCompleted, STAMPS, SIGNALS, CONTACTS, st.none() | SIGNALS),
    OutputReported: st.builds(
        OutputReported, STAMPS, st.integers(1, 2**53), st.sampled_from(Outcome), TEXTS
    ),
    OperatorRequested: st.builds(
        OperatorRequested, STAMPS, REQUESTS, TEXTS, TEXTS, st.sampled_from(Identity)
    ),
    RequestRefused: st.builds(
        RequestRefused,
        STAMPS,
        TEXTS,
        TEXTS,
        TEXTS,
        st.sampled_from(Identity),
        st.builds(because, st.sampled_from(Because), TEXTS),
    ),
    JournalReported: st.builds(JournalReported, STAMPS, st.booleans(), TEXTS),
    Woke: st.builds(Woke, STAMPS),
    Restarted: st.builds(Restarted, STAMPS, st.none() | NUMBERS),
    Stopping: st.builds(Stopping, STAMPS),
}


def test_every_kind_of_input_is_tried() -> None:
    assert set(INPUTS) == set(get_args(Input))


@pytest.mark.parametrize("kind", INPUTS.values(), ids=lambda s: s.__class__.__name__)
@given(data=st.data())
def test_an_input_reads_back_the_same(kind: st.SearchStrategy[Input], data: st.DataObject) -> None:
    happened = data.draw(kind)
    name, stored = encode_input(happened)
    again = decode_input(name, stored)
    assert again == happened
    assert repr(again) == repr(happened)  # the same types too: True is not 1, 1.0 is not 1


@pytest.mark.parametrize("number", [nan, inf, -inf])
def test_a_number_that_is_none_reads_back_as_such_and_is_stored_as_json(number: float) -> None:
    poll = PollCompleted(Stamp(1.0, None), Measured(number), Contacts())
    name, stored = encode_input(poll)
    json.loads(stored, parse_constant=lambda token: pytest.fail(f"{token} is not JSON"))
    again = decode_input(name, stored)
    assert isinstance(again, PollCompleted)
    assert isinstance(again.dp, Measured)
    assert again.dp.pa == number or (isnan(number) and isnan(again.dp.pa))


REASON = because(Because.HIGH_REACHED, "in words", dp_pa=1003.5, high_pa=1000.0)
POINTS = (PointChange(SetPoint.HIGH, 1000.0, 1100.5), PointChange(SetPoint.ON_TIME, 0.15, 0.2))
BODIES: list[events.Body] = [
    events.Started(None),
    events.Started(12.5),
    events.Stopped(),
    events.CleaningStarted("on_demand", 1003.0, REASON),
    events.CleaningStopped("timed", None, REASON, 7, 61.5),
    events.PulseFired(2, 0.15, 41, None, True),
    events.PulseFailed(1, "unit 4: no reply"),
    events.PulseInterrupted(3),
    events.DemandSet(True),
    events.OutputsChanged(False, "lost"),
    events.AlarmChanged("smoke", "acknowledged", "high", REASON, "night shift"),
    events.QualityChanged("failure", (REASON, because(Because.STALE))),
    events.FindingChanged("valve_does_not_fire", 3, True, REASON),
    events.ModeSelected("off", "panel"),
    events.ZeroTaken(4.25, 0.0, "fitter"),
    events.ZeroAbandoned(REASON, "fitter"),
    events.BlowerChanged(None),
    events.BlowerRunSet(True, "by hand"),
    events.JournalChanged(False, "disk full"),
    events.RequestAnswered("id", "mode", "panel", False, REASON),
    events.RequestAnswered("id", "set_points", "panel", True, REASON, 12, POINTS),
    events.ChangeLapsed(12, "panel", REASON),
    events.FiltersChanged(812.5, "spare set", "fitter", (1, 3)),
    events.LogEntry("drum_emptied", "", "drum", "fitter"),
    events.UpkeepDue("drum", "look into it"),
    events.SettingChanged("cleaning.high_pa", "1000.0", "1100.0", "night shift"),
    events.FilterLifeChanged("range", 812.5, 400.0, None, 0.8, 640.25, 0.125, 31),
    events.AirUsed(None, 1.25, 1.5, 30, 2, 3600.0),
]


def test_every_kind_of_event_is_tried() -> None:
    assert {type(body) for body in BODIES} == set(events.EVENTS.values())


@pytest.mark.parametrize("body", BODIES, ids=lambda body: body.name)
def test_an_event_reads_back_the_same(body: events.Body) -> None:
    again = decode_body(*encode_body(body))
    assert again == body
    assert type(again) is type(body)


def states() -> dict[str, State]:
    """States with each part of them in use."""
    pulsing = ready()
    pulsing.outcome = answering(FireValve=None)
    pulsing.poll(1100.0)
    assert pulsing.sent(FireValve)
    demand = ready(board(cleaning={"finish_cycle": True})).hold(1400.0, 30).hold(700.0, 3)
    resting = ready().hold(1600.0, 200)
    zeroing = running().hold(3.0, 60, blower_running=False)
    zeroing.ask(SetZero())
    zeroing.hold(3.0, 2)
    header = ready(with_header(cleaning={"mode": Mode.TIMED})).hold(900.0, 20)
    faulty = ready(chosen(fitted={"smoke": True}), smoke=True).hold(LOST, 30)
    faulty.journal(False, "disk full")
    barred = ready(
        chosen(blower={"request": BlowerRequest.PROCESS}), process_running=True, smoke=False
    )
    barred.outcome = answering(SetBlowerRun=Outcome.FAILED, FireValve=Outcome.FAILED)
    barred.hold(1100.0, 30, smoke=True)
    quiet = ready().hold(800.0, 5)
    assert quiet.last.state.quiet is not None
    return {
        "a pulse in flight": pulsing.state,
        "demand contact closed": demand.state,
        "resting, alarms up": resting.state,
        "zero under way": zeroing.state,
        "with a header": header.state,
        "everything lost": faulty.state,
        "blower barred, pulses fail": barred.state,
        "quiet": quiet.state,
    }


@pytest.mark.parametrize("state", states().values(), ids=states().keys())
def test_a_state_reads_back_the_same(state: State) -> None:
    again = decode_state(encode_state(state), STATE_FORMAT)
    assert again == state


def test_a_state_from_before_a_field_was_added_reads_with_what_the_field_began_as() -> None:
    """Everything added within one format has a value to begin with."""
    stored = json.loads(encode_state(states()["a pulse in flight"]))
    for part, name in (
        (stored["cleaning"]["run"], "last_pulse_s"),
        (stored["pulsing"], "failures"),
        (stored["blower"], "barred"),
        (stored["blower"], "fault"),
        (stored["blower"], "total_s"),
        (stored, "filter_life"),
        (stored, "air"),
    ):
        del part[name]
    again = decode_state(json.dumps(stored).encode(), STATE_FORMAT)
    assert again.cleaning.run is not None
    assert again.cleaning.run.last_pulse_s is None
    assert again.pulsing.failures == 0
    assert (again.blower.barred, again.blower.fault) == (False, "")
    assert (again.blower.total_s, again.filter_life, again.air) == (0.0, FilterLife(), AirUse())


OLD = sorted((Path(__file__).parent / "old_states").glob("*.json"))


def test_there_is_a_state_of_each_older_format() -> None:
    assert [file.stem for file in OLD] == [f"format_{n}" for n in range(1, STATE_FORMAT)]


@pytest.mark.parametrize("file", OLD, ids=lambda file: file.stem)
def test_a_state_of_an_older_format_is_brought_up(file: Path) -> None:
    """Stored as it was left: nothing of it is lost, and the collector goes on from there."""
    older = json.loads(file.read_bytes())
    state = decode_state(file.read_bytes(), int(file.stem.removeprefix("format_")))
    assert [a.state for a in state.alarms] == [a["state"] for a in older["alarms"]]
    assert state.pulsing.counts == tuple(older["pulsing"]["counts"])
    assert state.next_seq == older["next_seq"]
    assert state.replacement.above == older["worn"]["above"]
    assert state.replacement.pulses == older["worn"].get("pulses", 0)
    assert state.cleaning_pace.short == older.get("pace", {}).get("short", 0)
    assert state.pulse_response.last_pa == older.get("diagnosis", {}).get("last_pa")
    assert state.signal_validation.zero_pa == older.get("trust", {}).get("zero_pa")
    assert state.filter_life.installed_s == older.get("life", {}).get("installed_s", 0.0)
    assert decode_state(encode_state(state), STATE_FORMAT) == state
    collector = running(with_header(), blower_running=True)
    collector = Collector(collector.setpoints, state=state, blower_running=True)
    raised = {a["name"] for a in older["alarms"] if a.get("stands", a["state"] in ACTIVE)}
    assert {a.name for a in collector.state.alarms if a.condition_active} == raised
    latching = {a["name"] for a in older["alarms"] if a.get("owed")}
    assert {a.name for a in collector.state.alarms if a.relatch} == latching
    assert [a.name for a in collector.state.alarms] == list(AlarmName)


def test_set_points_changed_by_request_are_brought_up() -> None:
    older = json.loads(OLD[2].read_bytes())
    changed = {"set_point": "high_pa", "value": 900.0, "by": "day shift", "utc_s": None}
    older["adjusted"] = {"points": [{**changed, "written": 1000.0}], "held": None}
    state = decode_state(json.dumps(older).encode(), 3)
    (point,) = state.set_point_overrides.points
    assert (point.value, point.configured, point.by) == (900.0, 1000.0, "day shift")
    assert state.set_point_overrides.pending is None


def test_what_has_another_name_since_format_3_is_not_lost() -> None:
    older = json.loads((OLD[0].parent / "format_3.json").read_bytes())
    state = decode_state(json.dumps(older).encode(), 3)
    trust, diagnosis, air = older["trust"], older["diagnosis"], older["air"]
    known = state.signal_validation
    assert known.frozen is not None
    assert known.excursion is not None
    assert (known.frozen.pa, known.frozen.same) == (trust["still"]["pa"], trust["still"]["looks"])
    assert known.excursion.due_s == trust["step"]["due_s"]
    assert [doubt.reason.code for doubt in known.doubts] == ["zero_drift", "rose_at_once"]
    assert state.pulse_response.observation is not None
    assert state.pulse_response.observation.began_s == diagnosis["look"]["began_s"]
    assert state.air.measurement is not None
    assert state.air.measurement.ended_s == air["watch"]["ended_s"]
    assert state.air.accounted_blower_s == air["told_blower_s"] > 0.0
    assert state.filter_life.reported_h == older["life"]["told_h"] > 0.0
    tasks = older["log_book"]["upkeep"]["items"]
    assert [asdict(task) for task in state.log_book.maintenance.tasks] == tasks


def test_what_was_known_of_the_line_is_brought_up() -> None:
    older = json.loads(OLD[2].read_bytes())
    gap = {"since_s": 7.0, "resumed_s": None, "pa": None, "lost": 0.25, "at_s": 7.0}
    older["line"]["door_open"] = older["line"]["dp"] = gap
    line = decode_state(json.dumps(older).encode(), 3).line
    assert line.of("door_open") == line.dp == Gap(7.0, None, None, 0.25, 7.0)
    assert line.of("smoke") == Gap(**older["line"]["smoke"])


def test_an_older_state_that_is_damaged_is_refused() -> None:
    for damaged in (b"", b"[]", b'{"alarms": [{}]}', b'{"alarms": 3}'):
        with pytest.raises(FormatError):
            decode_state(damaged, 1)


def test_a_state_of_another_format_is_refused() -> None:
    stored = encode_state(ready().state)
    with pytest.raises(FormatError, match=f"format 99, this version reads {STATE_FORMAT}"):
        decode_state(stored, 99)


@pytest.mark.parametrize(
    ("why", "stored"),
    [
        ("cut off", b'{"next_seq": 1, "next_'),
        ("not JSON", b"\xff\x00"),
        ("a field is missing", b'{"next_seq": 1}'),
        ("empty", b""),
    ],
)
def test_a_damaged_state_is_refused(why: str, stored: bytes) -> None:
    with pytest.raises(FormatError, match=r"^State: "):
        decode_state(stored, STATE_FORMAT)


def test_the_place_of_the_damage_is_named() -> None:
    stored = json.loads(encode_state(ready().state))
    stored["pulsing"]["counts"][2] = "many"
    with pytest.raises(FormatError, match=r"State: pulsing\.counts\.2: "):
        decode_state(json.dumps(stored).encode(), STATE_FORMAT)


def test_an_unknown_kind_is_refused_by_name() -> None:
    with pytest.raises(FormatError, match="no input is called 'Sneezed'"):
        decode_input("Sneezed", b"{}")
    with pytest.raises(FormatError, match="no event is called 'sneeze'"):
        decode_body("sneeze", b"{}")


def test_a_damaged_input_or_event_is_refused() -> None:
    with pytest.raises(FormatError, match=r"^Woke: at: "):
        decode_input("Woke", b"{}")
    with pytest.raises(FormatError, match=r"^PulseFired: valve: "):
        decode_body("pulse", b"{}")
