"""What a broker is told: events in order, then the retained topics that now say otherwise."""

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.driver import ALL_FITTED, BASE, Collector, chosen, with_header
from core.traces import ADJUSTING
from dustcake.core.alarms.names import Alarm, AlarmName, AlarmState, Priority
from dustcake.core.events import AlarmChanged
from dustcake.core.inputs import FailureKind, Measured, ReadFailure, Stamp
from dustcake.core.requests.definitions import Level
from dustcake.core.requests.kinds import (
    Acknowledge,
    ChangeSetPoints,
    ConfirmChange,
    Mode,
    SelectMode,
)
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State, first_state
from dustcake.core.step import Step
from dustcake.publish.payloads import by_request_words, point_words, utc_text
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Keep, Publication, Topics
from dustcake.units import PressureUnit
from examples import examples
from publish.histories import SETPOINTS, live

TOPICS = Topics("site/dust", "welding-1")


def renderer(setpoints: Setpoints = BASE, unit: PressureUnit = PressureUnit.PA) -> Renderer:
    return Renderer(TOPICS, setpoints, unit, 30)


def read(publication: Publication) -> dict[str, Any]:
    content = json.loads(publication.payload.decode("utf-8"))
    assert isinstance(content, dict)
    return content


@pytest.mark.parametrize(
    ("topic", "expected"),
    [
        (TOPICS.of("online"), "site/dust/welding-1/online"),
        (TOPICS.of("measurement"), "site/dust/welding-1/measurement"),
        (TOPICS.of("state"), "site/dust/welding-1/state"),
        (TOPICS.of("alarm", alarm="high_dp"), "site/dust/welding-1/alarm/high_dp"),
        (TOPICS.of("event"), "site/dust/welding-1/event"),
        (TOPICS.requests(Level.ACKNOWLEDGE), "site/dust/welding-1/request/acknowledge/+"),
        (TOPICS.requests(Level.ADJUST), "site/dust/welding-1/request/adjust/+"),
        (TOPICS.of("reply", name="kim"), "site/dust/welding-1/reply/kim"),
    ],
)
def test_topics(topic: str, expected: str) -> None:
    assert topic == expected


def test_who_asks_is_told_by_the_topic() -> None:
    asked = TOPICS.asked_by("site/dust/welding-1/request/adjust/kim")
    assert asked == (Level.ADJUST, "kim")
    with pytest.raises(ValueError, match="other"):
        TOPICS.asked_by("site/dust/welding-1/request/other/kim")


@pytest.mark.parametrize("online", [True, False])
def test_birth_and_will_are_retained(online: bool) -> None:
    told = renderer().online(None, 4, online)
    assert (told.topic, told.qos, told.retain, told.expiry_s) == (
        TOPICS.of("online"),
        1,
        True,
        None,
    )
    assert read(told) == {"schema": "dustcake/online/1", "utc": None, "seq": 4, "online": online}


# -- the measurement ------------------------------------------------------------------------------


def test_a_measurement_expires_and_is_not_retained() -> None:
    collector = Collector().hold(800.0, 2)
    told = renderer().measurement(collector.state, 1_800_000_000.0)
    assert told == replace(
        told, topic=TOPICS.of("measurement"), qos=0, retain=False, keep=Keep.LIVE, expiry_s=30
    )
    content = read(told)
    assert content["dp"]["value"] == 800.0
    assert content["dp"]["quality"] == "good"
    assert content["utc"] == "2027-01-15T08:00:00.000Z", "the time of the message"
    assert content["dp"]["utc"] == utc_text(collector.state.sample.at.utc_s), "of the reading"
    assert content["header"] is None, "not fitted"
    assert content["seq"] == collector.log[-1].seq


def test_header_pressure_is_shown_in_the_unit_of_its_gauge() -> None:
    collector = Collector(with_header())
    collector.header = Measured(551_580.6)
    collector.poll(996.35564)
    content = read(renderer(with_header(), PressureUnit.INH2O).measurement(collector.state, None))
    assert content["dp"]["display"] == "4.00 inH2O"
    assert content["header"]["display"] == "80.0 psi"
    assert (content["header"]["value"], content["header"]["unit"]) == (551580.6, "Pa")


def test_contacts_have_a_value_and_its_quality_and_are_null_where_not_fitted() -> None:
    setpoints = chosen(fitted=replace(ALL_FITTED, door_open=False))
    collector = Collector(setpoints)
    collector.poll(800.0, blower_running=True, smoke=False, stop=None)
    content = read(renderer(setpoints).measurement(collector.state, None))
    assert content["blower_running"] == {"value": True, "unit": None, "quality": "good"}
    assert content["smoke"] == {"value": False, "unit": None, "quality": "good"}
    assert content["stop"] == {"value": None, "unit": None, "quality": "failure"}
    assert content["door_open"] is None, "not fitted"


def test_a_number_that_differs_at_every_poll_is_no_reason_to_tell_the_state_again() -> None:
    collector = Collector().hold(800.0, 2)
    collector.poll(4000.0)  # beyond the span
    before = collector.state
    collector.poll(4001.0)
    after = collector.state
    assert before.sample.reasons != after.sample.reasons
    assert renderer().changes(before, after, [], None) == []


# -- the retained state ---------------------------------------------------------------------------


def test_the_state_says_what_is_done_and_why() -> None:
    collector = Collector().hold(800.0, 14)
    collector.poll(1010.0)
    told = renderer().state(collector.state, 1_800_000_000.0)
    assert (told.topic, told.qos, told.retain, told.keep) == (
        TOPICS.of("state"),
        1,
        True,
        Keep.LATEST,
    )
    content = read(told)
    assert content["utc"] == "2027-01-15T08:00:00.000Z"
    assert (content["mode"], content["phase"], content["cleaning"]) == (
        "on_demand",
        "cleaning",
        "on_demand",
    )
    assert content["valves"] == [
        {"valve": 1, "pulses": 0},
        {"valve": 2, "pulses": 1},
        {"valve": 3, "pulses": 0},
        {"valve": 4, "pulses": 0},
    ]
    assert content["last_valve"] == 2
    assert content["set_points"]["high"] == {
        "value": 1000.0,
        "unit": "Pa",
        "quality": "good",
        "display": "1000 Pa",
    }
    assert content["alarms"] == []
    assert {p["name"]: p["met"] for p in content["permissives"]} == {
        "valid_reading": "yes",
        "blower_running": "yes",
        "no_smoke": "not_fitted",
        "no_stop": "not_fitted",
        "door_shut": "not_fitted",
        "header_pressure": "not_fitted",
        "outputs_healthy": "yes",
        "journal_writable": "yes",
        "settled": "yes",
    }


def test_the_state_tells_a_change_of_set_points_that_waits_and_then_what_is_in_force() -> None:
    setpoints = chosen(adjusting=ADJUSTING)
    collector = Collector(setpoints).hold(800.0, 5)
    of = renderer(setpoints, PressureUnit.INH2O)
    before = collector.state
    held = collector.ask(ChangeSetPoints(high_pa=900.0), by="mqtt:kim")
    told = of.changes(before, collector.state, [], None)
    assert [each.topic for each in told] == [TOPICS.of("state")]
    content = read(told[0])
    waits = content["change_held"]
    assert (waits["change"], waits["by"], waits["until"]) == (
        held.change,
        "mqtt:kim",
        "2027-01-15T08:00:09.000Z",
    )
    assert point_words(waits["points"][0]) == "high 4.01 inH2O -> 3.61 inH2O"
    assert content["set_points"]["high"]["value"] == 1000.0
    assert held.change is not None
    collector.ask(ConfirmChange(held.change), by="mqtt:kim")
    content = read(of.state(collector.state, None))
    assert content["change_held"] is None
    assert content["set_points"]["high"]["value"] == 900.0
    assert (content["interval"]["value"], content["on_time"]["display"]) == (10.0, "0.15 s")
    (by_request,) = content["set_points_by_request"]
    assert (by_request["set_point"], by_request["by"]) == ("high_pa", "mqtt:kim")
    assert (by_request["in_force"]["value"], by_request["settings"]["value"]) == (900.0, 1000.0)
    assert by_request_words(by_request) == (
        "high 3.61 inH2O, by request of mqtt:kim (2027-01-15T08:00:05.000Z); the settings file has "
        "4.01 inH2O"
    )
    assert by_request["utc"] == "2027-01-15T08:00:05.000Z"


def test_the_state_gives_the_reason_of_each_missing_permissive() -> None:
    setpoints = chosen(fitted=ALL_FITTED)
    collector = Collector(setpoints)
    collector.poll(ReadFailure(FailureKind.TIMEOUT, "unit 3"), smoke=True, stop=False)
    content = read(renderer(setpoints).state(collector.state, None))
    missing = {p["name"]: p["reason"] for p in content["permissives"] if p["met"] == "no"}
    assert missing["no_smoke"] == "the smoke contact reports smoke"
    assert missing["valid_reading"] == "the transmitter could not be read (timeout: unit 3)"
    assert content["quality_reasons"] == [missing["valid_reading"]]
    assert content["cleaning"] is None


# -- alarms ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "active", "acknowledged"),
    [
        (AlarmState.NORMAL, False, True),
        (AlarmState.UNACKNOWLEDGED, True, False),
        (AlarmState.ACKNOWLEDGED, True, True),
        (AlarmState.RETURNED, False, False),
        (AlarmState.LATCHED_UNACKNOWLEDGED, False, False),
        (AlarmState.LATCHED, False, True),
        (AlarmState.SHELVED, True, True),
        (AlarmState.SUPPRESSED, True, True),
        (AlarmState.OUT_OF_SERVICE, False, True),
    ],
)
def test_an_alarm_in_each_state(state: AlarmState, active: bool, acknowledged: bool) -> None:
    setting = replace(BASE.alarms[0], priority=Priority.HIGH)
    alarm = Alarm(setting.name, state, since_utc_s=1_800_000_000.0, condition_active=active)
    told = renderer().alarm(alarm, setting, 12)
    assert told.topic == TOPICS.of("alarm", alarm=setting.name)
    assert (told.qos, told.retain, told.keep) == (1, True, Keep.LATEST)
    content = read(told)
    assert (content["active"], content["acknowledged"]) == (active, acknowledged)
    assert (content["state"], content["priority"], content["seq"]) == (state.value, "high", 12)
    assert content["since"] == content["utc"] == "2027-01-15T08:00:00.000Z"
    assert content["by"] is None
    assert content["action"]


def test_every_alarm_the_core_has_can_be_told() -> None:
    told = renderer().everything(Collector().state, None)
    assert [each.topic for each in told] == [
        TOPICS.of("state"),
        *(TOPICS.of("alarm", alarm=name) for name in AlarmName),
    ]
    assert all(each.retain and each.qos == 1 and each.keep is Keep.LATEST for each in told)


# -- what a step has to tell ----------------------------------------------------------------------


class Listener:
    """Hears what each step tells, as a broker would."""

    def __init__(self, setpoints: Setpoints) -> None:
        self.renderer = renderer(setpoints)
        self.told: list[list[Publication]] = []
        self.retained: dict[str, dict[str, Any]] = {}

    def __call__(self, before: State, done: Step) -> None:
        told = self.renderer.changes(before, done.state, done.events, 1_800_000_000.0)
        self.told.append(told)
        for each in told:
            if each.retain:
                self.retained[each.topic] = read(each)


def topics_of(told: list[Publication]) -> list[str]:
    return [each.topic.removeprefix("site/dust/welding-1/") for each in told]


def changes(collector: Collector, before: State, events_before: int) -> list[Publication]:
    events = collector.log[events_before:]
    return renderer(collector.setpoints).changes(before, collector.state, events, None)


def test_a_poll_that_changes_nothing_tells_nothing() -> None:
    collector = Collector().hold(800.0, 14)
    before, n = collector.state, len(collector.log)
    collector.poll(810.0)
    assert changes(collector, before, n) == []


def test_events_first_then_alarms_then_the_state() -> None:
    alarms = tuple(replace(each, on_delay_s=0.0) for each in BASE.alarms)
    collector = Collector(chosen(alarms=alarms)).hold(800.0, 14)
    before, n = collector.state, len(collector.log)
    collector.poll(1600.0)
    told = changes(collector, before, n)
    assert topics_of(told) == ["event", "event", "event", "alarm/high_dp", "state"]
    assert [read(each)["event"] for each in told[:3]] == ["cleaning_started", "alarm", "pulse"]
    assert [read(each)["seq"] for each in told[:3]] == [n + 1, n + 2, n + 3]
    assert {(each.qos, each.retain, each.keep) for each in told[:3]} == {(1, False, Keep.EVENT)}
    assert [read(each)["seq"] for each in told[3:]] == [n + 3] * 2, "the last event accounted for"


def test_a_mode_that_is_selected_changes_the_state_only_once() -> None:
    collector = Collector().hold(800.0, 14)
    for mode_again in (False, True):
        before, n = collector.state, len(collector.log)
        collector.ask(SelectMode(Mode.OFF))
        told = topics_of(changes(collector, before, n))
        assert ("state" in told) is not mode_again
        assert "event" in told


def test_an_alarm_is_told_when_acknowledged_and_by_whom() -> None:
    alarms = tuple(replace(each, on_delay_s=0.0) for each in BASE.alarms)
    collector = Collector(chosen(alarms=alarms)).hold(800.0, 14)
    collector.poll(1600.0)
    before, n = collector.state, len(collector.log)
    collector.ask(Acknowledge("high_dp"), by="night shift")
    told = {each.topic: read(each) for each in changes(collector, before, n)}
    alarm = told[TOPICS.of("alarm", alarm="high_dp")]
    assert (alarm["state"], alarm["by"]) == ("acknowledged", "night shift")
    assert TOPICS.of("state") not in told, "the list of alarms that are not normal is as it was"


def test_all_retained_topics_are_told_when_the_alarms_are_not_the_same() -> None:
    collector = Collector()
    before = replace(collector.state, alarms=collector.state.alarms[:2])
    told = renderer().changes(before, collector.state, (), None)
    assert topics_of(told) == ["state", *(f"alarm/{name}" for name in AlarmName)]


@examples(40)
@given(st.data())
def test_who_listens_always_knows_what_somebody_who_asks_anew_would_be_told(
    data: st.DataObject,
) -> None:
    """For any history: JSON throughout, events without a gap and before what follows from them,
    no retained topic twice in a step, a message only for alarms that changed, and the broker's
    retained topics equal to the present."""
    setpoints = data.draw(st.sampled_from(SETPOINTS))
    listener = Listener(setpoints)
    for each in listener.renderer.everything(first_state(setpoints, Stamp(0.0, None)), None):
        listener.retained[each.topic] = read(each)

    def tell(before: State, done: Step) -> None:
        listener(before, done)
        told = listener.told[-1]
        is_event = [each.topic == TOPICS.of("event") for each in told]
        assert is_event == sorted(is_event, reverse=True), "events first"
        assert [read(each)["seq"] for each in told if each.topic == TOPICS.of("event")] == [
            event.seq for event in done.events
        ]
        retained = [each.topic for each in told if each.retain]
        assert len(retained) == len(set(retained))
        changed = {e.body.alarm for e in done.events if isinstance(e.body, AlarmChanged)}
        # What explains an alarm may give way to another cause; that it is explained stays so.
        pairs = zip(before.alarms, done.state.alarms, strict=True)
        changed |= {now.name for was, now in pairs if was.cause is not now.cause}
        assert {t for t in retained if "/alarm/" in t} <= {
            TOPICS.of("alarm", alarm=name) for name in changed
        }
        read(listener.renderer.measurement(done.state, None))

    collector = live(data, tell, setpoints)
    for each in listener.renderer.everything(collector.state, None):
        heard, now = listener.retained[each.topic], read(each)
        assert _gist(heard) == _gist(now)


def _gist(content: dict[str, Any]) -> dict[str, Any]:
    """Without what is no reason to be told again: number, time, and sentences with live numbers."""
    gist = {k: v for k, v in content.items() if k not in ("seq", "utc", "quality_reasons")}
    if "permissives" in gist:
        del gist["reason"]
        gist["permissives"] = [{**each, "reason": None} for each in gist["permissives"]]
    return gist
