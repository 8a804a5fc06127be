"""What is kept for how long, and that disk use levels off."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import structlog

from dustcake.adapters.store import History, Retention, SqliteStore
from dustcake.adapters.store.journal_file import open_for_writing, transaction
from dustcake.adapters.store.rows import PACKED, pack
from dustcake.adapters.store.writing import BATCH, PERIOD, SPARED, prune
from ports.store.samples import FIRST_UTC_S, commit_of, event_message, latest, poll

DAY_S = 86_400


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.db"


async def test_old_inputs_go_and_events_stay(path: Path) -> None:
    async with SqliteStore.open(path, Retention(raw_days=2.0)) as store:
        await store.commit(commit_of(0, utc=False))
        for day in (1, 2, 4):
            for n in range(PERIOD):
                await store.commit(commit_of(day * DAY_S + n, inputs=2))
    with History(path) as history:
        kept = {int(one.at.mono_s - 100) // DAY_S for _, one in history.inputs("c1")}
        assert kept == {2, 4}
        assert len(list(history.all_events("c1", None, None))) == 1 + 3 * PERIOD


async def test_a_clock_set_wrong_for_a_while_does_not_empty_the_journal(path: Path) -> None:
    hours, year = 3600, 365 * DAY_S
    async with SqliteStore.open(path) as store:
        for n in range(1000):
            await store.commit(commit_of(n))
        for n in range(1000, 1000 + PERIOD):
            await store.commit(commit_of(n + 30 * year))
        for n in range(1000 + PERIOD, 1000 + 2 * hours // 60):
            await store.commit(commit_of(n))
    with History(path) as history:
        assert len(list(history.inputs("c1"))) > 1000 - 2 * BATCH


def written_directly(connection: sqlite3.Connection, days: int, limits: Retention) -> list[int]:
    """A day of rows after the other, as a daemon writes them, thinned out to one row in ten;
    how large the file is after each, in pages."""
    pages: list[int] = []
    body = pack([poll(n) for n in range(10)])
    rows = since = 0
    for day in range(days):
        with transaction(connection):
            for slot in range(DAY_S // 100):
                utc_s = FIRST_UTC_S + day * DAY_S + slot * 100
                connection.execute(
                    "INSERT INTO inputs (collector, start, utc_s, mono_s, kind, body) "
                    "VALUES ('c1', 1, ?, ?, ?, ?)",
                    (utc_s, rows * 100.0, PACKED, body),
                )
                rows += 1
                if slot % 6 == 0:
                    connection.execute(
                        "INSERT INTO minutes (collector, number, seq, start, utc_s, mono_s, "
                        "covered_s, polls, good, blower_s) VALUES ('c1', ?, 1, 1, ?, ?, 60, 60, "
                        "60, 60)",
                        (rows, utc_s, rows * 100.0),
                    )
                if slot % 43 == 0:
                    connection.execute(
                        "INSERT INTO events (collector, seq, utc_s, mono_s, name, body) "
                        "VALUES ('c1', ?, ?, ?, 'pulse', '{}')",
                        (rows, utc_s, rows * 100.0),
                    )
                since += 1
                if since == PERIOD:
                    since = 0
                    prune(connection, utc_s, limits)
        pages.append(connection.execute("PRAGMA page_count").fetchone()[0])
    return pages


def counted(connection: sqlite3.Connection, table: str) -> int:
    count: int = connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
    return count


@pytest.mark.patience(300, "a year of minutes is written")
def test_disk_use_levels_off_within_a_year(path: Path) -> None:
    with closing(open_for_writing(path)) as connection:
        pages = written_directly(connection, 365, Retention(raw_days=28.0, minutes_days=60.0))
        raw, minutes, events = (counted(connection, t) for t in ("inputs", "minutes", "events"))
    a_day = DAY_S // 100
    assert 28 * a_day <= raw <= 28 * a_day + BATCH + PERIOD
    assert 60 * 144 <= minutes <= 60 * 144 + BATCH + PERIOD
    assert events == 365 * 21
    # What still grows is the events alone: 21 a day of some 40 bytes.
    assert pages[-1] - pages[70] <= (365 - 70) * 21 * 60 / 1024
    assert pages[70] > pages[20] * 1.2, "the first weeks must have filled it"


@pytest.mark.patience(300, "a year of minutes is written")
def test_beyond_its_size_the_oldest_readings_go_first_and_events_never(path: Path) -> None:
    limit = 600_000
    with closing(open_for_writing(path)) as connection:
        pages = written_directly(connection, 40, Retention(max_bytes=limit))
        raw, minutes, events = (counted(connection, t) for t in ("inputs", "minutes", "events"))
        first = connection.execute("SELECT min(n) FROM minutes").fetchone()[0]
    assert max(pages) * 1024 <= limit * 1.3
    assert SPARED <= raw < 40 * 864
    assert (first, minutes) == (1, 40 * 144), "minutes went although readings were left"
    assert events == 40 * 21


@pytest.mark.patience(300, "a year of minutes is written")
def test_when_readings_are_gone_minutes_go_and_then_it_is_told(path: Path) -> None:
    with closing(open_for_writing(path)) as connection:
        written_directly(connection, 20, Retention(max_bytes=150_000))
        assert SPARED <= counted(connection, "inputs") <= SPARED + BATCH
        assert 0 < counted(connection, "minutes") < 20 * 144
        with structlog.testing.capture_logs() as logs, transaction(connection):
            for _ in range(20):
                prune(connection, None, Retention(max_bytes=1))
        assert counted(connection, "minutes") == 0
        assert counted(connection, "events") == 20 * 21
    assert logs[-1]["event"] == "journal larger than allowed"


async def test_a_broker_away_for_ever_loses_no_event(path: Path) -> None:
    async with SqliteStore.open(path, Retention(most_minutes_queued=5)) as store:
        await store.commit(commit_of(0, latest("a", 1)))
        for n in range(1, 3 * PERIOD):
            await store.commit(commit_of(n, event_message("c1", n)))
        queued = [one.publication for one in await store.outbox("c1").pending(1000)]
    assert queued == [latest("a", 1), *(event_message("c1", n) for n in range(1, 3 * PERIOD))]
