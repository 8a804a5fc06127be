"""Upkeep in the settings: its defaults, and what is no upkeep."""

import pytest

from dustcake.settings.monitoring import DEFAULT_UPKEEP
from dustcake.settings.setpoints import to_setpoints
from settings.files import collector_of, file_text, only_problem

DEMAND = '[collector.outputs]\nbus = "io"\nkind = "demand_contact"\ncoils = [7]\n'


def upkeep(*lines: str) -> str:
    """A file with one table of upkeep for each of ``lines``."""
    tables = "".join(f"\n[[collector.upkeep]]\n{each}\n" for each in lines)
    return file_text(tail=tables)


def test_left_out_there_are_the_usual_ones() -> None:
    tasks = to_setpoints(collector_of()).upkeep
    assert [task.name for task in tasks] == ["daily_check", "drum", "regulator_bowl", "snubber"]
    assert tasks[0].every_s == 86_400.0
    assert tasks[1].every_run_s == 40.0 * 3600
    assert all(task.text for task in tasks)
    assert len(DEFAULT_UPKEEP) == len(tasks)


def test_none_at_all() -> None:
    assert to_setpoints(collector_of("upkeep = []")).upkeep == ()


def test_who_edited_it_and_how_long_new_filters_are_new() -> None:
    setpoints = to_setpoints(collector_of('edited_by = "night shift"\nalarms.seasoning_h = 2'))
    assert setpoints.edited_by == "night shift"
    assert setpoints.alarm_rules.seasoning_s == 7200.0
    assert to_setpoints(collector_of()).edited_by == ""


TEXT = 'text = "look"\n'


@pytest.mark.parametrize(
    ("text", "setting", "allowed"),
    [
        (upkeep('name = "a"\n' + TEXT), "upkeep[a]", "one or more of every_run_h"),
        (
            upkeep(*['name = "a"\nevery_days = 1\n' + TEXT] * 2),
            "upkeep[a].name",
            "a name no other upkeep has",
        ),
        (
            file_text(
                "pulsing.sequencer_cycle_s = 80",
                outputs=DEMAND,
                tail='\n[[collector.upkeep]]\nname = "a"\nevery_pulses = 5\n' + TEXT,
            ),
            "upkeep[a].every_pulses",
            "another interval, where a sequencer board pulses",
        ),
    ],
)
def test_what_is_no_upkeep(text: str, setting: str, allowed: str) -> None:
    problem = only_problem(text)
    assert problem.setting == f"collector[west].{setting}"
    assert allowed in problem.allowed


@pytest.mark.parametrize(
    "line", ["every_days = 0", "every_pulses = 1.5", 'every_run_h = "40"', "every_week = 1"]
)
def test_an_interval_that_is_none(line: str) -> None:
    problem = only_problem(upkeep(f'name = "a"\n{TEXT}{line}'))
    assert line.split(" ")[0] in problem.setting


def test_a_number_in_its_place_is_refused_in_words() -> None:
    problem = only_problem(file_text("upkeep = 0"))
    assert problem.setting == "collector[west].upkeep"
    assert problem.allowed == "an array of tables"
