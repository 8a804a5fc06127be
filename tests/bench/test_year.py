"""A year at 1 Hz: from Parquet and CSV to events and summary, against stepping every sample.

Thirty days of it by default, the whole year with DUSTCAKE_BENCH_DAYS=365: the times grow in
proportion, but for the half second before the second core has something to do. By the clock, since
a trace is read on one core and decided on another; every check of the reading is on, as it is
unless somebody switches it off.
"""

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from bench.conftest import Add
from core.driver import chosen
from dustcake.core.events import Event
from dustcake.core.inputs import Contacts, Outcome, OutputReported, PollCompleted, Restarted, Woke
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import first_state
from dustcake.core.step import step
from dustcake.settings.load import load_settings
from dustcake.settings.setpoints import to_setpoints
from dustcake_lab.commands.common import long_work
from dustcake_lab.fit.collector import FittedCollector
from dustcake_lab.fit.estimate import Interval, unbounded
from dustcake_lab.replay.replay import Replay, for_a_trace, match_columns
from dustcake_lab.study.candidates import Prices
from dustcake_lab.study.jobs import Plan
from dustcake_lab.study.study import study
from dustcake_lab.traces.files import open_any
from dustcake_lab.traces.leap import NO_LEAP
from dustcake_lab.traces.samples import Columns
from traces.recorded import BLOWER, settings_text

DAYS = int(os.environ.get("DUSTCAKE_BENCH_DAYS", "30"))
STEPPED = 400_000
FLOOR = 12
"""Times as fast as stepping. It is 30 and more now on idle cores; what falls below this has broken
the leaps, whatever else the machine does."""
SETTINGS_TEXT = settings_text(BLOWER).replace("on_delay_s = 0", "on_delay_s = 5") + (
    "[collector.pulsing]\ninterval_s = 15\n"
)


def recorded_days(days: int, *, pulses: bool = False) -> pl.DataFrame:
    """Two shifts, five days a week. dP loads from 733 to 1000 Pa in 3.3 h and is cleaned by five
    pulses (the worked example of four rows: 926.8, 863.6, 808.5, 760.0, 733.5 Pa). Noise: 1 Pa.
    ``pulses``: with a column that tells of them, as in what a daemon exports."""
    t_s = np.arange(days * 86_400, dtype=float)
    hour, day = t_s % 86_400 / 3600, t_s // 86_400 % 7
    on = (day < 5) & (hour >= 6) & (hour < 22)
    phase = np.cumsum(on) % (11_775 + 120)
    levels = np.array([1008.0, 926.829, 863.636, 808.511, 760.0, 733.488, 733.488])
    pulse = np.clip((phase - 11_775 - 30) // 15 + 1, 0, 6)
    dp = np.where(phase < 11_775, 733.0 + 267.0 * phase / 11_775, levels[pulse])
    noise = np.random.default_rng(1).normal(0.0, 1.0, len(t_s))
    dp = np.where(on, dp, 0.0) + noise
    columns = {"time": t_s, "dp_pa": dp.round(1), "blower_running": on.astype(np.int8)}
    if pulses:
        columns["pulses"] = np.diff(pulse * on, prepend=0).clip(0).astype(np.int8)
    return pl.DataFrame(columns)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("year")
    frame = recorded_days(DAYS)
    frame.write_parquet(directory / "trace.parquet")
    frame.write_csv(directory / "trace.csv")
    recorded_days(DAYS, pulses=True).write_parquet(directory / "pulses.parquet")
    (directory / "settings.toml").write_text(SETTINGS_TEXT)
    return directory


def as_in_settings(directory: Path, *columns: str) -> Setpoints:
    settings = load_settings(directory / "settings.toml")
    return match_columns(to_setpoints(settings.collectors[0]), columns).setpoints


def replayed(path: Path) -> tuple[float, float, Replay]:
    """Seconds by the clock, CPU seconds of all threads, and what has been replayed."""
    with open_any(path) as trace:
        setpoints = as_in_settings(path.parent, *trace.columns)
        begun_s, cpu_s = time.perf_counter(), time.process_time()
        samples = trace.samples()
        replay = Replay(setpoints, recorded=trace.recorded)
        with long_work():
            events = sum(1 for _ in replay.events(only_samples(samples)))
        taken_s = time.perf_counter() - begun_s
    assert events > DAYS
    return taken_s, time.process_time() - cpu_s, replay


def only_samples(parts: Iterator[object]) -> Iterator[Columns | PollCompleted]:
    for part in parts:
        assert isinstance(part, Columns | PollCompleted)
        yield part


class EverySample(Replay):
    """The same replay without leaps: each sample read is a step."""

    def _many(self, columns: Columns) -> Iterator[Event]:
        for row in range(len(columns)):
            yield from self._take(columns.poll(row))


def without_leaps_s(path: Path, monkeypatch: pytest.MonkeyPatch) -> float:
    """Seconds for each sample of doing the same without leaps, for the first pieces of the file."""
    with open_any(path) as trace, monkeypatch.context() as patch, long_work():
        patch.setattr("dustcake_lab.replay.replay.leap_after", lambda *_: NO_LEAP)
        replay = EverySample(as_in_settings(path.parent, *trace.columns), recorded=trace.recorded)
        begun_s = time.perf_counter()
        for _ in replay.events(first_pieces(only_samples(trace.samples()), STEPPED)):
            pass
        taken_s = time.perf_counter() - begun_s
    assert replay.steps >= replay.tally.samples >= STEPPED
    return taken_s / replay.tally.samples


def first_pieces(
    parts: Iterator[Columns | PollCompleted], most: int
) -> Iterator[Columns | PollCompleted]:
    samples = 0
    for part in parts:
        yield part
        samples += len(part) if isinstance(part, Columns) else 1
        if samples >= most:
            return


def stepped_s(columns: Columns, rows: int, setpoints: Setpoints) -> float:
    """Seconds of nothing but stepping samples that are in memory, with their wakes and the outcomes
    of their commands."""
    begun_s = time.perf_counter()
    at = columns.poll(0).at
    done = step(first_state(setpoints, at), Restarted(at), setpoints)
    for row in range(rows):
        poll = columns.poll(row)
        waiting = [OutputReported(poll.at, c.command_id, Outcome.DONE) for c in done.commands]
        for report in waiting:
            done = step(done.state, report, setpoints)
        while done.wake_at_s is not None and done.wake_at_s < poll.at.mono_s:
            done = step(done.state, Woke(poll.at), setpoints)
        done = step(done.state, poll, setpoints)
    return time.perf_counter() - begun_s


@pytest.mark.night
@pytest.mark.patience(900, "a year of one-second samples")
def test_a_year_from_parquet(files: Path, row: Add, monkeypatch: pytest.MonkeyPatch) -> None:
    taken_s, cpu_s, replay = replayed(files / "trace.parquet")
    samples = replay.tally.samples
    frame = recorded_days(7)
    piece = Columns(frame["time"].to_numpy(), None, frame["dp_pa"].to_numpy())
    on = frame["blower_running"].to_numpy().astype(np.intp)
    piece.kinds, piece.kind = (Contacts(blower_running=False), Contacts(blower_running=True)), on
    setpoints = for_a_trace(as_in_settings(files, "time", "dp_pa", "blower_running"))
    with long_work():
        each_s = stepped_s(piece, STEPPED, setpoints) / STEPPED
    ratio = each_s * samples / taken_s
    year_s = taken_s * 365 / DAYS
    what = f"replay of {DAYS} days at 1 Hz from Parquet"
    row(
        what, f"{taken_s:.2f} s; a year {year_s:.1f} s", f"wanted: a year in 3 s; CPU {cpu_s:.2f} s"
    )
    limits = f"at least {FLOOR}; wanted: 50"
    whole = without_leaps_s(files / "trace.parquet", monkeypatch) * samples / taken_s
    row("  against the same without leaps", f"{whole:.0f} times as fast", limits)
    row("  against a bare loop of steps", f"{ratio:.0f} times as fast", f"at least {FLOOR}")
    row("  pulses, steps", f"{replay.tally.pulses.total()}, {replay.steps}", f"of {samples}")
    taken_s, cpu_s, replay = replayed(files / "pulses.parquet")
    told = f"{taken_s:.2f} s; a year {taken_s * 365 / DAYS:.1f} s"
    row("  where it tells of pulses, which are judged", told, f"CPU {cpu_s:.2f} s")
    assert min(ratio, whole) >= FLOOR


@pytest.mark.night
@pytest.mark.patience(900, "a year of one-second samples")
def test_a_year_from_csv(files: Path, row: Add) -> None:
    pl.read_csv(files / "trace.csv")  # the first time it also starts its threads
    begun_s, cpu_s = time.perf_counter(), time.process_time()
    rows = len(pl.read_csv(files / "trace.csv"))
    parse_s, parse_cpu_s = time.perf_counter() - begun_s, time.process_time() - cpu_s
    taken_s, cpu_s, replay = replayed(files / "trace.csv")
    assert rows == replay.tally.samples
    times, cpu_times = taken_s / parse_s, cpu_s / parse_cpu_s
    row(
        "replay from CSV",
        f"{taken_s:.2f} s, {times:.1f} times polars' bare parse",
        f"wanted: 3; CPU {cpu_s:.2f} s, {cpu_times:.1f} times",
    )
    assert cpu_times <= 6.0


@pytest.mark.night
def test_memory_for_a_year(files: Path, row: Add) -> None:
    """Peak resident memory of the whole process."""
    program = (
        "import re, sys; from pathlib import Path; from dustcake.__main__ import main; "
        "main(sys.argv[1:]); status = Path('/proc/self/status').read_text(); "
        "print(re.search(r'VmHWM:\\s+([0-9]+)', status).group(1), file=sys.stderr)"
    )
    options = ["--settings", str(files / "settings.toml"), "--json"]
    done = subprocess.run(
        [sys.executable, "-c", program, "replay", str(files / "trace.parquet"), *options],
        capture_output=True,
        text=True,
        check=True,
    )
    found = re.search(r"(\d+)\s*$", done.stderr)
    assert found is not None
    peak_mib = int(found[1]) / 1024
    row("  peak memory", f"{peak_mib:.0f} MiB", "at most 1024")
    assert peak_mib <= 1024


@pytest.mark.night
@pytest.mark.patience(900, "a year of one-second samples")
def test_a_study_of_two_hundred_settings(row: Add) -> None:
    """A tenth of it by default; all with DUSTCAKE_BENCH_DAYS=365."""
    interval = Interval(0.6, 0.58, 0.62)
    collector = FittedCollector(
        4,
        Interval(0.0225, 0.022, 0.023),
        Interval(600.0, 595.0, 605.0),
        interval,
        Interval(0.05, 0.04, 0.06),
        0.01,
        3.0,
        np.ones(24),
        np.array([0.0] * 6 + [1.0] * 16 + [0.0] * 2),
        "UTC",
        1.2,
        0.0,
        870.0,
        640.0,
        200,
        1.0,
        0.95,
        unbounded(np.array([0.0225, 600.0, 0.6, 0.05, 0.01, 0.5])),
        np.eye(6) * 1e-4,
        "not asked here",
    )
    share = 1 if DAYS >= 365 else 10
    from dustcake_lab.study.candidates import grid

    setpoints = chosen(
        fitted={"blower_running": True},
        pulsing={"interval_s": 15.0, "order": (1, 2, 3, 4)},
        cleaning={"on_delay_s": 5.0},
    )
    candidates = list(grid(setpoints, 605.0, 1190.0, 5.0))[::share]
    begun_s = time.perf_counter()
    done = study(collector, setpoints, Prices(setpoints.air, 1.2, 0.04, 0.6), Plan(), candidates)
    taken_s = time.perf_counter() - begun_s
    each_s = taken_s / len(done.candidates)
    row(
        f"study of {len(done.candidates)} settings, a month each, 4 sets of parameters",
        f"{taken_s:.0f} s; 200 take {200 * each_s:.0f} s",
        "200 in 120 s on two idle cores",
    )
    assert 200 * each_s <= 600
