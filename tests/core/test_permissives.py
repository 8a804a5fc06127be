"""What must hold before a pulse: which lack ends a run, which only withholds its pulses."""

from collections.abc import Callable
from typing import Any

import pytest

from core.driver import (
    ALL_FITTED,
    BASE,
    HEADER_SCALE,
    LOST,
    Collector,
    answering,
    board,
    chosen,
    ready,
    running,
    with_header,
)
from dustcake.core.alarms.names import AlarmName
from dustcake.core.commands import AllValvesOff, FireValve, SetDemand
from dustcake.core.events import CleaningStopped, JournalChanged
from dustcake.core.inputs import Measured, Outcome, Signal
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import Phase

TIMED = {"mode": Mode.TIMED}
UNPROVED = chosen(blower={"timed_unproved": True})
EVERYTHING = chosen(header=HEADER_SCALE, fitted=ALL_FITTED)


def contact(**contacts: bool | None) -> Callable[[Collector], Any]:
    return lambda collector: collector.poll(1100.0, after_s=0.0, **contacts)


def header(pa: float) -> Callable[[Collector], Any]:
    def change(collector: Collector) -> None:
        collector.header = Measured(pa)
        collector.poll(1100.0, after_s=0.0)

    return change


def journal(collector: Collector) -> None:
    collector.journal(False, "disk full")


def outputs(collector: Collector) -> None:
    """The next pulse fails, and so does getting to a proved off."""
    collector.outcome = answering(FireValve=Outcome.FAILED, AllValvesOff=Outcome.FAILED)
    collector.hold(1100.0, 12)


def outputs_at_start(collector: Collector) -> None:
    """The all-off that a start begins with fails."""
    collector.outcome = answering(AllValvesOff=Outcome.FAILED)
    collector.restart()


# (what is missing, how it comes about, the reason shown, ends a run, ends a pulse in flight);
# a reading that is missing has its own stories, in test_held
MISSING = [
    ("no_smoke", contact(smoke=True), Because.SMOKE, True, True),
    ("no_smoke", contact(smoke=None), Because.CONTACT_UNREADABLE, False, False),
    ("no_stop", contact(stop=True), Because.STOP_INPUT, True, True),
    ("no_stop", contact(stop=None), Because.CONTACT_UNREADABLE, False, False),
    ("door_shut", contact(door_open=True), Because.DOOR_OPEN, True, True),
    ("door_shut", contact(door_open=None), Because.CONTACT_UNREADABLE, False, False),
    ("journal_writable", journal, Because.JOURNAL_FAULT, True, True),
    ("outputs_healthy", outputs, Because.OUTPUTS_FAULT, False, None),
    ("header_pressure", header(399_999.0), Because.HEADER_LOW, False, False),
    ("header_pressure", header(800_001.0), Because.HEADER_HIGH, False, False),
    ("blower_running", contact(blower_running=None), Because.BLOWER_UNKNOWN, False, False),
    ("blower_running", contact(blower_running=False), Because.BLOWER_OFF, True, False),
]
CASES = pytest.mark.parametrize(
    ("name", "happens", "because", "ends", "cuts"),
    MISSING,
    ids=[f"{case[0]}-{case[2]}" for case in MISSING],
)
Happens = Callable[[Collector], Any]


@pytest.mark.parametrize(
    ("name", "happens", "because"),
    [
        *(case[:3] for case in MISSING if case[0] != "outputs_healthy"),
        ("outputs_healthy", outputs_at_start, Because.OUTPUTS_FAULT),
    ],
)
def test_missing_before_a_run(name: str, happens: Happens, because: Because) -> None:
    """Any lack keeps a run from starting, and the reason is shown."""
    collector = running(EVERYTHING)
    assert collector.met(name) == "yes"
    happens(collector)
    collector.hold(1100.0, 8)
    assert collector.met(name) == "no"
    assert (collector.because, collector.pulses) == (because, [])
    assert not collector.is_cleaning()


@pytest.mark.parametrize("signal", [LOST, 3000.0])
def test_no_reading_before_a_run(signal: float | Signal) -> None:
    collector = running(EVERYTHING).hold(signal, 8)
    assert collector.met("valid_reading") == "no"
    assert (collector.because, collector.pulses) == (Because.BAD_READING_WAIT, [])
    assert not collector.is_cleaning()


@CASES
def test_missing_in_a_run(
    name: str, happens: Happens, because: Because, ends: bool, cuts: bool | None
) -> None:
    collector = running(EVERYTHING).hold(1100.0, 15)
    assert len(collector.pulses) == 2
    happens(collector)
    assert collector.is_cleaning() is not ends
    assert collector.because is because
    assert [body.reason.code for body in collector.of(CleaningStopped)] == [because] * ends
    if not ends:
        assert collector.last.state.decision.phase is Phase.HELD
        collector.hold(1100.0, 100)
        assert len(collector.pulses) == 2


@CASES
def test_missing_while_a_pulse_is_in_flight(
    name: str, happens: Happens, because: Because, ends: bool, cuts: bool | None
) -> None:
    """What makes a pulse dangerous ends it: every valve off, in the very step that learns of it."""
    if cuts is None:
        cuts, happens = True, contact(smoke=True, door_open=True)
    collector = running(EVERYTHING)
    collector.outcome = answering(FireValve=None, AllValvesOff=None)
    collector.poll(1100.0)
    offs = len(collector.sent(AllValvesOff))
    happens(collector)
    assert len(collector.sent(AllValvesOff)) == offs + cuts
    if cuts:
        assert isinstance(collector.last.commands[0], AllValvesOff)
        assert not collector.state.outputs.proved


def test_an_in_flight_pulse_is_ended_once_even_if_its_report_stays_out() -> None:
    """All valves being proved off, nothing is gained by commanding it again and again."""
    collector = running(chosen(pulsing={"report_timeout_s": 30.0}))
    collector.outcome = answering(FireValve=None)
    collector.poll(1100.0)
    offs = len(collector.sent(AllValvesOff))
    collector.hold(1100.0, 20, smoke=True)
    assert len(collector.sent(AllValvesOff)) == offs + 1
    collector.outcome = answering()
    collector.hold(1100.0, 15)  # given up at last: a fault, and off again
    assert len(collector.sent(AllValvesOff)) == offs + 2


def test_no_pulse_follows_the_smoke_clearing_while_the_first_is_still_in_flight() -> None:
    collector = running(chosen(pulsing={"report_timeout_s": 30.0}))
    collector.outcome = answering(FireValve=None)
    collector.poll(1100.0)
    collector.hold(1100.0, 5, smoke=True).hold(1100.0, 15, smoke=False)
    assert len(collector.sent(FireValve)) == 1


@pytest.mark.parametrize("contacts", [{"smoke": True}, {"stop": True}, {"door_open": True}])
def test_the_demand_contact_is_opened_as_well(contacts: dict[str, bool | None]) -> None:
    collector = running(board()).hold(1100.0, 5)
    collector.hold(1100.0, 1, **contacts)
    assert [command.closed for _, command in collector.sent(SetDemand)] == [True, False]


def test_a_lack_that_ends_runs_is_not_hidden_by_one_that_only_holds() -> None:
    collector = running(EVERYTHING).hold(1100.0, 5)
    collector.header = Measured(100_000.0)
    collector.hold(1100.0, 5)
    assert collector.last.state.decision.phase is Phase.HELD
    collector.journal(False, "disk full")
    assert not collector.is_cleaning()
    assert collector.because is Because.JOURNAL_FAULT


def test_a_low_header_withholds_and_the_run_goes_on_when_it_has_recovered() -> None:
    collector = ready(with_header()).hold(1100.0, 5)
    collector.header = Measured(390_000.0)
    collector.hold(1100.0, 30)
    assert (len(collector.pulses), collector.is_cleaning()) == (1, True)
    collector.header = Measured(400_000.0)
    collector.hold(1100.0, 1)
    assert len(collector.pulses) == 2
    assert collector.of(CleaningStopped) == []


@pytest.mark.parametrize("signal", [LOST, Measured(float("nan")), None])
def test_an_unknown_header_pressure_does_not_withhold_pulses(signal: Any) -> None:
    """A weak pulse harms nothing; filters that are not cleaned let fume escape. An alarm tells."""
    collector = ready(with_header())
    collector.header = signal
    collector.hold(1100.0, 15)
    assert len(collector.pulses) == 2
    expected = [] if signal is None else ["unacknowledged"]
    changes = collector.alarm_changes(AlarmName.HEADER_TRANSMITTER_FAULT)
    assert [state for _, state in changes] == expected


@pytest.mark.parametrize("mode", [Mode.ON_DEMAND, Mode.TIMED])
def test_nothing_is_pulsed_before_the_settling_time(mode: Mode) -> None:
    setpoints = chosen(settle_s=30.0, cleaning={"mode": mode})
    collector = Collector(setpoints).hold(1100.0, 29)
    assert collector.because is Because.SETTLING
    assert (collector.pulses, collector.last.state.decision.phase) == ([], Phase.BLOCKED)
    collector.hold(1100.0, 1)
    assert [t for t, _ in collector.pulses] == [30.0]


def test_the_end_of_settling_is_woken_for() -> None:
    collector = Collector(chosen(settle_s=3.0, stale_after_s=60.0, pulsing={"interval_s": 1.0}))
    collector.poll(1100.0)
    collector.wait(10.0)
    assert collector.pulses[0][0] == 3.0


def test_contacts_that_are_not_fitted_are_not_missed() -> None:
    collector = ready()
    for name in ("no_smoke", "no_stop", "door_shut", "header_pressure"):
        assert collector.met(name) == "not_fitted"
    collector.hold(1100.0, 5)
    assert len(collector.pulses) == 1


@pytest.mark.parametrize(
    ("why", "setpoints", "dp", "met"),
    [
        ("dP proves flow", BASE, 800.0, "yes"),
        ("dP proves none", BASE, 0.0, "no"),
        ("a lost one proves nothing", BASE, LOST, "no"),
        ("on demand it is not waived", UNPROVED, 0.0, "no"),
        ("waived in timed mode", chosen(UNPROVED, cleaning=TIMED), 0.0, "not_fitted"),
        ("and lost there", chosen(UNPROVED, cleaning=TIMED), LOST, "not_fitted"),
        ("proved all the same", chosen(UNPROVED, cleaning=TIMED), 800.0, "yes"),
    ],
)
def test_the_blower_without_a_contact(
    why: str, setpoints: Setpoints, dp: float | Signal, met: str
) -> None:
    collector = ready(setpoints).hold(dp, 2)
    assert collector.met("blower_running") == met, why


@pytest.mark.parametrize(("setpoints", "count"), [(BASE, 9), (EVERYTHING, 9)])
def test_every_permissive_is_shown(setpoints: Setpoints, count: int) -> None:
    permissives = ready(setpoints).last.state.decision.permissives
    assert len({p.name for p in permissives}) == count
    for permissive in permissives:
        assert (permissive.reason is not None) is (permissive.met == "no")


def test_a_journal_that_recovers_gives_its_permissive_back() -> None:
    collector = ready()
    collector.journal(False, "disk full")
    collector.journal(False, "still full")
    collector.hold(1100.0, 5)
    assert collector.pulses == []
    collector.journal(True)
    collector.journal(True)
    collector.hold(1100.0, 2)
    assert len(collector.pulses) == 1
    assert [body.writable for body in collector.of(JournalChanged)] == [False, True]
