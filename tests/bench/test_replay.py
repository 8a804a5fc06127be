"""The rate of a replay: plain `step` on every sample, the replayer's leaps, and from a CSV file."""

import csv
import json
import math
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from bench.conftest import Add
from core.driver import BASE
from dustcake.core.inputs import (
    Contacts,
    Measured,
    Outcome,
    OutputReported,
    PollCompleted,
    Restarted,
    Stamp,
    Woke,
)
from dustcake.core.state import first_state
from dustcake.core.step import step
from dustcake_lab.replay.replay import Replay

ROWS = 400_000
MOST_OF_MAKING = 4.0
SETTINGS = Path(__file__).parents[2] / "config" / "four_valves_tcp.toml"


def sawtooth_pa() -> Iterator[float]:
    """A collector that loads in an hour and is cleaned in two minutes, with ripple."""
    for n in range(ROWS):
        phase_s = n % 3720
        loading_pa = 700.0 + 310.0 * phase_s / 3600
        cleaned_pa = 1010.0 - 310.0 * (phase_s - 3600) / 120
        yield (loading_pa if phase_s < 3600 else cleaned_pa) + 3.0 * math.sin(n)


def polls() -> Iterator[PollCompleted]:
    contacts = Contacts()
    for n, pa in enumerate(sawtooth_pa()):
        yield PollCompleted(Stamp(float(n), None), Measured(pa), contacts)


def plain_steps(parsed: list[PollCompleted]) -> int:
    """Step every sample, wake when due, report every command done; returns how many events."""
    at = Stamp(-1.0, None)
    result = step(first_state(BASE, at), Restarted(at), BASE)
    events = len(result.events)
    for poll in parsed:
        pending = [
            OutputReported(poll.at, command.command_id, Outcome.DONE) for command in result.commands
        ]
        for report in pending:
            result = step(result.state, report, BASE)
            events += len(result.events)
        while result.wake_at_s is not None and result.wake_at_s < poll.at.mono_s:
            result = step(result.state, Woke(Stamp(result.wake_at_s, None)), BASE)
            events += len(result.events)
        result = step(result.state, poll, BASE)
        events += len(result.events)
    return events


def test_rate_of_plain_steps_and_of_leaps(row: Add) -> None:
    began_s = time.process_time()
    parsed = list(polls())
    made = ROWS / (time.process_time() - began_s)
    began_s = time.process_time()
    events = plain_steps(parsed)
    plain = ROWS / (time.process_time() - began_s)
    assert events > 500  # it was a real trace: cleaning runs, pulses
    began_s = time.process_time()
    leapt = sum(1 for _ in Replay(BASE).events(parsed))
    leaps = ROWS / (time.process_time() - began_s)
    assert leapt > 500
    row(
        "replay through plain step",
        f"{plain:,.0f} samples/s",
        f"wanted: 200,000; {made / plain:.1f} times as long as making the inputs",
    )
    row("replay with leaps", f"{leaps:,.0f} samples/s", f"{leaps / plain:.1f} times plain")
    assert made / plain <= MOST_OF_MAKING


def test_rate_from_a_csv_file(tmp_path: Path, row: Add) -> None:
    trace = tmp_path / "trace.csv"
    with trace.open("w") as file:
        file.write("time,dp_pa\n")
        file.writelines(f"{n},{pa:.2f}\n" for n, pa in enumerate(sawtooth_pa()))
    began_s = time.perf_counter()
    with trace.open(newline="") as file:
        parsed = sum(len(cells) for cells in csv.reader(file))
    floor_s = time.perf_counter() - began_s
    assert parsed == 2 * (ROWS + 1)
    began_s = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "dustcake", "replay", trace, "--settings", SETTINGS, "--json"],
        check=True,
        capture_output=True,
        text=True,
    )
    taken_s = time.perf_counter() - began_s
    assert json.loads(done.stdout.splitlines()[-1])["samples"] == ROWS
    row(
        "`dustcake replay` of a CSV file, whole process",
        f"{ROWS / taken_s:,.0f} samples/s",
        f"{taken_s / floor_s:.1f} times a bare csv.reader",
    )
