"""Files of older versions, stored here as they were left, are brought up and go on."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from core.driver import BASE
from dustcake.adapters.store import History, SqliteStore, StoreRefused
from dustcake.adapters.store.schema import VERSION, version_of
from dustcake.core.inputs import PollCompleted
from dustcake.ports import Commit
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Topics
from dustcake.units import PressureUnit
from ports.store.samples import event_message, poll

OLD = sorted((Path(__file__).parent / "old").glob("*.sql"))
RENDERER = Renderer(Topics("mill", "c1"), BASE, PressureUnit.PA, 30)


def restored(script: Path, to: Path) -> None:
    with closing(sqlite3.connect(to)) as connection:
        connection.executescript(script.read_text())


def everything(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return [(line,) for line in connection.iterdump()]


def test_there_is_one_of_each_older_version() -> None:
    assert [script.stem for script in OLD] == [f"version_{n}" for n in range(1, VERSION)]


@pytest.mark.parametrize("script", OLD, ids=lambda script: script.stem)
async def test_an_old_file_is_brought_up_and_nothing_is_lost(script: Path, tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    restored(script, path)
    with pytest.raises(StoreRefused, match="older version of dustcake; start the daemon once"):
        History(path)
    with closing(sqlite3.connect(path)) as old:
        told = old.execute(
            "SELECT topic, payload FROM outbox WHERE collector = 'c1' ORDER BY ref"
        ).fetchall()
        refs = [ref for (ref,) in old.execute("SELECT ref FROM outbox ORDER BY ref")]
        events = old.execute("SELECT seq, name FROM events WHERE collector = 'c1'").fetchall()
        inputs = old.execute("SELECT mono_s FROM inputs WHERE collector = 'c1'").fetchall()
    assert len(told) > 5
    assert len(events) > 5
    async with SqliteStore.open(path) as store:
        stored = await store.load("c1")
        assert stored is not None
        assert stored.state.next_seq == len(events) + 1
        assert sum(stored.state.pulsing.counts) > 0
        queued = await store.outbox("c1").pending(100)
        assert [(one.publication.topic, one.publication.payload) for one in queued] == told
    with History(path) as history:
        read = list(history.all_events("c1", None, None))
        assert [(one.seq, one.name) for one in read] == events
        assert {one.start for one in read} == {0}
        assert [(one.at.mono_s,) for _, one in history.inputs("c1")] == inputs
        assert history.state("c2") is not None
    brought_up = everything(path)
    async with SqliteStore.open(path) as store:
        again = await store.load("c1")
        assert again == stored
        assert await store.outbox("c1").pending(100) == queued
    assert everything(path) == brought_up, "opened a second time, it is changed again"
    async with SqliteStore.open(path) as store:
        store.describe(RENDERER)
        seq = stored.state.next_seq
        commit = Commit("c1", [poll(1)], stored.state, [], [event_message("c1", seq)])
        assert await store.commit(commit) is None
        newest = (await store.outbox("c1").pending(100))[-1]
        assert newest.ref > max(refs) - 100
        assert newest.publication == event_message("c1", seq)
    with History(path) as history:
        kept = [one for _, one in history.inputs("c1")]
        assert len(kept) == len(inputs) + 1
        assert isinstance(kept[-1], PollCompleted)


def test_the_version_of_a_new_file_is_the_newest(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "empty.db")) as connection:
        assert version_of(connection) == 0
