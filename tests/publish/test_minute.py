"""Minutes, and events of other versions, as they are published."""

import json

from core.driver import BASE
from dustcake.core.inputs import Stamp
from dustcake.core.minutes import Minute, Spread
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Keep, Topics
from dustcake.units import PressureUnit

RENDERER = Renderer(Topics("root", "bay-3"), BASE, PressureUnit.PA, 30)


def test_a_minute() -> None:
    dp = Spread(400.0, 500.123, 600.0)
    minute = Minute(1_800_000_000.0, Stamp(59.0, 1_800_000_059.0), 60.0, 60, 58, dp, None, 45.0)
    told = RENDERER.minute(7, minute, 3, 41)
    assert (told.topic, told.qos, told.retain) == ("root/bay-3/minute", 1, False)
    assert (told.keep, told.expiry_s) == (Keep.EVENT, None)
    assert json.loads(told.payload) == {
        "schema": "dustcake/minute/1",
        "utc": "2027-01-15T08:00:00.000Z",
        "seq": 41,
        "number": 7,
        "dropped": 3,
        "covered": {"value": 60.0, "unit": "s", "quality": "good"},
        "polls": 60,
        "good": 58,
        "dp": {
            "min": {"value": 400.0, "unit": "Pa", "quality": "good"},
            "mean": {"value": 500.12, "unit": "Pa", "quality": "good"},
            "max": {"value": 600.0, "unit": "Pa", "quality": "good"},
        },
        "header": None,
        "blower_running": {"value": 45.0, "unit": "s", "quality": "good"},
    }


def test_an_event_another_version_recorded() -> None:
    told = RENDERER.recorded_event(9, None, {"event": "tea_time", "cups": 2})
    assert told.topic == "root/bay-3/event"
    assert json.loads(told.payload) == {
        "schema": "dustcake/event/1",
        "utc": None,
        "seq": 9,
        "event": "tea_time",
        "cups": 2,
    }
