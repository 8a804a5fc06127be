"""A study of a collector whose sequencer board has its interval and its on-time to itself."""

from dataclasses import replace

import pytest

from core.driver import board
from dustcake.core.requests.kinds import Mode
from dustcake_lab.study.candidates import Candidate, grid, present
from dustcake_lab.study.jobs import Plan
from dustcake_lab.study.loop import RowModel, StudyLoop
from dustcake_lab.study.recommendation import recommended
from dustcake_lab.study.results import as_json
from dustcake_lab.study.study import search, study
from fit.test_study import PRICES, collector

BOARD = board(
    fitted={"blower_running": True},
    pulsing={"order": (1, 2, 3, 4), "sequencer_cycle_s": 60.0},
    limits={"low_pa": 75.0},
)
PLAN = Plan(days=1.0, draws=2, most_dp_pa=1100.0)


def test_only_what_the_settings_own_is_varied() -> None:
    today = present(BOARD)
    assert (today.interval_s, today.on_time_s) == (None, None)
    tried = list(grid(BOARD, 605.0, 1190.0, 5.0))
    assert 80 <= len(tried) <= 120
    assert {(each.interval_s, each.on_time_s) for each in tried} == {(None, None)}
    assert [each for each in tried if each.mode is Mode.TIMED] == [
        Candidate(Mode.TIMED, None, None)
    ]
    for each in tried:
        assert each.applied(BOARD).pulsing == BOARD.pulsing


def test_timed_keeps_the_contact_closed() -> None:
    """A pulse every 15 s: four rows in a cycle of a minute."""
    settings = Candidate(Mode.TIMED, None, None).applied(BOARD)
    model = RowModel(4, 0.0225, 600.0, 0.6, 0.0)
    lived = StudyLoop(model, settings, [1.0] * 24, [1.0] * 24, 1).run(1.0, 10**9)
    assert lived.pulses == pytest.approx(86_400 / 15, rel=0.01)


def test_nothing_of_the_board_is_told_as_a_setting() -> None:
    tried = (Candidate(Mode.ON_DEMAND, 700.0, 850.0), Candidate(Mode.TIMED, None, None))
    done = study(collector(), BOARD, PRICES, PLAN, tried)
    made = recommended(done)
    assert made.best is not None
    told = as_json(done, made)
    assert told["today"]["interval_s"] is None
    assert told["recommended"]["on_time_s"] is None
    assert set(told["ranges"]) <= {"low_pa", "high_pa"}
    first, text = made.text[0], " ".join(made.text)
    assert "interval" not in first
    assert "on-time" not in first
    assert "A sequencer board has its interval and its on-time to itself" in text


def test_a_search_leaves_the_board_alone() -> None:
    found = search(collector(), BOARD, PRICES, replace(PLAN, days=0.5), 50)
    assert {(each.interval_s, each.on_time_s) for each in found.candidates} == {(None, None)}
    assert len(found.candidates) > 10
