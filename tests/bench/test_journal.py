"""What the journal costs: time of a commit, and bytes that reach the memory card."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from bench.conftest import Add
from bench.process_figures import written_bytes
from dustcake.adapters.store import SqliteStore
from dustcake.core.inputs import Contacts, PollCompleted, Registers, Restarted, Stamp
from dustcake.settings.services import Journal
from ports.store.driven import Driven

DAY_S, MEASURED_S, START_UTC_S = 86_400, 7200, 1_800_000_000.0
MOST_MB_A_DAY, MOST_KB_A_PULSE = 150.0, 100.0
CONTACTS = Contacts(blower_running=True, smoke=False, door_open=False, process_running=True)


def quiet(n: int) -> tuple[int, int]:
    """About 800 Pa, wandering as a real reading does."""
    return 0x4448, (n * 7919) % 0x8000


def loaded(n: int) -> tuple[int, int]:
    """About 1200 Pa, above the set point where cleaning starts, so that it never ends."""
    return 0x4496, (n * 7919) % 0x8000


async def measured(
    journal: Path, flush_s: float, words: Callable[[int], tuple[int, int]]
) -> tuple[Driven, float]:
    """Two hours at one reading a second; MB a day."""
    async with SqliteStore.open(journal) as store:
        driven = Driven(store, flush_s)
        await driven.take(Restarted(Stamp(99.0, START_UTC_S - 1.0)))
        before = written_bytes(os.getpid())
        for n in range(MEASURED_S):
            at = Stamp(100.0 + n, START_UTC_S + n)
            await driven.take(PollCompleted(at, Registers(words(n)), CONTACTS))
    return driven, (written_bytes(os.getpid()) - before) / 1e6 * DAY_S / MEASURED_S


@pytest.mark.night
@pytest.mark.patience(600, "commits to a real disk, thousands of them")
async def test_what_a_commit_costs(tmp_path: Path, row: Add) -> None:
    default_s = Journal().flush_s
    for flush_s in (1.0, 5.0, default_s, 30.0):
        driven, mb_a_day = await measured(tmp_path / f"{flush_s:g}.db", flush_s, quiet)
        taken = sorted(driven.taken_s)
        p50_ms, p99_ms = (taken[int(len(taken) * part)] * 1e3 for part in (0.5, 0.99))
        row(
            f"journal, 1 Hz, nothing happening, flush_s {flush_s:g}",
            f"{mb_a_day:.0f} MB a day",
            f"commit p50 {p50_ms:.2f} ms, p99 {p99_ms:.2f} ms",
        )
        if flush_s == default_s:
            assert mb_a_day <= MOST_MB_A_DAY


@pytest.mark.night
@pytest.mark.patience(600, "commits to a real disk, thousands of them")
async def test_what_cleaning_adds(tmp_path: Path, row: Add) -> None:
    flush_s = Journal().flush_s
    _, resting = await measured(tmp_path / "resting.db", flush_s, quiet)
    driven, cleaning = await measured(tmp_path / "cleaning.db", flush_s, loaded)
    assert driven.pulses > 50
    kb = (cleaning - resting) * MEASURED_S / DAY_S * 1e3 / driven.pulses
    row("journal, for each pulse", f"{kb:.0f} kB", "with its events and what is told the broker")
    assert kb <= MOST_KB_A_PULSE
