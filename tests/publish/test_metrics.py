"""Figures for a monitoring system, worded by the standard library and read back by its parser."""

from collections import defaultdict
from dataclasses import replace

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from prometheus_client.samples import Sample

from core.driver import BASE, chosen
from dustcake.adapters.metrics import text
from dustcake.core.alarms.names import AlarmName
from dustcake.core.inputs import (
    Contacts,
    FailureKind,
    Measured,
    PollCompleted,
    ReadFailure,
    Restarted,
    Signal,
    Stamp,
)
from dustcake.core.requests.kinds import SetPoint, SetPointOverride, SetPointOverrides
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State, first_state
from dustcake.core.step import step
from dustcake.publish.metrics import STEP_BOUNDS_S, CollectorState, StepTimes, families

UTC_S = 1_800_000_000.0
WITH_BLOWER = chosen(fitted={"blower_running": True})


def polled(
    *readings: Signal, setpoints: Setpoints = BASE, contacts: Contacts | None = None
) -> State:
    at = Stamp(100.0, UTC_S)
    state = step(first_state(setpoints, at), Restarted(at), setpoints).state
    for n, dp in enumerate(readings, start=1):
        poll = PollCompleted(Stamp(100.0 + n, UTC_S + n), dp, contacts or Contacts())
        state = step(state, poll, setpoints).state
    return state


def seen(state: State, setpoints: Setpoints = BASE, **over: object) -> CollectorState:
    steps = StepTimes((3, 0, 2, *(0,) * 8, 1), 4.5)
    one = CollectorState(state, setpoints, 110.0, 20, 2, 1, steps, True, 7)
    return replace(one, **over)  # type: ignore[arg-type]


def figures(
    *collectors: CollectorState, journal_bytes: int | None = 4096
) -> dict[str, list[Sample]]:
    """By the name of the sample, as the library's own strict parser reads them."""
    worded = text(lambda: families(collectors, "1.2.3", journal_bytes)).decode()
    found: dict[str, list[Sample]] = defaultdict(list)
    for family in text_string_to_metric_families(worded):  # type: ignore[no-untyped-call]
        for sample in family.samples:
            found[sample.name].append(sample)
    return found


def value(found: dict[str, list[Sample]], name: str, **labels: str) -> float:
    (one,) = (s for s in found[name] if labels.items() <= s.labels.items())
    return float(one.value)


def test_a_reading_with_its_quality_and_time() -> None:
    found = figures(seen(polled(Measured(812.5))))
    assert value(found, "dustcake_dp_pascals", collector=BASE.collector) == 812.5
    assert value(found, "dustcake_dp_read_timestamp_seconds") == UTC_S + 1
    qualities = {s.labels["dustcake_dp_quality"]: s.value for s in found["dustcake_dp_quality"]}
    assert qualities.pop("good") == 1.0
    assert len(qualities) == 4
    assert set(qualities.values()) == {0.0}


def test_what_is_not_known_is_left_out_and_never_zero() -> None:
    lost = ReadFailure(FailureKind.TIMEOUT, "no reply")
    found = figures(seen(polled(lost), connected=None, waiting=None), journal_bytes=None)
    for name in (
        *("dustcake_dp_pascals", "dustcake_header_pascals", "dustcake_header_quality"),
        *("dustcake_broker_connected", "dustcake_outbox_messages", "dustcake_journal_bytes"),
    ):
        assert name not in found
    assert value(found, "dustcake_dp_quality", dustcake_dp_quality="failure") == 1.0
    assert value(found, "dustcake_journal_writable") == 1.0


def test_header_pressure_where_it_is_fitted() -> None:
    setpoints = chosen(header=BASE.dp)
    state = polled(setpoints=setpoints)
    state = replace(state, header=replace(state.sample, pa=6e5))
    found = figures(seen(state, setpoints))
    assert value(found, "dustcake_header_pascals") == 6e5
    assert value(found, "dustcake_header_quality", dustcake_header_quality="failure") == 1.0


def test_counts_end_with_total_and_are_those_of_the_state() -> None:
    contacts = Contacts(blower_running=True)
    state = polled(*[Measured(800.0)] * 5, setpoints=WITH_BLOWER, contacts=contacts)
    state = replace(
        state,
        pulsing=replace(state.pulsing, counts=(3, 1, 4, 1)),
        air=replace(state.air, total=replace(state.air.total, free_m3=2.0)),
    )
    found = figures(seen(state, WITH_BLOWER))
    pulses = {s.labels["valve"]: s.value for s in found["dustcake_pulses_total"]}
    assert pulses == {"1": 3.0, "2": 1.0, "3": 4.0, "4": 1.0}
    assert value(found, "dustcake_air_cubic_meters_total") == 2.0
    joules = 2.0 * WITH_BLOWER.air.energy_kwh_per_m3 * 3.6e6
    assert value(found, "dustcake_air_energy_joules_total") == pytest.approx(joules)
    assert value(found, "dustcake_blower_running") == 1.0
    assert value(found, "dustcake_blower_running_seconds_total") == pytest.approx(9.0)
    assert value(found, "dustcake_events_total") == state.next_seq - 1
    assert value(found, "dustcake_polls_total") == 20.0
    assert value(found, "dustcake_polls_failed_total") == 2.0
    assert value(found, "dustcake_polls_missed_total") == 1.0
    assert value(found, "dustcake_outbox_messages") == 7.0


def test_alarms_that_exist_and_set_points() -> None:
    taken_out = tuple(
        replace(alarm, enabled=alarm.name is not AlarmName.SMOKE) for alarm in BASE.alarms
    )
    setpoints = replace(BASE, alarms=taken_out)
    state = polled(setpoints=setpoints)
    alarms = tuple(replace(a, condition_active=a.name is AlarmName.HIGH_DP) for a in state.alarms)
    found = figures(seen(replace(state, alarms=alarms), setpoints))
    active = {s.labels["alarm"]: s.value for s in found["dustcake_alarm_active"]}
    assert active.pop("high_dp") == 1.0
    assert "smoke" not in active
    assert len(active) == len(BASE.alarms) - 2
    assert set(active.values()) == {0.0}
    assert value(found, "dustcake_set_point_pascals", set_point="high") == BASE.cleaning.high_pa


def test_set_points_are_those_in_force() -> None:
    state = polled()
    changed = (
        SetPointOverride(SetPoint.LOW, 700.0, BASE.cleaning.low_pa, "somebody", UTC_S),
        SetPointOverride(SetPoint.INTERVAL, 21.0, BASE.pulsing.interval_s, "somebody", UTC_S),
    )
    found = figures(seen(replace(state, set_point_overrides=SetPointOverrides(changed))))
    assert value(found, "dustcake_set_point_pascals", set_point="low") == 700.0
    assert value(found, "dustcake_set_point_seconds", set_point="interval") == 21.0
    on_time_s = BASE.pulsing.on_time_s
    assert value(found, "dustcake_set_point_seconds", set_point="on_time") == on_time_s


def test_a_step_is_counted_where_its_time_lies() -> None:
    times = StepTimes()
    for took_s in (0.0, STEP_BOUNDS_S[0], STEP_BOUNDS_S[-1] + 1.0):
        times = times.with_one(took_s)
    assert times.counts == (2, *(0,) * (len(STEP_BOUNDS_S) - 1), 1)
    assert times.sum_s == STEP_BOUNDS_S[0] + STEP_BOUNDS_S[-1] + 1.0


def test_step_times_are_a_cumulative_histogram() -> None:
    found = figures(seen(polled(Measured(800.0))))
    buckets = {s.labels["le"]: s.value for s in found["dustcake_step_seconds_bucket"]}
    assert buckets["0.001"] == 3.0
    assert buckets["0.005"] == 5.0
    assert buckets["2.5"] == 5.0
    assert buckets["+Inf"] == value(found, "dustcake_step_seconds_count") == 6.0
    assert value(found, "dustcake_step_seconds_sum") == 4.5


def test_names_end_with_their_unit_and_series_are_bounded() -> None:
    both = [seen(polled(Measured(800.0))), seen(polled(Measured(850.0)))]
    both[1] = replace(both[1], setpoints=replace(BASE, collector="other"))
    told = list(families(both, "1", 1))
    assert len({family.name for family in told}) == len(told)
    for family in told:
        assert family.name.endswith(family.unit)
        assert family.words
        is_counter = family.kind == "counter"
        assert all((f.ending == "_total") is is_counter for f in family.figures)
    one = sum(len(family.figures) for family in families(both[:1], "1", 1))
    two = sum(len(family.figures) for family in told)
    assert two == 2 * one - 2, "but for the daemon and its journal, the same for each collector"
    assert one < 100


def test_the_process_tells_of_itself() -> None:
    found = figures(seen(polled()))
    assert value(found, "process_cpu_seconds_total") > 0.0
    assert value(found, "process_resident_memory_bytes") > 1e6
    assert value(found, "dustcake_build_info", version="1.2.3") == 1.0
