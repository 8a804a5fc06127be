"""Minutes, references to events, and the record's place in time, with the core's own inputs."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import structlog

from dustcake.adapters.store import History, Retention, SqliteStore
from dustcake.adapters.store.journal_file import open_for_reading
from dustcake.adapters.store.rows import minute_in
from dustcake.adapters.store.writing import PERIOD
from dustcake.core.inputs import (
    Contacts,
    FailureKind,
    Measured,
    PollCompleted,
    ReadFailure,
    Restarted,
    Signal,
    Stamp,
    Stopping,
)
from dustcake.ports import Commit
from dustcake.publish.topics import Publication
from ports.store.driven import COLLECTOR, RENDERER, Driven

UTC_S = 1_800_000_000.0  # a whole minute
RUNNING = Contacts(blower_running=True)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.db"


def poll(mono_s: float, pa: float = 600.0, offset_s: float | None = UTC_S) -> PollCompleted:
    utc_s = None if offset_s is None else offset_s + mono_s
    return PollCompleted(Stamp(float(mono_s), utc_s), Measured(pa), RUNNING)


def lost(mono_s: float) -> PollCompleted:
    signal: Signal = ReadFailure(FailureKind.TIMEOUT, "bus hall, unit 1: no reply")
    return PollCompleted(Stamp(mono_s, UTC_S + mono_s), signal, RUNNING)


def restarted(mono_s: float, offset_s: float | None = UTC_S) -> Restarted:
    return Restarted(Stamp(mono_s, None if offset_s is None else offset_s + mono_s))


def minutes_in(path: Path) -> list[dict[str, object]]:
    found = []
    with closing(open_for_reading(path)) as connection:
        rows = connection.execute("SELECT n, start FROM minutes ORDER BY n").fetchall()
        for row, start in rows:
            one = minute_in(connection, row)
            assert one is not None
            number, _, minute = one
            found.append(
                {
                    "number": number,
                    "start": start,
                    "utc_s": minute.began_utc_s,
                    "polls": minute.polls,
                    "good": minute.good,
                    "dp": minute.dp,
                    "covered_s": minute.covered_s,
                    "blower_s": minute.blower_s,
                }
            )
    return found


async def test_minutes_are_folded_from_what_was_committed(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        driven = Driven(store)
        await driven.take(restarted(0.0))
        for second in range(1, 60):
            await driven.take(poll(second, 500.0 + second) if second % 10 else lost(second))
        for second in range(60, 181):
            await driven.take(poll(second, 600.0))
        await driven.flush()
    first, second_, third = minutes_in(path)
    assert (first["number"], second_["number"], third["number"]) == (1, 2, 3)
    assert (first["polls"], first["good"]) == (59, 54)
    good = [500.0 + n for n in range(1, 60) if n % 10]
    dp = first["dp"]
    assert (dp.min_pa, dp.max_pa) == (501.0, 559.0)  # type: ignore[attr-defined]
    assert dp.mean_pa == pytest.approx(sum(good) / len(good))  # type: ignore[attr-defined]
    assert (second_["utc_s"], second_["polls"], second_["good"]) == (UTC_S + 60, 60, 60)
    assert second_["covered_s"] == second_["blower_s"] == pytest.approx(60.0)


async def test_a_crash_loses_no_minute(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        driven = Driven(store)
        await driven.take(restarted(0.0))
        for second in range(1, 46):
            await driven.take(poll(second))
        await driven.flush()
    assert minutes_in(path) == []
    async with SqliteStore.open(path) as store:
        stored = await store.load(COLLECTOR)
        assert stored is not None
        driven = Driven(store, state=stored.state)
        await driven.take(restarted(10.0, UTC_S + 40))  # another boot: monotonic time began anew
        for second in range(11, 26):
            await driven.take(poll(second, offset_s=UTC_S + 40))
        await driven.flush()
    first, second_ = minutes_in(path)
    assert (first["start"], first["polls"]) == (1, 45)
    assert (second_["start"], second_["utc_s"], second_["polls"]) == (2, UTC_S + 50, 9)


async def test_an_orderly_stop_closes_the_minute(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        driven = Driven(store)
        await driven.take(restarted(0.0))
        for second in range(1, 21):
            await driven.take(poll(second))
        await driven.take(Stopping(Stamp(20.5, UTC_S + 20.5)))
    (only,) = minutes_in(path)
    assert only["polls"] == 20


@pytest.mark.parametrize("hours", [-5, 5])
async def test_a_stepped_clock_mixes_no_minutes(path: Path, hours: int) -> None:
    stepped = UTC_S + 3600.0 * hours
    with structlog.testing.capture_logs() as logs:
        async with SqliteStore.open(path) as store:
            driven = Driven(store)
            await driven.take(restarted(0.0))
            for second in range(1, 90):
                await driven.take(poll(second))
            for second in range(90, 200):
                await driven.take(poll(second, 700.0, stepped))
    found = minutes_in(path)
    assert [(one["utc_s"], one["polls"]) for one in found] == [
        (UTC_S, 59),
        (UTC_S + 60, 30),
        (stepped + 90, 30),
        (stepped + 120, 60),
    ]
    assert found[1]["dp"].max_pa == 600.0  # type: ignore[attr-defined]
    assert found[2]["dp"].min_pa == 700.0  # type: ignore[attr-defined]
    (log,) = [entry for entry in logs if entry["event"] == "clock stepped"]
    assert log["by_s"] == 3600.0 * hours
    with closing(sqlite3.connect(path)) as connection:
        steps = connection.execute("SELECT start, utc_offset_s FROM clock ORDER BY n").fetchall()
    assert steps == [(1, UTC_S), (1, stepped)]


async def test_records_while_the_clock_is_not_set_get_their_time_later(path: Path) -> None:
    with structlog.testing.capture_logs() as logs:
        async with SqliteStore.open(path) as store:
            driven = Driven(store)
            await driven.take(restarted(5.0, None))
            for second in range(6, 80):
                await driven.take(poll(second, offset_s=None))
            for second in range(80, 150):
                await driven.take(poll(second))
    assert logs[0]["event"] == "clock not set"
    first, *_ = minutes_in(path)
    assert first["utc_s"] is None
    with History(path) as history:
        events = list(history.all_events(None, None, None))
        assert events[0].name == "started"
        assert (events[0].utc_s, events[0].found_utc_s) == (None, UTC_S + 5.0)
        since = history.all_events(COLLECTOR, UTC_S + 5.5, None)
        assert [one.seq for one in since] == [one.seq for one in events[1:]]


async def test_starts_are_counted_even_where_the_clock_never_was(path: Path) -> None:
    for expected in (1, 2, 3):
        async with SqliteStore.open(path) as store:
            await Driven(store).take(restarted(1.0, None))
        with History(path) as history:
            assert list(history.all_events(None, None, None))[-1].start == expected


async def test_quiet_readings_do_not_store_the_state_again_but_are_loaded(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        driven = Driven(store)
        await driven.take(restarted(0.0))
        for second in range(1, 30):
            await driven.take(poll(second))
        await driven.flush()
        with closing(sqlite3.connect(path)) as connection:
            before = connection.execute("SELECT body FROM state").fetchall()
        for second in range(30, 60):
            await driven.take(poll(second, 611.0))
        await driven.flush()
        with closing(sqlite3.connect(path)) as connection:
            assert connection.execute("SELECT body FROM state").fetchall() == before
        stored = await store.load(COLLECTOR)
        assert stored is not None
        assert stored.state == driven.state
        assert stored.state.sample.pa == 611.0
        assert stored.utc_s == UTC_S + 59


def payloads(queued: list[Publication], topic: str) -> list[bytes]:
    return [one.payload for one in queued if one.topic == topic]


async def test_events_are_stored_once_and_told_as_they_were_worded(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        driven = Driven(store)
        driven.broker = False
        await driven.take(restarted(0.0))
        for second in range(1, 200):
            await driven.take(poll(second, 1200.0))
        assert driven.pulses > 5
        waiting = await store.outbox(COLLECTOR).pending(1000)
        told = payloads([one.publication for one in waiting], RENDERER.topics.of("event"))
        assert told == [one.payload for one in driven.told]
        numbers = [json.loads(one)["seq"] for one in told]
        assert numbers == list(range(1, len(numbers) + 1))
    with closing(sqlite3.connect(path)) as connection:
        kept = connection.execute(
            "SELECT length(payload), source IS NOT NULL FROM outbox WHERE keep = 'event'"
        ).fetchall()
    assert kept == [(0, 1)] * len(told)


async def test_an_event_of_another_version_is_still_told(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        driven = Driven(store)
        driven.broker = False
        await driven.take(restarted(0.0))
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("UPDATE events SET name = 'tea_time', body = '{\"cups\": 2}'")
        first = (await store.outbox(COLLECTOR).pending(1))[0].publication
    assert first.topic == RENDERER.topics.of("event")
    assert json.loads(first.payload) | {"utc": None} == {
        "schema": "dustcake/event/1",
        "utc": None,
        "seq": 1,
        "event": "tea_time",
        "cups": 2,
    }


async def test_minutes_wait_for_the_broker_and_the_oldest_are_dropped_and_counted(
    path: Path,
) -> None:
    most, hours = 30, 4
    async with SqliteStore.open(path, Retention(most_minutes_queued=most)) as store:
        driven = Driven(store)
        driven.broker = False
        await driven.take(restarted(0.0))
        for second in range(1, hours * 3600):
            await driven.take(poll(second))
        waiting = [one.publication for one in await store.outbox(COLLECTOR).pending(1000)]
        minutes = [json.loads(one) for one in payloads(waiting, RENDERER.topics.of("minute"))]
        events = payloads(waiting, RENDERER.topics.of("event"))
    assert events == [one.payload for one in driven.told]
    first, last = minutes[0], minutes[-1]
    assert last["number"] == hours * 60 - 1
    assert [one["number"] for one in minutes] == list(range(first["number"], last["number"] + 1))
    assert first["dropped"] == first["number"] - 1
    assert most <= len(minutes) <= most + PERIOD
    assert last["dp"]["mean"] == {"value": 600.0, "unit": "Pa", "quality": "good"}
    assert last["blower_running"]["value"] == pytest.approx(60.0)
    assert last["header"] is None


async def test_minutes_deleted_for_their_age_are_dropped_from_the_outbox(path: Path) -> None:
    async with SqliteStore.open(path, Retention(minutes_days=0.02)) as store:
        driven = Driven(store)
        driven.broker = False
        await driven.take(restarted(0.0))
        for second in range(1, 2 * 3600):
            await driven.take(poll(second))
        waiting = [one.publication for one in await store.outbox(COLLECTOR).pending(1000)]
        first = json.loads(payloads(waiting, RENDERER.topics.of("minute"))[0])
    assert first["dropped"] == first["number"] - 1 > 0


async def test_damage_while_running_keeps_events_minutes_and_place_in_time(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        driven = Driven(store)
        driven.broker = False
        await driven.take(restarted(0.0))
        for second in range(1, 300):
            await driven.take(poll(second, 1200.0))
        told = len(driven.told)
    with closing(sqlite3.connect(path)) as connection:
        root, size = connection.execute(
            "SELECT rootpage, (SELECT page_size FROM pragma_page_size) FROM sqlite_master "
            "WHERE name = 'inputs'"
        ).fetchone()
    with path.open("r+b") as file:
        file.seek((root - 1) * size)
        file.write(b"\xa5" * size)
    async with SqliteStore.open(path) as store:
        store.describe(RENDERER)
        failed = await store.commit(Commit(COLLECTOR, [poll(300)], driven.state, [], []))
        assert failed is not None
        assert "damaged" in failed
        driven = Driven(store, state=driven.state)
        driven.broker = False
        for second in range(301, 500):
            await driven.take(poll(second, 1200.0))
        waiting = [one.publication for one in await store.outbox(COLLECTOR).pending(1000)]
    events = [json.loads(one)["seq"] for one in payloads(waiting, RENDERER.topics.of("event"))]
    assert events == list(range(1, told + len(driven.told) + 1))
    assert [one["number"] for one in minutes_in(path)] == list(range(1, len(minutes_in(path)) + 1))
    assert {one["start"] for one in minutes_in(path)} == {1, 2}
