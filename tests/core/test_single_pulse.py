"""One pulse that a person asks for: what it needs, what it leaves alone, what is seen of it."""

from collections.abc import Callable

import pytest

from core.driver import BASE, Collector, answering, board, ready, running, with_header
from dustcake.core.commands import AllValvesOff, FireValve
from dustcake.core.events import PulseFired
from dustcake.core.inputs import Measured
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode, PulseValve, SelectMode, SetZero


def asked(collector: Collector, valve: int = 3) -> Because:
    return collector.ask(PulseValve(valve), by="fitter").reason.code


def test_the_valve_that_was_asked_for_fires_once_whatever_the_mode() -> None:
    collector = ready()
    collector.ask(SelectMode(Mode.OFF))
    assert asked(collector) is Because.PULSE_STARTED
    collector.hold(500.0, 30)
    assert [body.valve for body in collector.of(PulseFired)] == [3]
    assert collector.state.pulsing.counts == (0, 0, 1, 0)


def test_it_leaves_the_order_of_the_rows_as_it_is_and_the_next_run_its_interval() -> None:
    collector = ready()
    asked(collector)
    begun_s = collector.t
    collector.hold(1100.0, 25)
    assert [valve for _, valve in collector.pulses] == [3, 2, 4]
    assert collector.sent(FireValve)[1][0] >= begun_s + BASE.pulsing.interval_s


def door(collector: Collector) -> None:
    collector.poll(500.0, door_open=True)


def zeroing(collector: Collector) -> None:
    collector.hold(0.0, 200, blower_running=False)
    collector.ask(SetZero())


def cleaning(collector: Collector) -> None:
    collector.hold(1100.0, 8)


def again(collector: Collector) -> None:
    collector.hold(500.0, 8)
    asked(collector, 1)
    collector.poll(500.0)


def stopping(collector: Collector) -> None:
    collector.stop()


@pytest.mark.parametrize(
    ("before", "refusal"),
    [
        (door, Because.DOOR_OPEN),
        (zeroing, Because.PULSE_WHILE_ZEROING),
        (cleaning, Because.PULSE_WHILE_CLEANING),
        (again, Because.PULSE_TOO_SOON),
        (stopping, Because.STOPPING),
    ],
)
def test_it_is_refused(before: Callable[[Collector], None], refusal: Because) -> None:
    collector = running()
    before(collector)
    fired = len(collector.sent(FireValve))
    assert asked(collector) is refusal
    assert len(collector.sent(FireValve)) == fired


def test_a_valve_that_does_not_exist_is_refused() -> None:
    assert asked(ready(), 5) is Because.NO_SUCH_VALVE
    assert asked(ready(), 0) is Because.NO_SUCH_VALVE


def test_a_sequencer_board_chooses_its_valves_itself() -> None:
    assert asked(ready(board()), 1) is Because.PULSE_BY_SEQUENCER


def test_contacts_that_have_gone_stale_refuse_it() -> None:
    collector = running()
    collector.wait(BASE.stale_after_s + 1.0)
    assert asked(collector) is Because.CONTACT_UNREADABLE


def test_a_door_that_opens_meanwhile_ends_it() -> None:
    collector = running()
    collector.outcome = answering(FireValve=None)
    asked(collector)
    collector.poll(500.0, door_open=True)
    assert collector.sent(AllValvesOff)[-1][0] == collector.t


def test_the_dip_of_the_header_is_seen() -> None:
    collector = ready(with_header(pulse_response={"response_s": 5.0}))
    collector.hold(0.0, 15)
    asked(collector)
    collector.header = Measured(480_000.0)
    collector.poll(0.0)
    collector.header = Measured(600_000.0)
    collector.hold(0.0, 20)
    assert collector.state.pulse_response.valves[2].dip == pytest.approx(0.2)
