"""Limits of what may be changed by request."""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.core.requests.kinds import SetPoint
from dustcake.settings.cleaning import Requests
from dustcake.settings.errors import labels_of
from dustcake.settings.rules import cross_problems
from dustcake.settings.setpoints import to_setpoints
from dustcake.settings.summary import summary
from dustcake.units import Pressure, PressureUnit
from examples import examples
from settings.files import (
    BLOWER_CONTACT,
    OUTPUTS,
    collector_of,
    file_text,
    only_problem,
    settings_of,
)

INCH = 249.08891
DEMAND = (
    '[collector.outputs]\nbus = "io"\nkind = "demand_contact"\ncoils = [7]\n'
    "[collector.pulsing]\nsequencer_cycle_s = 60\n"
)
WATCHDOG = """
[collector.outputs.watchdog]
register = 101
timeout_s = {}
s_per_count = 0.01
"""


def test_limits_left_out_are_drawn_around_the_file() -> None:
    adjusting = to_setpoints(collector_of()).adjusting
    assert adjusting.low_pa == pytest.approx((2.25 * INCH, 3.75 * INCH))
    assert adjusting.high_pa == pytest.approx((3 * INCH, 5 * INCH))
    assert adjusting.high_pa is not None
    assert adjusting.high_pa[1] < 5 * INCH, "below filter replacement"
    assert adjusting.interval_s == (7.5, 30.0)
    assert adjusting.on_time_s == pytest.approx((0.1125, 0.1875))
    assert adjusting.timed_follows
    assert adjusting.confirm_within_s == 60.0


def test_limits_as_they_are_chosen() -> None:
    adjusting = to_setpoints(
        collector_of(
            'requests.low = ["2 inH2O", "3.5 inH2O"]\n'
            'requests.high = ["3.6 inH2O", "4.4 inH2O"]\n'
            "requests.interval_s = [12, 20]\nrequests.on_time_s = [0.1, 0.2]\n"
            "requests.confirm_within_s = 30\ncleaning.timed_interval_s = 25"
        )
    ).adjusting
    assert adjusting.low_pa == pytest.approx((2 * INCH, 3.5 * INCH))
    assert adjusting.high_pa == pytest.approx((3.6 * INCH, 4.4 * INCH))
    assert (adjusting.interval_s, adjusting.on_time_s) == ((12, 20), (0.1, 0.2))
    assert (adjusting.confirm_within_s, adjusting.timed_follows) == (30, False)


def test_the_other_settings_narrow_them() -> None:
    lines = "cleaning.timed_interval_s = 20\ncleaning.fallback_interval_s = 18\n"
    adjusting = to_setpoints(collector_of(lines, outputs=OUTPUTS + WATCHDOG.format(1.16))).adjusting
    assert adjusting.interval_s == (7.5, 18.0)
    assert adjusting.on_time_s == pytest.approx((0.1125, 0.16))


def test_a_sequencer_board_pulses_by_settings_of_its_own() -> None:
    adjusting = to_setpoints(collector_of(outputs=DEMAND)).adjusting
    assert adjusting.low_pa is not None
    assert (adjusting.interval_s, adjusting.on_time_s) == (None, None)


def test_none_at_all() -> None:
    adjusting = to_setpoints(collector_of("requests.set_points = false")).adjusting
    assert {getattr(adjusting, point) for point in SetPoint} == {None}
    said = [each.text for each in summary(settings_of("requests.set_points = false"))]
    assert "set points are changed in this file only" in said


def test_what_the_module_can_time() -> None:
    counts = "one_shot_register = 30\none_shot_ms_per_count = 10\n"
    assert to_setpoints(collector_of(outputs=OUTPUTS + counts)).adjusting.on_time_step_s == 0.01
    assert to_setpoints(collector_of()).adjusting.on_time_step_s == inf


def test_they_are_said() -> None:
    said = [each.text for each in summary(settings_of())]
    assert (
        "by request, confirmed within 60 s: low set point 2.25 inH2O (560 Pa) to 3.75 inH2O "
        "(934 Pa), high set point 3.00 inH2O (747 Pa) to 5.00 inH2O (1245 Pa), interval 7.5 s to "
        "30 s, on-time 0.1125 s to 0.1875 s"
    ) in said


@pytest.mark.parametrize(
    ("lines", "setting", "allowed"),
    [
        ('requests.low = ["3.1 inH2O", "3.5 inH2O"]', "low", "limits with cleaning.low"),
        ('requests.low = ["3.5 inH2O", "2.5 inH2O"]', "low", "limits with cleaning.low"),
        ('requests.high = ["3.5 inH2O", "5 inH2O"]', "high", "limits from"),
        ('requests.low = ["0.3 inH2O", "3.5 inH2O"]', "low", "limits from"),
        ('requests.low = ["2.9 inH2O", "4.9 inH2O"]', "low", "limits from"),
        ("requests.interval_s = [16, 20]", "interval_s", "limits with pulsing.interval_s"),
        ("requests.interval_s = [10, 61]", "interval_s", "limits from 1 s to 60 s"),
        ("requests.on_time_s = [0.2, 0.3]", "on_time_s", "limits with pulsing.on_time_s"),
    ],
)
def test_limits_that_cannot_be(lines: str, setting: str, allowed: str) -> None:
    problem = only_problem(file_text(lines))
    assert problem.setting == f"collector[west].requests.{setting}"
    assert problem.allowed.startswith(allowed)


def test_a_pulse_ends_before_the_modules_watchdog() -> None:
    outputs = OUTPUTS + WATCHDOG.format(1.2)
    problem = only_problem(file_text("requests.on_time_s = [0.1, 0.3]", outputs=outputs))
    assert problem.allowed.startswith("limits from 0.05 s to 0.2 s")


def test_a_mistake_in_a_set_point_is_told_once() -> None:
    lines = 'requests.high = ["3.5 inH2O", "5.5 inH2O"]\ncleaning.high = "5.2 inH2O"'
    assert only_problem(file_text(lines)).setting == "collector[west].cleaning.high"


FILES = st.sampled_from(
    [
        ("", OUTPUTS),
        (BLOWER_CONTACT, OUTPUTS),
        ('alarms.deadband = "0.4 inH2O"\nalarms.low = "2 inH2O"', OUTPUTS),
        ('zeroing.limit = "2.6 inH2O"', OUTPUTS),
        ("cleaning.timed_interval_s = 20", OUTPUTS + WATCHDOG.format(1.16)),
        ('cleaning.low = "500 Pa"\ncleaning.high = "501 Pa"', OUTPUTS),
        (
            'requests.low = ["2.4 inH2O", "4.4 inH2O"]\nrequests.high = ["2.5 inH2O", "4.9 inH2O"]',
            OUTPUTS,
        ),
    ]
)


@examples(80)
@given(FILES, st.lists(st.sampled_from((0.0, 0.02, 0.5, 0.98, 1.0)), min_size=4, max_size=4))
def test_whatever_may_be_asked_for_would_pass_as_a_settings_file(
    file: tuple[str, str], where: list[float]
) -> None:
    """The core compares low with high alone: the limits must hold every other rule."""
    collector = collector_of(file[0], outputs=file[1])
    adjusting = to_setpoints(collector).adjusting
    values = {}
    for point, share in zip(SetPoint, where, strict=True):
        least, most = getattr(adjusting, point)
        values[point] = min(max(least + share * (most - least), least), most)
    if not values[SetPoint.LOW] < values[SetPoint.HIGH]:
        return
    cleaning = collector.cleaning.model_copy(
        update={name: Pressure(values[p], PressureUnit.PA) for name, p in PRESSURES.items()}
    )
    pulsing = collector.pulsing.model_copy(
        update={p.value: values[p] for p in (SetPoint.INTERVAL, SetPoint.ON_TIME)}
    )
    asked = Requests(set_points=False)
    changed = collector.model_copy(
        update={"cleaning": cleaning, "pulsing": pulsing, "requests": asked}
    )
    settings = settings_of().model_copy(update={"collectors": (changed,)})
    assert list(cross_problems(settings, LABELS)) == []


LABELS = labels_of({"bus": [{"name": "io"}], "collector": [{"name": "west"}]})
PRESSURES = {"low": SetPoint.LOW, "high": SetPoint.HIGH}
