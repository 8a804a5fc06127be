"""Payloads: always schema, utc and seq, always JSON; numbers never without their unit."""

import json
from typing import Any

import pytest

from dustcake.core.events import (
    AlarmChanged,
    BlowerChanged,
    CleaningStarted,
    CleaningStopped,
    Event,
    PulseFired,
    QualityChanged,
    SettingChanged,
    Started,
)
from dustcake.core.inputs import Stamp
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because, because
from dustcake.publish.payloads import (
    event_content,
    event_fields,
    measured,
    payload,
    pressure,
    utc_text,
)
from dustcake.units import PressureUnit

INH2O, PA = PressureUnit.INH2O, PressureUnit.PA
AT = Stamp(12.5, 1_800_000_000.25)
AT_TEXT = "2027-01-15T08:00:00.250Z"


def read(body: bytes) -> dict[str, Any]:
    content = json.loads(body.decode("utf-8"))
    assert isinstance(content, dict)
    return content


@pytest.mark.parametrize(
    ("utc_s", "expected"),
    [
        (None, None),
        (0.0, "1970-01-01T00:00:00.000Z"),
        (1_800_000_000.25, AT_TEXT),
        (1_800_000_000.0, "2027-01-15T08:00:00.000Z"),
    ],
)
def test_time_is_iso_8601_in_utc_or_null(utc_s: float | None, expected: str | None) -> None:
    assert utc_text(utc_s) == expected


def test_a_payload_begins_with_schema_time_and_number() -> None:
    body = payload("state", None, 7, {"note": "clapet n° 3"})
    assert list(read(body).items()) == [
        ("schema", "dustcake/state/1"),
        ("utc", None),
        ("seq", 7),
        ("note", "clapet n° 3"),
    ]
    assert "n°".encode() in body, "UTF-8, not escapes"


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -float("inf")])
def test_what_json_cannot_say_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="JSON"):
        payload("state", None, 1, {"value": bad})


def test_a_measured_pressure_has_value_unit_quality_and_time() -> None:
    good = Sample(AT, 996.35564, Quality.GOOD)
    assert measured(good, INH2O) == {
        "value": 996.36,
        "unit": "Pa",
        "quality": "good",
        "reasons": [],
        "display": "4.00 inH2O",
        "utc": AT_TEXT,
    }
    lost = Sample(AT, None, Quality.FAILURE, (because(Because.STALE, stale_after_s=5.0),))
    assert measured(lost, PA) == {
        "value": None,
        "unit": "Pa",
        "quality": "failure",
        "reasons": ["no reading has come for 5 s"],
        "display": None,
        "utc": AT_TEXT,
    }


def test_a_chosen_pressure_has_value_and_unit() -> None:
    assert pressure(747.26673, INH2O) == {
        "value": 747.27,
        "unit": "Pa",
        "quality": "good",
        "display": "3.00 inH2O",
    }


HIGH = because(Because.HIGH_REACHED, dp_pa=1003.0, high_pa=1000.0)
LOW = because(Because.LOW_REACHED, dp_pa=740.0, low_pa=750.0)
HIGH_TEXT = "dP 1003 Pa has reached the high set point of 1000 Pa"


def quality_then(event: Event) -> Quality:
    """Of the reading when it happened: these events have a dP only where it was good."""
    return Quality.GOOD if getattr(event.body, "dp_pa", None) is not None else Quality.FAILURE


@pytest.mark.parametrize(
    ("why", "event", "flat", "told"),
    [
        (
            "a cleaning that starts says at what dP and why",
            Event(3, AT, CleaningStarted("on_demand", 1003.0000004, HIGH)),
            {
                "event": "cleaning_started",
                "kind": "on_demand",
                "dp_pa": 1003.0,
                "reason": HIGH_TEXT,
                "reason_code": "high_reached",
            },
            {
                "event": "cleaning_started",
                "kind": "on_demand",
                "dp": {"value": 1003.0, "unit": "Pa", "quality": "good"},
                "reason": HIGH_TEXT,
                "reason_code": "high_reached",
            },
        ),
        (
            "one that stops without a reading says that there is none",
            Event(4, AT, CleaningStopped("timed", None, because(Because.MODE_OFF), 8, 120.0)),
            {
                "event": "cleaning_stopped",
                "kind": "timed",
                "dp_pa": None,
                "reason": "cleaning is switched off",
                "reason_code": "mode_off",
                "pulses": 8,
                "duration_s": 120.0,
            },
            {
                "event": "cleaning_stopped",
                "kind": "timed",
                "dp": {"value": None, "unit": "Pa", "quality": "failure"},
                "reason": "cleaning is switched off",
                "reason_code": "mode_off",
                "pulses": 8,
                "duration": {"value": 120.0, "unit": "s", "quality": "good"},
            },
        ),
        (
            "a pulse names its valve from 1",
            Event(5, AT, PulseFired(2, 0.15, 9, 900.0, False)),
            {
                "event": "pulse",
                "valve": 2,
                "on_time_s": 0.15,
                "count": 9,
                "dp_pa": 900.0,
                "ended_early": False,
            },
            {
                "event": "pulse",
                "valve": 2,
                "on_time": {"value": 0.15, "unit": "s", "quality": "good"},
                "count": 9,
                "dp": {"value": 900.0, "unit": "Pa", "quality": "good"},
                "ended_early": False,
            },
        ),
        (
            "a change of quality gives all its reasons, none when it is good",
            Event(6, AT, QualityChanged("failure", (because(Because.NOT_A_NUMBER),))),
            {
                "event": "quality_changed",
                "quality": "failure",
                "reasons": ["the transmitter sent something that is not a number"],
                "reason_codes": ["not_a_number"],
            },
            None,
        ),
        (
            "a set point that is another is told as people read it too",
            Event(8, AT, SettingChanged("cleaning.high_pa", "1000.0", "1100.0", "night shift")),
            {
                "event": "setting_changed",
                "change": "cleaning high: 1000 Pa -> 1100 Pa",
                "setting": "cleaning.high_pa",
                "before": "1000.0",
                "after": "1100.0",
                "by": "night shift",
            },
            None,
        ),
        (
            "one that is no number as it is, and none where there was none",
            Event(9, AT, SettingChanged("mode", "timed", "", "")),
            {
                "event": "setting_changed",
                "change": "mode: timed -> none",
                "setting": "mode",
                "before": "timed",
                "after": "",
                "by": "",
            },
            None,
        ),
        (
            "an alarm says its state, priority and who",
            Event(7, AT, AlarmChanged("smoke", "shelved", "high", LOW, "day shift", True, "trial")),
            {
                "event": "alarm",
                "alarm": "smoke",
                "state": "shelved",
                "priority": "high",
                "reason": "dP 740 Pa is down to the low set point of 750 Pa",
                "reason_code": "low_reached",
                "by": "day shift",
                "active": True,
                "why": "trial",
            },
            None,
        ),
        (
            "what is not known is null, with its unit",
            Event(1, AT, Started(None)),
            {"event": "started", "downtime_s": None},
            {"event": "started", "downtime": {"value": None, "unit": "s", "quality": "failure"}},
        ),
        (
            "a blower that is not proved either way",
            Event(2, AT, BlowerChanged(None)),
            {"event": "blower_changed", "running": None},
            None,
        ),
    ],
)
def test_an_event(
    why: str, event: Event, flat: dict[str, Any], told: dict[str, Any] | None
) -> None:
    assert event_fields(event, PA) == flat, why
    content = event_content(event, PA, quality_then(event))
    assert json.loads(json.dumps(content)) == (flat if told is None else told), why
