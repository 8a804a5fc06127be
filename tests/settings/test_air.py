"""The tables for air and filter life: defaults, units on their way into the core, and words."""

import pytest

from dustcake.core.setpoints import Air
from dustcake.settings.setpoints import to_setpoints
from dustcake.settings.summary import summary
from settings.files import collector_of, file_text, problems_in, settings_of

HEADER = 'header = { bus = "io", register = 2, kind = "current", span = ["0 bar", "10 bar"] }\n'
BOARD = """
[collector.outputs]
bus = "io"
kind = "demand_contact"
coils = [0]
"""


def test_defaults_are_those_of_the_core() -> None:
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
def test_mistakes_are_named(line: str, setting: str) -> None:
    (named,) = problems_in(file_text(line))
    assert named.endswith(setting)


def said(lines: str = "", **parts: str) -> str:
    return "\n".join(each.text for each in summary(settings_of(lines, **parts)))


def test_how_air_is_counted_is_said() -> None:
    assert "air of a pulse as rated: 40 L of free air (20 C, 101.325 kPa)" in said()
    assert "by the fall of header pressure in 30 L" in said(HEADER + "air.header_volume_l = 30\n")
    assert "air of a pulse as rated" in said("air.header_volume_l = 30\n")
    assert "not counted" in said("pulsing.sequencer_cycle_s = 60\n", outputs=BOARD)
