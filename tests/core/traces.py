"""Random histories of a collector: set points, and scripts of what happens to it."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf, nan
from random import Random

from hypothesis import strategies as st

from core.driver import HEADER_SCALE, LOST, Collector, ContactChanges, chosen
from dustcake.core.alarms.names import AlarmName, AlarmSetting, AlarmState, Priority
from dustcake.core.inputs import Input, Measured, Outcome, Signal
from dustcake.core.reasons import Because, because
from dustcake.core.requests.kinds import (
    Acknowledge,
    AlarmAction,
    ChangeSetPoints,
    ConfirmChange,
    Entry,
    HandleAlarm,
    Mode,
    PulseValve,
    RecordEntry,
    RecordFilterChange,
    Request,
    RunBlower,
    SelectMode,
    SetZero,
)
from dustcake.core.setpoints import (
    Adjusting,
    BlowerRequest,
    Fitted,
    MaintenanceSetting,
    OnBadReading,
    OutputKind,
    Setpoints,
)
from dustcake.core.state import State
from dustcake.core.step import Step, step

Decide = Callable[[State, Input, Setpoints], Step]
Move = Callable[[Collector], object]
Script = tuple[Move, ...]


@dataclass(frozen=True)
class Taken:
    """One step of a history: what went in, and what came of it."""

    before: State
    happened: Input
    setpoints: Setpoints
    after: Step


def play(script: Script, setpoints: Setpoints, decide: Decide = step) -> list[Taken]:
    """Every step of a collector that starts and lives through ``script``."""
    history: list[Taken] = []

    def recorded(state: State, happened: Input, present: Setpoints) -> Step:
        after = decide(state, happened, present)
        history.append(Taken(state, happened, present, after))
        return after

    collector = Collector(setpoints, decide=recorded)
    for move in script:
        move(collector)
    return history


def again(history: list[Taken], decide: Decide, start: State | None = None) -> list[Step]:
    """The same inputs once more, from the first state of ``history`` or another one."""
    state, steps = start or history[0].before, []
    for taken in history:
        steps.append(decide(state, taken.happened, taken.setpoints))
        state = steps[-1].state
    return steps


def loud(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """``step`` without its short way for quiet times."""
    return step(replace(state, quiet=None), happened, setpoints)


# --- set points with delays so short that every one of them passes within a script
#
# Hypothesis draws one seed for each move and one for the set points. Each then chooses evenly,
# which reaches far more than drawing every choice does; and a failure still shrinks to few moves.

SEEDS = st.integers(0, 2**32 - 1)


def some_setpoints(seed: int) -> Setpoints:
    """Set points that the checks of the settings would let pass."""
    of = Random(seed).choice
    interval_s = of((1.0, 2.0, 5.0))
    # Apart from the rest, so that an alarm more does not choose everything else anew.
    each = Random(seed + 1).choice
    alarms = tuple(
        AlarmSetting(
            name,
            each(YES + NO),
            each((0.0, 2.5, 6.0)),
            each((0.0, 3.0)),
            Priority.HIGH,
            latching=each((False, False, True)),
        )
        for name in AlarmName
    )
    return chosen(
        fitted=Fitted(*(of(YES + NO) for _ in range(6))),
        header=of((HEADER_SCALE, None)),
        stale_after_s=of((3.0, 5.0)),
        settle_s=of((0.0, 3.0)),
        outputs_retry_s=of((1.0, 4.0)),
        cleaning={
            "mode": of((Mode.ON_DEMAND, Mode.ON_DEMAND, Mode.TIMED, Mode.OFF)),
            "on_delay_s": of((0.0, 2.5)),
            "finish_cycle": of((True, False)),
            "max_cycles": of((1, 2, 3)),
            "rest_s": of((1.0, 12.0)),
            "timed_interval_s": of((interval_s, 7.0)),
            "on_bad_reading": of(tuple(OnBadReading)),
            "fallback_delay_s": of((0.0, 4.0)),
            "fallback_interval_s": of((5.0, 8.0)),
            "downtime": of(YES + NO),
            "downtime_spin_down_s": of((0.0, 4.0)),
            "downtime_passes": of((1, 2)),
            "downtime_min_run_s": of((0.0, 6.0)),
        },
        pulsing={
            "kind": of(tuple(OutputKind)),
            "order": of(((1,), (2, 1), (2, 4, 1, 3))),
            "interval_s": interval_s,
            "report_timeout_s": of((1.0, 3.0)),
            "sequencer_cycle_s": of((4.0, 9.0)),
        },
        adjusting=ADJUSTING,
        alarms=alarms,
        limits={"replacement_cycles": of((1, 2)), "low_start_delay_s": of((0.0, 5.0))},
        alarm_rules={
            "seasoning_s": of((0.0, 9.0)),
            "frequent_runs": of((1, 2)),
            "frequent_gap_s": of((5.0, 60.0)),
        },
        maintenance=of(((), UPKEEP)),
        zeroing={"average_s": of((1.0, 3.0)), "blower_off_s": of((0.0, 3.0))},
        air={"header_volume_m3": of((0.03, None))},
        seasoning_h=0.0,
        blower={
            "request": of(tuple(BlowerRequest)),
            "run_on_s": of((0.0, 4.0)),
            "timed_unproved": each((False, False, False, True)),
        },
        signal_validation={
            "jump_pa": of((inf, 250.0, 450.0)),
            "jump_confirm_s": of((0.0, 3.0)),
            "frozen_after_s": of((0.0, 6.0, 12.0, 90.0)),
            "no_dp_after_s": of((0.0, 4.0)),
            "zero_check_after_s": of((0.0, 3.0)),
            "not_zero_pa": of((inf, 40.0)),
        },
        pulse_response={"response_s": of((0.0, 2.0, 10.0)), "torn_after_s": of((0.0, 4.0))},
    )


ADJUSTING = Adjusting(
    low_pa=(700.0, 900.0),
    high_pa=(850.0, 1100.0),
    interval_s=(1.0, 5.0),
    on_time_s=(0.1, 0.2),
    timed_follows=True,
    confirm_within_s=4.0,
)
UPKEEP = (
    MaintenanceSetting("drum", "", every_s=7.0),
    MaintenanceSetting("run", "", every_run_s=4.0, every_pulses=3),
)
YES, NO = (True, True, True), (False,)

# --- what happens; dP lies on, beside and between every threshold of ``driver.BASE``

AT_LIMITS = (25.0, 50.0, 75.0, 135.0, 750.0, 1000.0, 1190.0, 1250.0, 1440.0, 1500.0)
BETWEEN = (0.0, 4.0, 60.0, 100.0, 400.0, 800.0, 999.9, 1100.0, 1200.0, 1300.0, 1460.0, 1600.0)
BAD: tuple[Signal, ...] = (LOST, Measured(nan), Measured(2600.0))
READINGS: tuple[float | Signal, ...] = (*AT_LIMITS, *BETWEEN, *BAD)
HEADER = Measured(600_000.0)
HEADERS: tuple[Signal | None, ...] = (
    HEADER,
    Measured(300_000.0),
    Measured(404_000.0),
    Measured(900_000.0),
    LOST,
    None,
)
IN_ORDER: ContactChanges = {
    "blower_running": True,
    "smoke": False,
    "door_open": False,
    "process_running": True,
    "stop": False,
    "drum_full": False,
}
NOTHING_READ: ContactChanges = {
    "blower_running": None,
    "smoke": None,
    "door_open": None,
    "process_running": None,
    "stop": None,
    "drum_full": None,
}
AT_REST: ContactChanges = {**IN_ORDER, "blower_running": False}
OUT_OF_ORDER: tuple[ContactChanges, ...] = (
    AT_REST,
    {**IN_ORDER, "blower_running": None},
    {**IN_ORDER, "smoke": True},
    {**IN_ORDER, "smoke": None},
    {**IN_ORDER, "door_open": True},
    {**IN_ORDER, "door_open": None},
    {**IN_ORDER, "stop": True},
    {**IN_ORDER, "stop": None},
    {**IN_ORDER, "process_running": False},
    {**IN_ORDER, "process_running": None},
    {**IN_ORDER, "drum_full": True},
    NOTHING_READ,
)
REQUESTS: tuple[tuple[Request, ...], ...] = (
    (*(SelectMode(mode) for mode in Mode), RunBlower(True), RunBlower(False)),
    (SetZero(False), SetZero(True)),
    tuple(PulseValve(valve) for valve in range(6)),
    (*(Acknowledge(name) for name in AlarmName), Acknowledge("none such")),
    (
        *(HandleAlarm(action, name, "x", 5.0) for name in AlarmName for action in AlarmAction),
        HandleAlarm(AlarmAction.SHELVE, "none such"),
    ),
    (
        ChangeSetPoints(high_pa=1100.0),
        ChangeSetPoints(low_pa=800.0, high_pa=900.0, interval_s=3.0),
        ChangeSetPoints(on_time_s=0.2),
        ChangeSetPoints(low_pa=1100.0),
    ),
    (
        RecordFilterChange(),
        RecordFilterChange("", (1,)),
        *(RecordEntry(entry, "x", "run") for entry in Entry),
    ),
)


def polls(rng: Random) -> Move:
    """Polls at one rhythm, with contacts and header as they are or changed, dP all over."""
    few = rng.choice((READINGS, BETWEEN, BAD))
    values: list[float | Signal] = rng.choices(few, k=rng.randint(1, 12))
    if rng.random() < 0.3:
        values.append(rng.uniform(-40.0, 2600.0))
    every_s = rng.choice((0.5, 1.0, 2.0))
    as_they_are: ContactChanges = {}
    changed = rng.choice((IN_ORDER, AT_REST, rng.choice(OUT_OF_ORDER), as_they_are, as_they_are))
    header, change_header = rng.choice(HEADERS), rng.random() < 0.3

    def move(collector: Collector) -> None:
        if change_header:
            collector.header = header
        for dp in values:
            collector.poll(dp, after_s=every_s, **changed)

    return move


def steady(rng: Random) -> Move:
    """Everything in order for a while, or only the blower off, dP as it is."""
    dp, count = rng.choice(READINGS), rng.randint(3, 25)
    changed = rng.choice((IN_ORDER, IN_ORDER, AT_REST))

    def move(collector: Collector) -> None:
        collector.header = HEADER
        collector.hold(dp, count, **changed)

    return move


def trouble(rng: Random) -> Move:
    """Cleaning is under way when something goes wrong, and comes right again."""
    request = SelectMode(rng.choice((Mode.ON_DEMAND, Mode.TIMED)))
    dp, bad = rng.choice((1100.0, 1300.0)), rng.choice((1100.0, 1300.0, LOST))
    changed, header = rng.choice((IN_ORDER, *OUT_OF_ORDER)), rng.choice(HEADERS)
    worse = rng.choice((IN_ORDER, *OUT_OF_ORDER))
    count, reports = rng.randint(1, 12), rng.choice((Outcome.DONE, None))

    def move(collector: Collector) -> None:
        collector.ask(request)
        collector.header = HEADER
        collector.hold(dp, 4, **IN_ORDER)
        collector.outcome = lambda _command: reports
        collector.header = header
        collector.hold(bad, count, **changed)
        collector.hold(bad, 2, **worse)
        collector.outcome = lambda _command: Outcome.DONE
        collector.header = HEADER
        collector.hold(dp, 4, **IN_ORDER)

    return move


def mishap(rng: Random) -> Move:
    """A command is under way and not reported, when something befalls it."""
    dp, befalls = rng.choice((800.0, 1100.0)), rng.choice((turn, polls, late_report))(rng)

    def move(collector: Collector) -> None:
        collector.hold(dp, 1, **IN_ORDER)
        collector.outcome = lambda _command: None
        sent = len(collector.commands)
        for _ in range(12):
            if len(collector.commands) == sent:
                collector.poll(dp)
        befalls(collector)
        collector.outcome = lambda _command: Outcome.DONE

    return move


def zero(rng: Random) -> Move:
    """The zero is taken with the blower off, and the blower may start meanwhile."""
    dp, early = rng.choice((0.0, 4.0, 4.0, 60.0)), rng.random() < 0.3

    def move(collector: Collector) -> None:
        collector.hold(dp, 5, **AT_REST)
        collector.ask(SetZero(blower_off_confirmed=True))
        collector.hold(dp, 5, **(IN_ORDER if early else AT_REST))

    return move


def answers(rng: Random) -> Move:
    """From now on commands end like this; None for reports that do not come."""
    outcome = rng.choice((Outcome.DONE, Outcome.DONE, *Outcome, None))

    def move(collector: Collector) -> None:
        collector.outcome = lambda _command: outcome

    return move


def late_report(rng: Random) -> Move:
    """A report comes of one of the last commands, whether anybody still waits for it or not."""
    back, outcome = rng.randint(1, 4), rng.choice(tuple(Outcome))

    def move(collector: Collector) -> None:
        if len(collector.commands) >= back:
            collector.report(collector.commands[-back][1], outcome)

    return move


def request(rng: Random) -> Move:
    """Somebody asks for something, or for the same again."""
    asked, request_id = rng.choice(rng.choice(REQUESTS)), rng.choice(("a", "b", ""))
    wait_s, by = rng.choice((0.0, 0.0, 2.0, 4.0)), rng.choice(("day shift", "day shift", "x"))

    def move(collector: Collector) -> None:
        if wait_s == 2.0:
            collector.refuse(because(Because.TOO_OLD, age_s=31.0))
        change = collector.ask(asked, request_id).change
        if change is not None:
            collector.wait(wait_s)
            collector.ask(ConfirmChange(change), by=by)

    return move


def seen_to(rng: Random) -> Move:
    """Somebody sees to an alarm that is not normal."""
    which, action = rng.random(), rng.choice((None, None, *AlarmAction))

    def move(collector: Collector) -> None:
        names = [a.name for a in collector.state.alarms if a.state is not AlarmState.NORMAL]
        if names:
            name = names[int(which * len(names))]
            ask = Acknowledge(name) if action is None else HandleAlarm(action, name, "x", 5.0)
            collector.ask(ask)

    return move


def wait(rng: Random) -> Move:
    """Nothing is read for a while, and perhaps the core is not woken either."""
    for_s, late = rng.choice((0.7, 2.0, 6.0, 15.0)), rng.random() < 0.5

    def move(collector: Collector) -> None:
        if late:
            collector.t += for_s
        else:
            collector.wait(for_s)

    return move


def turn(rng: Random) -> Move:
    """A restart, with or without a stop before it and other settings after it; or the journal."""
    what, mode, flag = (
        rng.choice(("restart", "stop", "journal")),
        rng.choice(tuple(Mode)),
        rng.random(),
    )

    def move(collector: Collector) -> None:
        if what == "journal":
            collector.journal(flag < 0.6, "" if flag < 0.6 else "disk full")
            return
        if what == "stop":
            collector.stop()
            collector.hold(1100.0, 2)
        changed = chosen(collector.setpoints, cleaning={"mode": mode})
        collector.restart(settings=changed if flag < 0.3 else None)

    return move


OFTEN = (polls, polls, steady, steady, trouble, trouble, mishap, mishap)
SOMETIMES = (zero, answers, late_report, request, request, seen_to, wait, turn)


def some_move(seed: int) -> Move:
    """One thing that happens."""
    rng = Random(seed)
    return rng.choice(OFTEN + SOMETIMES)(rng)


def setpoints() -> st.SearchStrategy[Setpoints]:
    """Set points of all kinds."""
    return SEEDS.map(some_setpoints)


def scripts(longest: int = 20) -> st.SearchStrategy[Script]:
    """What happens to a collector, in no particular order."""
    return st.lists(SEEDS.map(some_move), min_size=6, max_size=longest).map(tuple)
