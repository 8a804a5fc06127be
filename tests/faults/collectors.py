"""Collectors to be put through faults: set points that a settings file could have."""

from dataclasses import dataclass, replace
from math import inf
from random import Random

from core.driver import ALL_FITTED, HEADER_SCALE, chosen
from dustcake.core.alarms.names import AlarmName, AlarmSetting, Priority
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import (
    Adjusting,
    BlowerRequest,
    Fitted,
    MaintenanceSetting,
    OnBadReading,
    OutputKind,
    Scale,
    Setpoints,
    SignalKind,
)

DP_SCALES = (
    Scale(SignalKind.FLOAT32, 0.0, 1.0, 0.0, 2500.0),
    Scale(SignalKind.CURRENT, -2500.0 / 4, 2500.0 / 16, 0.0, 2500.0),
    Scale(SignalKind.SCALED_INTEGER, 0.0, 0.1, 0.0, 2500.0),
)
UPKEEP = (
    MaintenanceSetting("drum", "look", every_s=6 * 3600.0),
    MaintenanceSetting("snubber", "", 3 * 3600.0),
)
ORDERS = ((1, 3, 2), (2, 4, 1, 3), (1, 3, 5, 2, 4), (1,))


@dataclass(frozen=True)
class Collector:
    """Set points, and what the runtime is told besides."""

    setpoints: Setpoints
    poll_s: float
    flush_s: float
    measurement_every_s: float
    described: bool
    """Whether there are statistics of its minutes; without, a day costs half."""


ADJUSTING = Adjusting(
    low_pa=(600.0, 900.0),
    high_pa=(850.0, 1100.0),
    interval_s=(20.0, 60.0),
    on_time_s=(0.1, 1.0),
    confirm_within_s=60.0,
)


def draw(rng: Random) -> Collector:
    """A collector of some kind. Its times fit polls of 10 s to two minutes; most poll seldom,
    because polls that find nothing new are what a day costs most."""
    of = rng.choice
    poll_s = rng.choices((120.0, 60.0, 30.0, 20.0, 10.0), (80, 15, 3, 1, 1))[0]
    board = rng.random() < 0.2
    contacts = rng.random()
    fitted = ALL_FITTED if contacts < 0.7 else Fitted(*(rng.random() < 0.5 for _ in range(6)))
    interval_s = of((20.0, 45.0, 60.0))
    alarms = tuple(
        AlarmSetting(
            name,
            True,
            of((0.0, 90.0, 300.0)),
            of((0.0, 120.0)),
            Priority.MEDIUM,
            latching=rng.random() < 0.15,
        )
        for name in AlarmName
    )
    request = BlowerRequest.NONE
    if fitted.process_running and rng.random() < 0.3:
        request = BlowerRequest.PROCESS
    elif rng.random() < 0.15:
        request = BlowerRequest.HAND
    setpoints = chosen(
        collector="bay-3",
        dp=of(DP_SCALES),
        header=of((HEADER_SCALE, HEADER_SCALE, None)),
        fitted=fitted,
        stale_after_s=poll_s * of((2.0, 3.5)),
        settle_s=of((0.0, 90.0)),
        outputs_retry_s=of((30.0, 120.0)),
        cleaning={
            "mode": of((Mode.ON_DEMAND, Mode.ON_DEMAND, Mode.TIMED, Mode.OFF)),
            "on_delay_s": of((0.0, 90.0)),
            "finish_cycle": of((True, False)),
            "max_cycles": of((1, 2)),
            "rest_s": of((900.0, 3600.0)),
            "timed_interval_s": of((600.0, 900.0, 1200.0)),
            "on_bad_reading": of((OnBadReading.TIMED, OnBadReading.TIMED, OnBadReading.HOLD)),
            "fallback_delay_s": of((0.0, 300.0)),
            "fallback_interval_s": of((300.0, 600.0)),
            "downtime": rng.random() < 0.7,
            "downtime_spin_down_s": of((0.0, 150.0)),
            "downtime_passes": of((1, 2)),
            "downtime_min_run_s": of((600.0, 3600.0)),
        },
        pulsing={
            "kind": OutputKind.DEMAND_CONTACT
            if board
            else of((OutputKind.VALVES_ONE_SHOT, OutputKind.VALVES_ON_OFF)),
            "order": of(ORDERS),
            "on_time_s": of((0.15, 0.5, 1.0)),
            "interval_s": interval_s,
            "report_timeout_s": of((2.0, 8.0)),
            "sequencer_cycle_s": of((120.0, 240.0)),
        },
        alarms=alarms,
        limits={"replacement_cycles": of((1, 2)), "low_start_delay_s": of((60.0, 300.0))},
        alarm_rules={"frequent_gap_s": 3600.0, "frequent_runs": of((1, 2)), "seasoning_s": 3600.0},
        maintenance=of(((), UPKEEP)),
        zeroing={"average_s": poll_s * 2.5, "blower_off_s": of((60.0, 300.0))},
        signal_validation={
            "jump_pa": of((inf, 250.0)),
            "frozen_after_s": of((0.0, 5400.0)),
            "no_dp_pa": 25.0,
            "no_dp_after_s": of((120.0, 600.0)),
            "zero_check_after_s": of((0.0, 90.0)),
            "zero_drift_pa": 20.0,
            "not_zero_pa": 250.0,
        },
        pulse_response={"response_s": of((0.0, 10.0))},
        adjusting=ADJUSTING,
        blower={"request": request, "run_on_s": of((0.0, 120.0))},
    )
    flush_s, measurement_every_s = (
        rng.choices((5.0, 300.0, 900.0), (1, 3, 16))[0],
        of((600.0, 1800.0)),
    )
    described = rng.random() < 0.15
    if not fitted.blower_running:
        setpoints = chosen(setpoints, blower={"timed_unproved": rng.random() < 0.25})
    return Collector(setpoints, poll_s, flush_s, measurement_every_s, described)


def changed(collector: Collector, rng: Random) -> Collector:
    """The same collector after somebody has edited its settings file."""
    other = draw(rng).setpoints
    kept = collector.setpoints
    if rng.random() < 0.5:
        setpoints = replace(kept, cleaning=other.cleaning, limits=other.limits)
    else:
        setpoints = replace(kept, pulsing=other.pulsing, alarms=other.alarms)
    if rng.random() < 0.3:
        cleaning = replace(setpoints.cleaning, low_pa=600.0, high_pa=900.0)
        setpoints = replace(setpoints, cleaning=cleaning)
    return replace(collector, setpoints=setpoints)
