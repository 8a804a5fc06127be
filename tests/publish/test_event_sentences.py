"""Every event as one sentence for people: their units, their time zone, their words."""

import re
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.core.events import (
    EVENTS,
    AirUsed,
    AlarmChanged,
    BlowerChanged,
    BlowerRunSet,
    Body,
    ChangeLapsed,
    CleaningStarted,
    CleaningStopped,
    DemandSet,
    FilterLifeChanged,
    FiltersChanged,
    FindingChanged,
    JournalChanged,
    LogEntry,
    ModeSelected,
    OutputsChanged,
    PulseFailed,
    PulseFired,
    PulseInterrupted,
    QualityChanged,
    RequestAnswered,
    SettingChanged,
    Started,
    Stopped,
    UpkeepDue,
    ZeroAbandoned,
    ZeroTaken,
)
from dustcake.core.reasons import Because, because
from dustcake.core.requests.kinds import Identity, PointChange, SetPoint
from dustcake.core.state import State
from dustcake.core.step import Step
from dustcake.publish.event_sentences import Display, event_sentence, unknown_event_sentence
from dustcake.units import PressureUnit
from publish.histories import SETPOINTS, live

SITE = Display(PressureUnit.INH2O, ZoneInfo("Europe/Berlin"))
INCH = 249.08891
REACHED = because(Because.HIGH_REACHED, dp_pa=4 * INCH, high_pa=4 * INCH)
DONE = because(Because.DONE)

SENTENCES: list[tuple[Body, str]] = [
    (Started(None), "daemon started"),
    (Started(300.0), "daemon started, after 5 min without it"),
    (Stopped(), "daemon stopped in an orderly way"),
    (
        CleaningStarted("on_demand", 4 * INCH, REACHED),
        "cleaning on demand started: dP 4.00 inH2O has reached the high set point of 4.00 inH2O",
    ),
    (
        CleaningStarted("timed", 2 * INCH, because(Because.TIMED_SELECTED, interval_s=30.0)),
        "timed cleaning started at dP 2.00 inH2O: timed cleaning is selected: a pulse every 30 s",
    ),
    (
        CleaningStarted("downtime", None, because(Because.DOWNTIME, passes=0)),
        "downtime cleaning started: downtime cleaning: the blower has stopped; passes over all "
        "valves: 0",
    ),
    (
        CleaningStopped("on_demand", INCH, because(Because.MODE_OFF), 8, 95.211107),
        "cleaning on demand stopped after 8 pulses in 95.2 s at dP 1.00 inH2O: cleaning is "
        "switched off",
    ),
    (
        CleaningStopped("fallback", None, because(Because.STOPPING), 1, 0.0),
        "timed cleaning without a reading stopped after 1 pulse in 0 s: the daemon is stopping",
    ),
    (
        PulseFired(3, 0.15, 124, 3.9 * INCH, False),
        "valve 3 pulsed for 0.15 s: no. 124, dP 3.90 inH2O",
    ),
    (PulseFired(3, 0.15, 124, None, True), "valve 3 pulsed for 0.15 s, ended early: no. 124"),
    (PulseFailed(3, "no reply in time"), "pulse of valve 3 failed: no reply in time"),
    (PulseFailed(3, ""), "pulse of valve 3 failed"),
    (
        PulseInterrupted(3),
        "pulse of valve 3 was interrupted by a restart; it is not repeated",
    ),
    (DemandSet(True), "demand contact of the sequencer board closed"),
    (DemandSet(False), "demand contact of the sequencer board opened"),
    (OutputsChanged(True, ""), "outputs proved"),
    (OutputsChanged(False, "stuck_on"), "outputs lost: stuck on"),
    (OutputsChanged(False, "no reply"), "outputs lost: no reply"),
    (
        AlarmChanged(
            "filter_replacement",
            "unacknowledged",
            "medium",
            because(Because.NOT_CLEANED_BELOW, dp_pa=5 * INCH, limit_pa=4 * INCH, cycles=3),
            "",
            True,
        ),
        'alarm "Filters no longer recover" raised, medium priority: dP 5.00 inH2O has stayed above '
        "4.00 inH2O through 3 full cleaning cycles",
    ),
    (
        AlarmChanged(
            *("smoke", "shelved", "high", because(Because.SHELVED), "Anna"), False, "duct open"
        ),
        'alarm "Smoke reported" shelved (condition not active) by Anna ("duct open")',
    ),
    (
        AlarmChanged("smoke", "suppressed_by_design", "high", because(Because.BLOWER_OFF), ""),
        'alarm "Smoke reported" suppressed: the blower is off',
    ),
    (
        AlarmChanged("smoke", "acknowledged", "high", because(Because.SMOKE), "Anna", True),
        'alarm "Smoke reported" acknowledged by Anna: the smoke contact reports smoke',
    ),
    (
        AlarmChanged("of_tomorrow", "normal", "low", because(Because.NO_LONGER), "", False),
        'alarm "of tomorrow" back to normal: no longer so',
    ),
    (QualityChanged("good", ()), "quality of the dP reading: good"),
    (
        QualityChanged("out_of_specification", (because(Because.ZEROING),)),
        "quality of the dP reading: out of specification (the zero is being taken)",
    ),
    (
        FindingChanged("header_weak", 0, True, because(Because.DONE)),
        "found: header pressure weak: done",
    ),
    (
        FindingChanged("valve_does_not_fire", 2, False, DONE),
        "no longer found: valve does not fire, valve 2",
    ),
    (ModeSelected("on_demand", "Anna"), "mode on demand selected by Anna"),
    (ModeSelected("off", ""), "mode off selected"),
    (
        ZeroTaken(5.0, -2.0, "Anna"),
        "zero taken by Anna: offset 0.02 inH2O, before -0.01 inH2O",
    ),
    (
        ZeroAbandoned(because(Because.ZERO_READING_LOST), "Anna"),
        "zero not taken as requested by Anna: the reading was lost while the zero was being taken",
    ),
    (BlowerChanged(True), "blower running"),
    (BlowerChanged(False), "blower off"),
    (BlowerChanged(None), "not known whether the blower runs"),
    (BlowerRunSet(True, "by hand"), "blower run request set: by hand"),
    (BlowerRunSet(False, "smoke"), "blower run request withdrawn: smoke"),
    (JournalChanged(False, "disk full"), "the journal can no longer be written: disk full"),
    (JournalChanged(True, ""), "the journal can be written again"),
    (
        RequestAnswered("x", "mode", "Anna", True, DONE, identity=Identity.AUTHENTICATED),
        "request mode by Anna accepted",
    ),
    (
        RequestAnswered(
            *("x", "shelve", "Anna", False, because(Because.NO_WHY)), identity=Identity.CLAIMED
        ),
        "request shelve by Anna (name as given) refused: say why",
    ),
    (
        RequestAnswered("", "", "", False, because(Because.RETAINED)),
        "request refused: a request must not be a retained message: it would act again and again",
    ),
    (
        RequestAnswered(
            *("x", "set_points", "Anna", True, because(Because.CONFIRM_CHANGE, within_s=60.0), 79),
            points=(
                PointChange(SetPoint.HIGH, 4 * INCH, 4.5 * INCH),
                PointChange(SetPoint.ON_TIME, 0.1, 0.15),
            ),
        ),
        "request set points by Anna accepted (change 79): high 4.00 inH2O -> 4.50 inH2O, on-time "
        "0.1 s -> 0.15 s; nothing is changed yet: confirm it within 1 min",
    ),
    (
        ChangeLapsed(79, "Anna", because(Because.NOT_CONFIRMED)),
        "change 79 of set points, requested by Anna, given up: nobody has confirmed it in time",
    ),
    (
        FiltersChanged(4_320_000.0, "", ""),
        "all filters changed after 50 d of blower running time",
    ),
    (
        FiltersChanged(7200.0, "spare set", "Anna", (1, 3)),
        "filters of rows 1, 3 changed after 2 h of blower running time, recorded by Anna, noting "
        '"spare set"',
    ),
    (LogEntry("note", "new cell", "", "Anna"), "note by Anna: new cell"),
    (LogEntry("drum_emptied", "", "", "Anna"), "drum emptied, recorded by Anna"),
    (
        LogEntry("upkeep_done", "blown back", "snubber", ""),
        'upkeep done: snubber, noting "blown back"',
    ),
    (UpkeepDue("snubber", "blow it back"), "upkeep due: snubber: blow it back"),
    (
        SettingChanged("cleaning.high_pa", f"{4 * INCH}", f"{4.5 * INCH}", "Anna"),
        "setting changed by Anna: cleaning high: 4.00 inH2O -> 4.50 inH2O",
    ),
    (
        FilterLifeChanged("range", 812.0, 400.4, 910.6, 0.8, 4 * INCH, 0.25, 38),
        "filter life: 400 to 911 blower hours remain (80 % confidence); residual dP 4.00 inH2O",
    ),
    (
        FilterLifeChanged("beyond_horizon", 812.0, None, None, 0.8, 4 * INCH, 0.0, 38),
        "filter life: residual dP 4.00 inH2O; no end in sight",
    ),
    (
        FilterLifeChanged("not_enough_data", 8.0, None, None, 0.0, None, None, 3),
        "filter life: not enough data yet: 3 of 12 points of residual dP, each of at least 1 "
        "blower hour with cleaning",
    ),
    (
        AirUsed(1_780_000_000.0, 1.25, 1.5, 10, 2, 3600.0),
        "air of the pulses since 2026-05-28 22:26:40 CEST: 1.25 m3 free air, 10 pulses measured, 2 "
        "pulses as rated, blower ran 1 h",
    ),
    (AirUsed(None, 0.0, 0.0, 0, 0, 60.0), "air of the pulses: 0 m3 free air, blower ran 1 min"),
]


@pytest.mark.parametrize(("body", "expected"), SENTENCES, ids=lambda each: str(each)[:30])
def test_an_event_is_one_sentence(body: Body, expected: str) -> None:
    assert event_sentence(body, SITE) == expected


def test_each_kind_of_event_has_a_sentence() -> None:
    assert {type(body) for body, _ in SENTENCES} == set(EVENTS.values())


@given(data=st.data(), setpoints=st.sampled_from(SETPOINTS), unit=st.sampled_from(PressureUnit))
def test_no_sentence_shows_a_program_s_words(
    data: st.DataObject, setpoints: object, unit: PressureUnit
) -> None:
    """Of whatever a collector lives through: no names of fields, no None, no foreign unit."""

    def hold(_before: State, done: Step) -> None:
        for event in done.events:
            text = event_sentence(event.body, Display(unit, ZoneInfo("Asia/Kolkata")))
            assert text.isprintable()
            text = re.sub("'[^']*'", "X", text)  # as somebody wrote it
            assert not re.search(r"None|True|False|\[\]|\(\)|  |[a-z]_[a-z]|\d\.\d{4}|: $", text)
            assert unit is PressureUnit.PA or not re.search(r"\d Pa\b", text), text

    live(data, hold, setpoints)  # type: ignore[arg-type]


def test_the_time_of_the_site_has_the_name_of_its_zone() -> None:
    assert SITE.time(1_780_000_000.0) == "2026-05-28 22:26:40 CEST"
    assert SITE.time(1_800_000_000.75) == "2027-01-15 09:00:00 CET", "winter"


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        (
            {"event": "x", "dp_pa": 4 * INCH, "by": "", "held": False, "at_utc_s": None, "all": []},
            "fan tuned: dP 4.00 inH2O, held no",
        ),
        ({}, "fan tuned"),
        (
            {"reason": {"code": "high_reached"}, "rows": [1, 2], "since_utc_s": 1.78e9},
            "fan tuned: reason (code high reached), rows 1, 2, since utc 2026-05-28 22:26:40 CEST",
        ),
    ],
)
def test_an_event_of_another_version_shows_what_it_has(
    fields: dict[str, object], expected: str
) -> None:
    assert unknown_event_sentence("fan_tuned", fields, SITE) == expected
