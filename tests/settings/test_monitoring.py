"""Air, filter life and upkeep: defaults, units on their way into the core, and words."""

import pytest

from dustcake.core.setpoints import Air
from dustcake.settings.monitoring import DEFAULT_UPKEEP
from dustcake.settings.setpoints import to_setpoints
from dustcake.settings.summary import summary
from settings.files import collector_of, file_text, only_problem, problems_in, settings_of

HEADER = 'header = { bus = "io", register = 2, kind = "current", span = ["0 bar", "10 bar"] }\n'
BOARD = """
[collector.outputs]
bus = "io"
kind = "demand_contact"
coils = [7]
"""


def test_defaults_of_air_are_those_of_the_core() -> None:
    setpoints = to_setpoints(collector_of())
    assert setpoints.air == Air()
    assert setpoints.seasoning_h == 40.0


def test_litres_become_cubic_metres_and_the_reference_pascals() -> None:
    lines = (
        'air = { header_volume_l = 30, rated_pulse_l = 25, reference = "100 kPa", '
        'energy_kwh_per_m3 = 0.1, price_per_kwh = 0.3, currency = "EUR" }\n'
        "filter_life.seasoning_h = 12\n"
    )
    setpoints = to_setpoints(collector_of(lines))
    assert setpoints.air == Air(0.03, 0.025, 100_000.0, 0.1, 0.3, "EUR")
    assert setpoints.seasoning_h == 12.0


@pytest.mark.parametrize(
    ("line", "setting"),
    [
        ("air.header_volume_l = 0", "air.header_volume_l"),
        ("air.rated_pulse_l = -1", "air.rated_pulse_l"),
        ('air.reference = "1 atm"', "air.reference"),
        ('air.currency = "euro"', "air.currency"),
        ("filter_life.seasoning_h = -1", "filter_life.seasoning_h"),
    ],
)
def test_mistakes_in_air_and_filter_life_are_named(line: str, setting: str) -> None:
    (named,) = problems_in(file_text(line))
    assert named.endswith(setting)


def said(lines: str = "", **parts: str) -> str:
    return "\n".join(each.text for each in summary(settings_of(lines, **parts)))


def test_how_air_is_counted_is_said() -> None:
    assert "air of a pulse as rated: 40 L of free air (20 C, 101.325 kPa)" in said()
    assert "by the fall of header pressure in 30 L" in said(HEADER + "air.header_volume_l = 30\n")
    assert "air of a pulse as rated" in said("air.header_volume_l = 30\n")
    assert "not counted" in said("pulsing.sequencer_cycle_s = 60\n", outputs=BOARD)


def upkeep(*lines: str) -> str:
    """A file with one table of upkeep for each of ``lines``."""
    tables = "".join(f"\n[[collector.upkeep]]\n{each}\n" for each in lines)
    return file_text(tail=tables)


def test_left_out_there_is_the_usual_upkeep() -> None:
    tasks = to_setpoints(collector_of()).maintenance
    assert [task.name for task in tasks] == ["daily_check", "drum", "regulator_bowl", "snubber"]
    assert tasks[0].every_s == 86_400.0
    assert tasks[1].every_run_s == 40.0 * 3600
    assert all(task.text for task in tasks)
    assert len(DEFAULT_UPKEEP) == len(tasks)


def test_no_upkeep_at_all() -> None:
    assert to_setpoints(collector_of("upkeep = []")).maintenance == ()


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
                outputs=BOARD,
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
