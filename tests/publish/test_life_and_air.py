"""Filter life and air, as plant SCADA and people are told of them."""

import json
from dataclasses import replace

import pytest

from core.driver import Collector, board, chosen, ready
from dustcake.core.air.state import AirUse, Amount
from dustcake.core.events import AirUsed, Event, FilterLifeChanged
from dustcake.core.filter_life.forecast import Forecast, Outlook
from dustcake.core.filter_life.state import FilterLife
from dustcake.core.inputs import Stamp
from dustcake.core.reading import Quality
from dustcake.core.setpoints import Air
from dustcake.publish.life_and_air import air_content, amount, life_content
from dustcake.publish.payloads import event_content, event_fields
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Topics
from dustcake.publish.wording import number
from dustcake.units import PressureUnit

INH2O, PA = PressureUnit.INH2O, PressureUnit.PA
RANGE = Forecast(Outlook.RANGE, 812.0, 38, 8120.0, 400.4, 910.6, 0.8, 996.36, 0.2501)
WEEK = ((1.8e9, 0.0), (1.8e9 + 10 * 86_400.0, 80.0))


def words(forecast: Forecast | None, **life: object) -> str:
    content = life_content(replace(FilterLife(forecast=forecast), **life), 40.0, INH2O)  # type: ignore[arg-type]
    assert isinstance(content["words"], str)
    return content["words"]


@pytest.mark.parametrize(
    ("forecast", "use", "said"),
    [
        (
            None,
            (),
            "not enough data yet: 0 of 12 points of residual dP, each of at least 1 blower hour "
            "with cleaning; the first 40 blower hours after a filter change do not count",
        ),
        (
            RANGE,
            (),
            "400 to 911 blower hours remain (80 % confidence); residual dP 4.00 inH2O",
        ),
        (
            RANGE,
            WEEK,
            "400 to 911 blower hours remain (80 % confidence; at the present use 50 to 114 days); "
            "residual dP 4.00 inH2O",
        ),
        (
            replace(RANGE, high_h=None),
            WEEK,
            "more than 400 blower hours remain (80 % confidence; at the present use more than 50 "
            "days); residual dP 4.00 inH2O",
        ),
        (
            replace(RANGE, outlook=Outlook.BEYOND_HORIZON, low_h=None, high_h=None),
            WEEK,
            "residual dP 4.00 inH2O; no end in sight within 8120 blower hours, which is as far as "
            "this looks",
        ),
        (
            replace(RANGE, outlook=Outlook.REACHED, low_h=0.0, high_h=0.0),
            WEEK,
            "residual dP 4.00 inH2O has reached the filter replacement set point",
        ),
    ],
)
def test_filter_life_in_words(
    forecast: Forecast | None, use: tuple[tuple[float, float], ...], said: str
) -> None:
    assert words(forecast, use=use) == said


def test_a_collector_that_stands_has_no_calendar() -> None:
    assert "at the present use" not in words(RANGE, use=((1.8e9, 5.0), (1.8e9 + 9e5, 5.0)))


def test_filter_life_as_values() -> None:
    life = FilterLife(forecast=RANGE, use=WEEK)
    content = life_content(life, 40.0, PA)
    assert content["outlook"] == "range"
    assert content["remaining_low"] == {"value": 400.4, "unit": "h", "quality": "good"}
    assert content["remaining_high_days"] == {"value": 113.8, "unit": "d", "quality": "good"}
    assert content["confidence"] == 0.8
    assert content["rise"] == {"value": 0.2501, "unit": "Pa/h", "quality": "good"}
    assert content["residual"]["display"] == "996 Pa"
    nothing = life_content(FilterLife(), 40.0, PA)
    assert nothing["remaining_low"] == {"value": None, "unit": "h", "quality": "failure"}
    assert nothing["residual"] is None


def test_air_says_how_it_was_counted_and_at_what_factors() -> None:
    air = AirUse(total=Amount(10.0, 200, 50), day=Amount(2.0, 50, 0), day_number=20_833)
    setpoints = chosen(air=Air(energy_kwh_per_m3=0.1, price_per_kwh=0.2, currency="EUR"))
    content = air_content(air, 4 * 3600.0, setpoints)
    assert content is not None
    assert content["source"] == "rated"
    assert content["day_utc"] == "2027-01-15"
    assert content["per_blower_hour"] == {"value": 2.5, "unit": "m3/h", "quality": "good"}
    assert content["total"]["energy"] == {
        "value": 1.0,
        "unit": "kWh",
        "quality": "out_of_specification",  # a part of it is a rated figure
    }
    assert content["day"]["free_air"] == {"value": 2.0, "unit": "m3", "quality": "good"}
    assert content["day"]["cost"]["value"] == 0.04
    assert content["day"]["cost"]["unit"] == "EUR"
    assert (content["total"]["measured"], content["total"]["rated"]) == (200, 50)
    assert content["reference"] == "20 C, 101.325 kPa"


def test_little_running_time_gives_no_figure_an_hour() -> None:
    content = air_content(AirUse(), 3599.0, chosen())
    assert content is not None
    assert content["per_blower_hour"]["value"] is None
    assert content["day_utc"] is None


def test_a_sequencer_board_has_no_air_to_tell_of() -> None:
    assert air_content(AirUse(), 0.0, board()) is None


def test_mass_is_that_of_the_reference() -> None:
    used = amount(Amount(1.0, 25, 0), Air(reference_pa=100_000.0))
    assert used["mass"]["value"] == pytest.approx(1.1884, abs=1e-4)


def test_the_retained_state_holds_both_and_is_not_told_again_for_air_alone() -> None:
    collector: Collector = ready().hold(800.0, 5)
    renderer = Renderer(Topics("root", "bay-3"), collector.setpoints, PA, 30)
    before = collector.state
    content = renderer.state_content(before)
    assert content["filter_life"]["outlook"] == "not_enough_data"
    assert content["air"]["total"]["measured"] == 0
    after = replace(before, air=AirUse(total=Amount(1.0, 1, 0)))
    assert renderer.changes(before, after, (), None) == []
    after = replace(before, filter_life=FilterLife(forecast=RANGE))
    (told,) = renderer.changes(before, after, (), None)
    assert told.topic == "root/bay-3/state"


LIFE = FilterLifeChanged("range", 812.0, 400.0, None, 0.8, 996.0, 0.25, 38)
LIFE_EVENT = Event(7, Stamp(1.0, None), LIFE)
AIR_EVENT = Event(8, Stamp(1.0, None), AirUsed(1_800_000_000.0, 1.25, 1.5, 30, 2, 3600.0))


def test_events_have_units() -> None:
    text = json.dumps(event_content(LIFE_EVENT, PA, Quality.GOOD))
    assert '"low": {"value": 400.0, "unit": "h", "quality": "good"}' in text
    assert '"high": {"value": null, "unit": "h", "quality": "failure"}' in text
    assert '"rise": {"value": 0.25, "unit": "Pa/h", "quality": "good"}' in text
    text = json.dumps(event_content(AIR_EVENT, PA, Quality.GOOD))
    assert '"free": {"value": 1.25, "unit": "m3", "quality": "good"}' in text
    assert '"mass": {"value": 1.5, "unit": "kg", "quality": "good"}' in text
    assert event_fields(AIR_EVENT, PA)["from_utc"] == "2027-01-15T08:00:00.000Z"


@pytest.mark.parametrize(
    ("name", "value", "shown"),
    [
        ("low_h", 400.0, "400 h"),
        ("free_m3", 1.23456, "1.235 m3"),
        ("mass_kg", 1.5, "1.5 kg"),
        ("rise_pa_per_h", 0.25, "250 Pa in 1000 h"),
    ],
)
def test_numbers_as_people_read_them(name: str, value: float, shown: str) -> None:
    assert number(name, value, PA) == shown
