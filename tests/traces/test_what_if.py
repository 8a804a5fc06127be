"""A replay says until when it is an answer: up to the first command the recording did not have."""

import pytest

from core.driver import chosen
from dustcake.core.commands import AllValvesOff, FireValve, SetDemand
from dustcake.core.events import PulseFired
from dustcake.core.inputs import Contacts, Measured, PollCompleted, Stamp
from dustcake_lab.replay.replay import Replay
from dustcake_lab.replay.what_if import CommandLog, first_difference
from dustcake_lab.traces.columns import Recorded, RecordedPulse
from traces.recorded import Bench, table


def commanded(*pulses_s: float, demand: tuple[tuple[float, bool], ...] = ()) -> CommandLog:
    heard = CommandLog()
    heard(Stamp(0.0, None), AllValvesOff(0))
    for n, at_s in enumerate(pulses_s):
        heard(Stamp(at_s, None), FireValve(n, n % 4 + 1, 0.1))
    for at_s, closed in demand:
        heard(Stamp(at_s, None), SetDemand(0, closed))
    return heard


def told(*pulses_s: float) -> Recorded:
    return Recorded(True, [RecordedPulse(at_s - 1.0, at_s, 3) for at_s in pulses_s])


@pytest.mark.parametrize(
    ("recorded", "here", "at_s"),
    [
        (told(10, 25, 40), commanded(10, 25, 40), None),
        (told(10, 25, 40), commanded(12, 24, 39), None),
        (told(10, 25, 40), commanded(10, 20, 30), 20.0),
        (told(10, 25, 40), commanded(10, 35, 60), 25.0),
        (told(10, 25), commanded(10, 25, 40), 40.0),
        (told(10, 25, 40), commanded(10, 25), 40.0),
        (told(), commanded(), None),
        (told(10), commanded(), 10.0),
        (Recorded(), commanded(33, 48), 33.0),
        (Recorded(), commanded(demand=((7.0, False), (21.0, True))), 21.0),
        (Recorded(), commanded(), None),
        (Recorded(True, [RecordedPulse(0, 60, None, 3)]), commanded(5, 20, 35), None),
        (Recorded(True, [RecordedPulse(0, 60, None, 3)]), commanded(5, 20, 35, 50), 50.0),
    ],
)
def test_the_first_pulse_that_is_not_on_both_sides(
    recorded: Recorded, here: CommandLog, at_s: float | None
) -> None:
    differs = first_difference(recorded, here)
    assert (differs and differs.at_s) == at_s


CLEANED = Recorded(cleaning=[(0.0, False), (50.0, True), (90.0, False)])


@pytest.mark.parametrize(
    ("demand", "expected"),
    [
        (((51.0, True), (91.0, False)), None),
        (((30.0, True), (91.0, False)), 30.0),
        (((51.0, True), (120.0, False)), 90.0),
        (((51.0, True),), 90.0),
        (((51.0, True), (91.0, False), (300.0, True)), 300.0),
    ],
)
def test_the_demand_contact_against_recorded_cleaning(
    demand: tuple[tuple[float, bool], ...], expected: float | None
) -> None:
    differs = first_difference(CLEANED, commanded(demand=demand))
    assert (differs and differs.at_s) == expected


def test_the_summary_says_until_when(bench: Bench) -> None:
    rows = [f"{t},{1100 if t >= 5 else 900},{1 if t in (15, 30) else ''}" for t in range(40)]
    replayed = bench.replay(table("time,dp_pa,pulse_valve", *rows))
    assert [each["t_s"] for each in replayed.of("pulse")] == [15.0, 30.0]
    assert replayed.summary["holds_until_s"] is None
    assert (replayed.summary["while_it_holds"], replayed.summary["beyond"]) == (None, None)
    assert "the answers hold to the end" in replayed.summary["notes"][-1]
    rows = [f"{t},{1100 if t >= 5 else 900},{1 if t in (15,) else ''}" for t in range(40)]
    replayed = bench.replay(table("time,dp_pa,pulse_valve", *rows))
    assert replayed.summary["holds_until_s"] == 30.0
    assert replayed.summary["differs"].endswith("that was not fired then")
    while_it_holds, beyond = replayed.summary["while_it_holds"], replayed.summary["beyond"]
    assert (while_it_holds["cleaning_cycles"], beyond["cleaning_cycles"]) == (1, 0)
    assert (while_it_holds["pulses_by_valve"], beyond["pulses_by_valve"]) == ({"2": 1}, {"4": 1})
    assert replayed.summary["pulses"] == 2, "the whole of it"
    assert "`dustcake study`" in replayed.summary["notes"][-1]


@pytest.mark.parametrize(
    ("recorded", "looked_at"),
    [(None, True), (told(), False), (told(10), False), (told(11), True), (told(12), False)],
)
def test_only_a_pulse_that_the_recording_had_just_then_is_judged_by_what_dp_does(
    recorded: Recorded | None, looked_at: bool
) -> None:
    setpoints = chosen(pulse_response={"response_s": 5.0}, settle_s=0.0)
    polls = [PollCompleted(Stamp(float(t), None), Measured(1100.0), Contacts()) for t in range(20)]
    replay = Replay(setpoints, recorded=recorded)
    fired = [e.at.mono_s for e in replay.events(polls) if isinstance(e.body, PulseFired)]
    assert fired == [10.0]
    assert (replay.state.pulse_response.last_pa is not None) is looked_at
