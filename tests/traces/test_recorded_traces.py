"""Recorded traces as triples: why, what was recorded, what must come of it."""

import pytest

from core.driver import chosen
from dustcake_lab.replay.replay import match_columns
from traces.recorded import BLOWER, DOOR, HEADER, SMOKE, Bench, each_second, settings_text, table

ON, OFF = "cleaning_started", "cleaning_stopped"


def test_hysteresis(bench: Bench) -> None:
    """Start at or above the high set point, stop at or below the low one; in between, as before
    (computed: a two-point controller with inclusive limits)."""
    dp_pa = (600, 900, 999.9, 1000, 980, 760, 750.1, 750, 760, 999, 1001, 749)
    cleaning = (0, 0, 0, 1, 1, 1, 1, 0, 0, 0, 1, 0)
    replayed = bench.replay(each_second(*dp_pa))
    assert replayed.when(ON, OFF) == [(3, ON), (7, OFF), (10, ON), (11, OFF)]
    on = 0
    for t, wanted in enumerate(cleaning):
        for _, name in (each for each in replayed.when(ON, OFF) if each[0] == t):
            on = int(name == ON)
        assert on == wanted, f"at {t} s"
    started, stopped = replayed.of(ON)[0], replayed.of(OFF)[0]
    assert (started["dp_pa"], started["reason_code"]) == (1000.0, "high_reached")
    assert started["reason"] == "dP 1000 Pa has reached the high set point of 1000 Pa"
    assert (stopped["dp_pa"], stopped["reason_code"]) == (750.0, "low_reached")
    summary = replayed.summary
    assert (summary["samples"], summary["duration_s"]) == (12, 11.0)
    assert (summary["cleaning_cycles"], summary["cleaning_s"]) == (2, 5.0)
    assert (summary["pulses"], summary["alarms"], summary["cleaning_at_end"]) == (0, 0, False)


@pytest.mark.parametrize(
    ("column", "below", "at"),
    [
        ("dp_pa", "999.99", "1000"),
        ("dp_inh2o", "3.99", "4"),
        ("dp_inh2o", "3.99", "4.0"),
        ("dp_mbar", "9.99", "10"),
        ("dp_mmh2o", "101.9", "102"),
    ],
)
def test_a_set_point_is_met_in_its_own_unit(bench: Bench, column: str, below: str, at: str) -> None:
    unit = {"dp_pa": "Pa", "dp_inh2o": "inH2O", "dp_mbar": "mbar", "dp_mmh2o": "mmH2O"}[column]
    settings = settings_text().replace('"1000 Pa"', f'"{at} {unit}"')
    replayed = bench.replay(each_second(below, below, at, column=column), settings=settings)
    assert replayed.when(ON) == [(2, ON)]


def test_a_gap_makes_the_reading_stale_when_its_time_is_up(bench: Bench) -> None:
    replayed = bench.replay(table("time,dp_pa", "0,800", "1,800", "20,800"))
    changes = [(e["t_s"], e["quality"], e["reason_codes"]) for e in replayed.of("quality_changed")]
    assert changes == [(0, "good", []), (6, "failure", ["stale"]), (20, "good", [])]
    assert replayed.summary["gaps"] == 1


def test_rows_exactly_as_far_apart_as_a_reading_lasts_are_no_gap(bench: Bench) -> None:
    rows = (f"{5 * t},800" for t in range(20))
    replayed = bench.replay(table("time,dp_pa", *rows))
    assert len(replayed.of("quality_changed")) == 1
    assert replayed.summary["gaps"] == 0


def test_a_trace_recorded_too_slowly_for_the_settings_says_so(bench: Bench) -> None:
    rows = (f"{60 * t},800" for t in range(20))
    summary = bench.replay(table("time,dp_pa", *rows)).summary
    assert summary["gaps"] == 19
    assert any("set stale_after_s in a copy of the settings" in note for note in summary["notes"])


@pytest.mark.parametrize("lost", ["", "   "])
def test_an_empty_cell_is_a_lost_sample(bench: Bench, lost: str) -> None:
    replayed = bench.replay(each_second(800, lost, lost, 800))
    changes = [(e["t_s"], e["quality"], e["reason_codes"]) for e in replayed.of("quality_changed")]
    assert changes == [(0, "good", []), (1, "failure", ["read_failed"]), (3, "good", [])]
    assert (replayed.summary["samples"], replayed.summary["lost_samples"]) == (4, 2)


def test_a_lost_transmitter_is_alarmed_after_its_delay(bench: Bench) -> None:
    replayed = bench.replay(each_second(800, *[""] * 40))
    alarms = [(e["t_s"], e["alarm"], e["state"]) for e in replayed.of("alarm")]
    assert alarms == [(31, "transmitter_fault", "unacknowledged")]
    assert replayed.summary["alarms_by_name"] == {"transmitter_fault": 1}


def test_pulses_come_at_their_interval_and_in_their_order(bench: Bench) -> None:
    replayed = bench.replay(each_second(800, *[1100] * 70))
    pulses = [(e["t_s"], e["valve"]) for e in replayed.of("pulse")]
    assert pulses == [(15, 2), (30, 4), (45, 1), (60, 3)], "a header needs an interval at first"
    assert replayed.summary["pulses"] == 4
    assert replayed.summary["pulses_by_valve"] == {"1": 1, "2": 1, "3": 1, "4": 1}
    assert replayed.summary["cleaning_at_end"] is True
    assert replayed.summary["cleaning_s"] == 69.0


def test_what_is_due_between_two_rows_happens_when_it_is_due(bench: Bench) -> None:
    settings = settings_text("stale_after_s = 60.0\n")
    replayed = bench.replay(table("time,dp_pa", "0,1100", "40,1100"), settings=settings)
    assert [e["t_s"] for e in replayed.of("pulse")] == [15, 30]


def test_a_contact_that_was_recorded_counts(bench: Bench) -> None:
    rows = ("0,1100,0,0", "1,1100,1,0", "2,1100,1,1", "3,1100,1,1", "4,1100,1,0")
    replayed = bench.replay(
        table("time,dp_pa,blower_running,smoke", *rows), settings=settings_text(BLOWER + SMOKE)
    )
    assert replayed.when(ON, OFF) == [(1, ON), (2, OFF), (4, ON)]
    assert replayed.of(OFF)[0]["reason_code"] == "smoke"
    smoke = [(e["t_s"], e["state"]) for e in replayed.of("alarm") if e["alarm"] == "smoke"]
    assert smoke[0] == (2, "unacknowledged")


@pytest.mark.parametrize(
    ("why", "settings", "header", "notes"),
    [
        (
            "a contact the trace has not recorded cannot be asked",
            settings_text(BLOWER + SMOKE),
            "time,dp_pa",
            ["`blower_running`: replayed as not fitted", "`smoke`: replayed as not fitted"],
        ),
        (
            "nor one that no trace can hold",
            settings_text(DOOR),
            "time,dp_pa",
            ["`door_open`: replayed as not fitted"],
        ),
        (
            "nor a header transmitter",
            settings_text(HEADER),
            "time,dp_pa",
            ["`header_pa`: header pressure replayed as not fitted"],
        ),
        (
            "what the settings do not know is not used",
            settings_text(),
            "time,dp_pa,smoke,blower_running,header_pa,flow_m3s",
            [
                "column `blower_running` is not used",
                "column `smoke` is not used",
                "column `header_pa` is not used",
                "column `flow_m3s` is not used",
            ],
        ),
        ("all fits", settings_text(), "time,dp_pa", []),
    ],
)
def test_where_trace_and_settings_do_not_fit_the_summary_says_so(
    bench: Bench, why: str, settings: str, header: str, notes: list[str]
) -> None:
    dangerous = ",1,0,100,0.5" if "smoke" in header else ""
    replayed = bench.replay(
        table(f"{header},pulses", *(f"{t},1100{dangerous},0" for t in range(3))), settings=settings
    )
    *told, caveat = replayed.summary["notes"]
    assert len(told) == len(notes), why
    for note, part in zip(told, notes, strict=True):
        assert part in note, why
    assert caveat == "every command is one that the recording had: the answers hold to the end"
    assert replayed.when(ON) == [(0, ON)], "cleaning does not wait for what is not there"
    assert not replayed.of("alarm")


def test_header_pressure_that_was_recorded_withholds_pulses(bench: Bench) -> None:
    rows = (f"{t},1100,{300_000 if 10 <= t < 25 else 600_000}" for t in range(40))
    replayed = bench.replay(table("time,dp_pa,header_pa", *rows), settings=settings_text(HEADER))
    assert [e["t_s"] for e in replayed.of("pulse")] == [25]
    assert replayed.when(OFF) == [], "it withholds, and does not end the run"


def test_a_header_reading_that_was_lost_is_no_reason_to_stop(bench: Bench) -> None:
    rows = (f"{t},1100,{'' if t > 5 else 600_000}" for t in range(40))
    replayed = bench.replay(table("time,dp_pa,header_pa", *rows), settings=settings_text(HEADER))
    assert [e["t_s"] for e in replayed.of("pulse")] == [15, 30]
    assert replayed.summary["alarms_by_name"] == {"header_transmitter_fault": 1}


def test_a_contact_that_could_not_be_read_does_not_end_a_cleaning_run(bench: Bench) -> None:
    rows = ("0,1100,1", "1,1100,", "2,1100,1.0", "3,1100,0")
    replayed = bench.replay(
        table("time,dp_pa,blower_running", *rows), settings=settings_text(BLOWER)
    )
    assert replayed.when(ON, OFF) == [(0, ON), (3, OFF)]
    assert replayed.of(OFF)[0]["reason_code"] == "blower_off"


@pytest.mark.parametrize(
    ("why", "times", "t_s", "utc"),
    [
        (
            "UTC, to the millisecond",
            ("2026-03-01T08:00:00Z", "2026-03-01T08:00:01.500Z"),
            1.5,
            "2026-03-01T08:00:01.500Z",
        ),
        (
            "with an offset",
            ("2026-03-01T08:00:00+01:00", "2026-03-01T08:00:02+01:00"),
            2.0,
            "2026-03-01T07:00:02.000Z",
        ),
        (
            "the clocks go back: 02:59:59 summer time, then 02:00:00 winter time",
            ("2026-10-25T02:59:59+02:00", "2026-10-25T02:00:00+01:00"),
            1.0,
            "2026-10-25T01:00:00.000Z",
        ),
        (
            "the clocks go forward",
            ("2026-03-29T01:59:59+01:00", "2026-03-29T03:00:00+02:00"),
            1.0,
            "2026-03-29T01:00:00.000Z",
        ),
        (
            "zones mixed, as long as each is given",
            ("2026-03-01T08:00:00+05:30", "2026-03-01T02:30:03Z"),
            3.0,
            "2026-03-01T02:30:03.000Z",
        ),
        (
            "the leap day",
            ("2028-02-29T23:59:59Z", "2028-03-01T00:00:00Z"),
            1.0,
            "2028-03-01T00:00:00.000Z",
        ),
        (
            "a space for the T",
            ("2026-03-01 08:00:00Z", "2026-03-01 08:00:01Z"),
            1.0,
            "2026-03-01T08:00:01.000Z",
        ),
        (
            "the basic form",
            ("20260301T080000Z", "20260301T080001Z"),
            1.0,
            "2026-03-01T08:00:01.000Z",
        ),
        (
            "the last second there is",
            ("2999-12-31T23:59:58Z", "2999-12-31T23:59:59.5Z"),
            1.5,
            "2999-12-31T23:59:59.500Z",
        ),
        (
            "the first",
            ("1970-01-01T00:00:00Z", "1970-01-01T00:00:01Z"),
            1.0,
            "1970-01-01T00:00:01.000Z",
        ),
        ("seconds know no date", ("1000000", "1000001.25"), 1.25, None),
        ("nor do seconds before zero", ("-2", "-1.5"), 0.5, None),
        ("nor huge ones", ("999999999000", "999999999001"), 1.0, None),
    ],
)
def test_times(bench: Bench, why: str, times: tuple[str, str], t_s: float, utc: str | None) -> None:
    replayed = bench.replay(table("time,dp_pa", f"{times[0]},800", f"{times[1]},1000"))
    (started,) = replayed.of(ON)
    assert (started["t_s"], started["utc"]) == (t_s, utc), why
    assert replayed.summary["duration_s"] == t_s
    assert replayed.summary["end_utc"] == utc
    assert replayed.of("started")[0]["t_s"] == 0.0


def test_deadlines_hold_however_long_ago_the_trace_began(bench: Bench) -> None:
    """A delay of 5 s is over at the row 5.0 s later, not by chance at the one after."""
    settings = settings_text().replace("on_delay_s = 0", "on_delay_s = 5.0")
    rows = (
        f"2026-03-01T08:00:{t // 10:02d}.{t % 10}00Z,{900 if t < 3 else 1000}" for t in range(90)
    )
    replayed = bench.replay(table("time,dp_pa", *rows), settings=settings)
    assert replayed.when(ON) == [(5.3, ON)]


@pytest.mark.parametrize(
    ("why", "trace"),
    [
        ("columns in any order", "dp_pa,time\n1000,0\n"),
        ("spaces about names and values", " time , dp_pa \n 0 , 1000 \n"),
        ("quotation marks", '"time","dp_pa"\n"0","1000"\n'),
        ("a byte order mark", "\ufefftime,dp_pa\n0,1000\n"),
        ("line ends of another system", "time,dp_pa\r\n0,1000\r\n"),
        ("no line end at the end", "time,dp_pa\n0,1000"),
        ("empty lines at the end", "time,dp_pa\n0,1000\n\n\n"),
        ("powers of ten", "time,dp_pa\n0,1e3\n"),
    ],
)
def test_forms_of_the_file(bench: Bench, why: str, trace: str) -> None:
    assert bench.replay(trace).when(ON) == [(0, ON)], why


@pytest.mark.parametrize(("pulses", "judged"), [((), False), (("pulses",), True)])
def test_pulses_are_judged_by_what_dp_does_only_where_the_trace_has_them(
    pulses: tuple[str, ...], judged: bool
) -> None:
    """dP cannot answer to others: a sensing line would soon be found plugged."""
    setpoints = chosen(pulse_response={"response_s": 5.0})
    match = match_columns(setpoints, ("time", "dp_pa", *pulses))
    assert (match.setpoints.pulse_response.response_s == 5.0) is judged
    assert any("no column for pulses" in note for note in match.notes) is not judged
