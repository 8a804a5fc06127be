"""What a collector reports as a device, and when its transmitter counts as lost."""

from collections.abc import Callable
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from core.driver import ALL_FITTED, FIRST_UTC_S, HEADER_SCALE, LOST, chosen
from dustcake.core.alarms.names import ACTIVE
from dustcake.core.inputs import CONTACT_NAMES, Stamp, contact_label
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because, because
from dustcake.core.state import MaintenanceTask, State, first_state
from dustcake.core.step import Step
from dustcake.publish.sparkplug.collector import CollectorDevice, active_alarms
from dustcake.publish.sparkplug.edge_node import EdgeNode, NodeTopics
from dustcake.publish.sparkplug.payload import Metric, QualityCode
from dustcake.units import PressureUnit
from examples import examples
from publish.histories import SETPOINTS, live
from publish.sparkplug.host import GROUP, NODE, Host

FULL = chosen(fitted=ALL_FITTED, header=HEADER_SCALE)
BARE = chosen()


def device(setpoints: object = FULL) -> CollectorDevice:
    return CollectorDevice(setpoints, PressureUnit.PA, (10.0, 10_000.0))  # type: ignore[arg-type]


def state_with(sample: Sample) -> State:
    return replace(first_state(FULL, Stamp(0.0, FIRST_UTC_S)), sample=sample)


def failed(at_s: float, code: Because = Because.READ_FAILED) -> State:
    reason = because(code, stale_after_s=5.0)
    return state_with(Sample(Stamp(at_s, None), None, Quality.FAILURE, (reason,)))


def good(at_s: float, pa: float = 500.0) -> State:
    return state_with(Sample(Stamp(at_s, FIRST_UTC_S + at_s), pa, Quality.GOOD))


def named(metrics: list[Metric]) -> dict[str, Metric]:
    assert len({metric.name for metric in metrics}) == len(metrics)
    return {metric.name: metric for metric in metrics}


def test_one_lost_reply_is_no_loss_but_silence_is() -> None:
    collector = device()
    there = [
        collector.is_there(state, Stamp(at_s, None))
        for at_s, state in [
            (0.0, good(0.0)),
            (1.0, failed(1.0)),
            (2.0, good(2.0)),
            (3.0, failed(3.0)),
            (7.9, failed(7.9)),
            (8.0, failed(8.0)),
            (9.0, good(9.0)),
            (10.0, failed(9.0, Because.STALE)),
        ]
    ]
    assert there == [True, True, True, True, True, False, True, False]


def test_one_that_never_answered_is_not_there() -> None:
    collector = device()
    assert not collector.is_there(failed(0.0, Because.NO_SAMPLE_YET), Stamp(0.0, None))
    assert not collector.is_there(failed(1.0), Stamp(1.0, None))
    # A transmitter that answers nonsense is there, and its reading is bad.
    assert collector.is_there(failed(2.0, Because.NOT_A_NUMBER), Stamp(2.0, None))


def test_quality_in_the_codes_of_sparkplug() -> None:
    expected = {
        Quality.GOOD: QualityCode.GOOD,
        Quality.MAINTENANCE_REQUIRED: QualityCode.GOOD,
        Quality.OUT_OF_SPECIFICATION: QualityCode.BAD,
        Quality.FUNCTION_CHECK: QualityCode.BAD,
        Quality.FAILURE: QualityCode.BAD,
    }
    for quality, code in expected.items():
        sample = Sample(Stamp(0.0, FIRST_UTC_S), 5.0, quality, ())
        metrics = named(device().metrics(state_with(sample), FIRST_UTC_S + 1.0))
        assert metrics["dP"].quality is code
        assert metrics["dP quality"].value == quality.value
        assert metrics["dP"].utc_s == FIRST_UTC_S
    stale = named(device().metrics(failed(0.0, Because.STALE), FIRST_UTC_S + 1.0))
    assert stale["dP"].quality is QualityCode.STALE
    assert stale["dP"].utc_s == FIRST_UTC_S + 1.0, "when it was read is not known"
    assert "no reading has come" in str(stale["dP quality reasons"].value)


def test_what_is_not_fitted_is_not_there_and_what_is_not_known_is_null() -> None:
    bare = named(device(BARE).metrics(good(0.0), FIRST_UTC_S))
    assert {"Header pressure", "Smoke", "Door open", "Stop"}.isdisjoint(bare)
    full = named(device().metrics(good(0.0), FIRST_UTC_S))
    for name in ("Header pressure", "Smoke", "Door open", "Process running", "Stop"):
        assert (full[name].value, full[name].quality) == (None, QualityCode.BAD)
    assert full["dP"].unit == full["Set points/Low"].unit == "Pa"


def test_every_contact_is_reported() -> None:
    names = ["Blower running", "Smoke", "Door open", "Process running", "Stop", "Drum full"]
    assert [contact_label(name) for name in CONTACT_NAMES] == names
    assert set(names) <= set(named(device().metrics(good(0.0), FIRST_UTC_S)))


def test_upkeep_is_reported() -> None:
    task = MaintenanceTask("drum", None, 0.0, 0, due=True)
    state = good(0.0)
    tasks = replace(state.log_book.maintenance, tasks=(task,))
    state = replace(state, log_book=replace(state.log_book, maintenance=tasks))
    assert named(device().metrics(state, FIRST_UTC_S))["Upkeep/drum/Due"].value is True


def test_deadbands_and_sentences_that_hold_a_number() -> None:
    before = named(device().metrics(good(0.0), FIRST_UTC_S))["dP"]
    for pa, differs in ((509.9, False), (510.0, True), (490.0, True), (490.1, False)):
        assert named(device().metrics(good(1.0, pa), FIRST_UTC_S))["dP"].differs(before) is differs
    high = because(Because.HIGH_REACHED, dp_pa=1000.0, high_pa=900.0)
    higher = because(Because.HIGH_REACHED, dp_pa=1001.0, high_pa=900.0)
    reason = [
        named(
            device().metrics(
                replace(good(0.0), decision=replace(good(0.0).decision, reason=each)), FIRST_UTC_S
            )
        )["Reason"]
        for each in (high, higher, because(Because.LOW_REACHED, dp_pa=1.0, low_pa=2.0))
    ]
    assert reason[0].value != reason[1].value
    assert not reason[1].differs(reason[0])
    assert reason[2].differs(reason[0])


@examples(25)
@given(st.data(), st.sampled_from(SETPOINTS))
def test_whatever_a_collector_lives_through_a_host_can_follow(
    data: st.DataObject, setpoints: object
) -> None:
    """The host checks every message; in the end it knows what the collector says of itself."""
    node = EdgeNode(NodeTopics(GROUP, NODE), ["bay 3"], capacity=100, unsure_s=0.0)
    collector, host = device(setpoints), Host()
    host.takes(node.birth(FIRST_UTC_S))
    seen: list[tuple[State, bool]] = []

    def tell(_before: State, done: Step) -> None:
        at_s = float(len(seen))
        state, utc_s = done.state, FIRST_UTC_S + at_s
        is_there = collector.is_there(state, Stamp(at_s, utc_s))
        seen.append((state, is_there))
        node.observe("bay 3", collector.metrics(state, utc_s), is_there=is_there)
        while (due := node.next_due(Stamp(at_s, utc_s), utc_s)) is not None:
            host.takes(due)

    live(data, tell, setpoints)  # type: ignore[arg-type]
    state, is_there = seen[-1]
    known = host.devices.get("bay 3")
    assert (known is not None and known.online) is is_there
    if is_there and known is not None:
        assert known.values["Mode"] == state.decision.mode.value
        assert known.values["Event number"] == state.next_seq - 1
        active = {
            name.split("/")[1]
            for name, value in known.values.items()
            if name.endswith("/Active") and value
        }
        assert active == {a.name.value for a in state.alarms if a.condition_active}
        assert ", ".join(a.name.value for a in state.alarms if a.state in ACTIVE) == active_alarms(
            state
        )


def test_a_read_failure_of_the_driver_is_a_loss(device_names: Callable[[], list[str]]) -> None:
    assert LOST.kind.value == "timeout"
    assert {"dP", "Mode", "Phase", "Alarms/smoke/State", "Valves/1/Pulses"} <= set(device_names())
