"""What becomes of a request: answered always, acted on once."""

from dataclasses import replace
from typing import get_args

import pytest

from core.driver import BASE, Collector, ready
from dustcake.codec import STATE_FORMAT, decode_state, encode_state
from dustcake.core.events import ModeSelected, RequestAnswered
from dustcake.core.inputs import OperatorRequested
from dustcake.core.reasons import Because, because
from dustcake.core.requests.handling import HANDLERS, REMEMBERED
from dustcake.core.requests.kinds import (
    Acknowledge,
    AlarmAction,
    ChangeSetPoints,
    ConfirmChange,
    Entry,
    HandleAlarm,
    Identity,
    Mode,
    PulseValve,
    RecordEntry,
    RecordFilterChange,
    Request,
    RunBlower,
    SelectMode,
    SetZero,
)
from dustcake.core.state import RecordedAnswer


@pytest.mark.parametrize(
    ("request_", "name"),
    [
        (SelectMode(Mode.OFF), "mode"),
        (SetZero(), "zero"),
        (Acknowledge("smoke"), "acknowledge"),
        (RunBlower(True), "blower"),
        (PulseValve(1), "pulse"),
        (HandleAlarm(AlarmAction.IN_SERVICE, "smoke"), "in_service"),
        (RecordFilterChange(), "filter_change"),
        (RecordEntry(Entry.NOTE), "record"),
        (ChangeSetPoints(), "set_points"),
        (ConfirmChange(3), "confirm"),
    ],
)
def test_every_request_is_answered_by_name(request_: Request, name: str) -> None:
    collector = ready()
    answer = collector.ask(request_, "abc", by="panel")
    assert (answer.request_id, answer.request, answer.by) == ("abc", name, "panel")
    # What it was is remembered through a restart, so that the same one is known again.
    stored = decode_state(encode_state(collector.state), STATE_FORMAT)
    assert stored.answers[-1].request == request_


def test_a_mode_is_selected_and_told_once() -> None:
    collector = ready()
    assert collector.ask(SelectMode(Mode.TIMED), by="night shift").accepted
    assert collector.ask(SelectMode(Mode.TIMED)).accepted
    assert collector.state.mode is Mode.TIMED
    assert [(body.mode, body.by) for body in collector.of(ModeSelected)] == [
        (Mode.TIMED, "night shift")
    ]


def test_the_same_request_again_gets_the_same_answer_and_does_nothing() -> None:
    collector = ready()
    first = collector.ask(SelectMode(Mode.OFF), "one")
    collector.ask(SelectMode(Mode.TIMED), "two")
    again = collector.ask(SelectMode(Mode.OFF), "one")
    assert again == first
    assert collector.state.mode is Mode.TIMED


def test_a_refusal_is_remembered_too() -> None:
    collector = ready()
    refused = collector.ask(SetZero(), "z")
    assert not refused.accepted
    collector.hold(0.0, 5)
    assert collector.ask(SetZero(), "z") == refused
    assert not collector.state.zero.under_way


def test_an_id_that_was_that_of_another_request_does_nothing() -> None:
    """A client that numbers nothing must not believe that its second request was done."""
    collector = ready()
    collector.ask(SelectMode(Mode.OFF), "x")
    again = collector.ask(SelectMode(Mode.TIMED), "x")
    assert (again.accepted, again.reason.code) == (False, Because.ID_USED)
    assert collector.state.mode is Mode.OFF


def test_ids_of_two_askers_are_their_own() -> None:
    collector = ready()
    collector.ask(SelectMode(Mode.OFF), "1", by="day shift")
    collector.restart()
    assert collector.ask(SelectMode(Mode.TIMED), "1", by="night shift").accepted
    assert collector.state.mode is Mode.TIMED


def test_an_answer_of_an_older_version_is_kept_to_whoever_asks() -> None:
    collector = ready()
    old = RecordedAnswer("1", False, because(Because.NO_WHY))
    collector.last = replace(collector.last, state=replace(collector.state, answers=(old,)))
    again = collector.ask(SelectMode(Mode.TIMED), "1")
    assert (again.accepted, again.reason.code) == (False, Because.NO_WHY)
    assert collector.state.mode is not Mode.TIMED


def test_answers_are_remembered_through_a_restart() -> None:
    collector = ready()
    collector.ask(SelectMode(Mode.OFF), "one")
    collector.ask(SelectMode(Mode.TIMED), "two")
    collector.restart()
    collector.ask(SelectMode(Mode.OFF), "one")
    assert collector.state.mode is Mode.TIMED


def test_the_memory_of_answers_is_bounded_and_keeps_the_newest() -> None:
    collector = ready()
    for i in range(REMEMBERED + 10):
        collector.ask(SelectMode(Mode.OFF), f"r{i}")
    assert [a.request_id for a in collector.state.answers] == [
        f"r{i}" for i in range(10, REMEMBERED + 10)
    ]


def test_what_is_not_let_in_is_on_record_and_does_nothing() -> None:
    collector = ready()
    before = collector.state
    told = collector.refuse(because(Because.TOO_OLD, age_s=31.0, expiry_s=30.0))
    assert told == RequestAnswered(
        "r1",
        "mode",
        "mqtt:kim",
        False,
        because(Because.TOO_OLD, age_s=31.0, expiry_s=30.0),
        identity=Identity.CLAIMED,
    )
    assert replace(collector.state, next_seq=before.next_seq, quiet=before.quiet) == before


def test_how_far_it_is_known_who_asks_is_on_record() -> None:
    collector = ready()
    for identity in Identity:
        asked = OperatorRequested(collector.now, SelectMode(Mode.OFF), "kim", identity, identity)
        collector.feed(asked)
        assert collector.of(RequestAnswered)[-1].identity is identity


def test_a_request_is_answered_even_while_stopping() -> None:
    collector = Collector(BASE)
    collector.stop()
    collector.ask(SelectMode(Mode.OFF))
    assert len(collector.of(RequestAnswered)) == 1


def test_every_kind_of_request_has_a_handler() -> None:
    assert set(HANDLERS) == set(get_args(Request))
