"""Commits of several collectors share a transaction; and what has just been committed is told
without asking the disk."""

import asyncio
import sqlite3
import threading
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.driver import BASE
from dustcake.adapters.store import SqliteStore
from dustcake.adapters.store import store as grouping
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Topics
from dustcake.units import PressureUnit
from examples import examples
from ports.fake_store import FakeStore
from ports.store.samples import commit_of, event_message, latest, live

COLLECTORS = ("c1", "c2", "c3")


class Card:
    """Counts transactions, and can be full, or stand still."""

    def __init__(self) -> None:
        self.commits = 0
        self.is_full = False
        self.goes_on = threading.Event()
        self.goes_on.set()
        card = self

        class Connection(sqlite3.Connection):
            def execute(self, sql: str, *arguments: Any) -> sqlite3.Cursor:
                card.goes_on.wait()
                if sql == "COMMIT":
                    if card.is_full:
                        full = sqlite3.OperationalError("database or disk is full")
                        full.sqlite_errorcode = sqlite3.SQLITE_FULL
                        raise full
                    card.commits += 1
                return super().execute(sql, *arguments)

        self.factory = Connection


@pytest.fixture
def card(monkeypatch: pytest.MonkeyPatch) -> Card:
    card, connect = Card(), sqlite3.connect

    def opened(*arguments: Any, **options: Any) -> sqlite3.Connection:
        return connect(*arguments, factory=card.factory, **options)

    monkeypatch.setattr(sqlite3, "connect", opened)
    return card


@pytest.fixture
async def store(card: Card, tmp_path: Path) -> AsyncIterator[SqliteStore]:
    async with SqliteStore.open(tmp_path / "journal.db") as opened:
        for name in COLLECTORS:
            setpoints = replace(BASE, collector=name)
            opened.describe(Renderer(Topics("mill", name), setpoints, PressureUnit.PA, 30))
        yield opened


async def test_quiet_commits_of_one_moment_share_a_transaction(
    card: Card, store: SqliteStore
) -> None:
    before = card.commits
    quiet = [replace(commit_of(1, collector=name), urgent=False) for name in COLLECTORS]
    assert await asyncio.gather(*map(store.commit, quiet)) == [None] * 3
    assert card.commits == before + 1
    for name in COLLECTORS:
        stored = await store.load(name)
        assert stored is not None
        assert stored.state == quiet[0].state


async def test_an_urgent_one_waits_for_nobody_and_takes_the_quiet_ones_along(
    card: Card, store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(grouping, "GATHER_S", 3600.0)
    before = card.commits
    quiet = asyncio.create_task(store.commit(replace(commit_of(1), urgent=False)))
    await asyncio.sleep(0)
    assert await store.commit(commit_of(2, collector="c2")) is None
    assert await quiet is None
    assert card.commits == before + 1


async def test_where_the_disk_is_full_none_of_them_is_stored_then_or_later(
    card: Card, store: SqliteStore
) -> None:
    card.is_full = True
    failed = await asyncio.gather(*(store.commit(commit_of(1, collector=n)) for n in COLLECTORS))
    assert all(one is not None and "full" in one for one in failed)
    card.is_full = False
    assert await store.commit(commit_of(5, collector="c3")) is None
    assert [await store.load(name) is None for name in COLLECTORS] == [True, True, False]
    assert await store.last_seq("c3") == 5


async def test_what_cannot_be_begun_is_not_written_with_another(
    card: Card, store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file is damaged, and cannot be replaced at first."""

    def refuse(path: Path) -> sqlite3.Connection:
        raise OSError(30, "Read-only file system")

    await store.commit(commit_of(1))
    store._database._damaged = True
    with monkeypatch.context() as patch:
        patch.setattr("dustcake.adapters.store.journal_file.start_afresh", refuse)
        assert await store.commit(commit_of(2, collector="c2")) is not None
    assert await store.commit(commit_of(3)) is None
    assert await store.load("c2") is None


async def test_what_has_just_been_stored_is_told_while_the_disk_is_busy(
    card: Card, store: SqliteStore
) -> None:
    outbox = store.outbox("c1")
    assert not await outbox.pending(1)
    await store.commit(commit_of(1, event_message("c1", 1), latest("mill/c1/state", 1)))
    card.goes_on.clear()
    stalled = asyncio.create_task(store.commit(commit_of(1, collector="c2")))
    try:
        async with asyncio.timeout(5):
            told = []
            while queued := await outbox.pending(1):
                told.append(queued[0].publication)
                await outbox.delivered([queued[0].ref])
    finally:
        card.goes_on.set()
    assert told == [event_message("c1", 1), latest("mill/c1/state", 1)]
    assert await stalled is None


PUBLICATION = st.one_of(
    st.integers(1, 9).map(lambda n: event_message("c1", n)),
    st.builds(latest, st.sampled_from(["mill/c1/state", "mill/c1/alarm/a"]), st.integers(0, 9)),
    st.just(live("mill/c1/measurement")),
)
DEED = st.one_of(
    st.lists(PUBLICATION, max_size=40),  # a commit
    st.integers(1, 5),  # so many are looked at, and the first of them is delivered
    st.just("anew"),
)


@given(deeds=st.lists(DEED, max_size=30))
@examples(60)
def test_an_outbox_says_the_same_whether_it_remembers_or_asks_the_disk(
    tmp_path_factory: pytest.TempPathFactory, deeds: list[Any]
) -> None:
    async def play() -> None:
        fake = FakeStore()
        path = tmp_path_factory.mktemp("outbox") / "journal.db"
        async with SqliteStore.open(path) as real:
            for number, deed in enumerate(deeds, start=1):
                if isinstance(deed, list):
                    for one in (fake, real):
                        assert await one.commit(commit_of(number, *deed)) is None
                elif deed == "anew":
                    real.outbox("c1")._waiting = None  # as when there was too much of it
                else:
                    mine = await real.outbox("c1").pending(deed)
                    expected = await fake.outbox("c1").pending(deed)
                    assert [q.publication for q in mine] == [q.publication for q in expected]
                    await real.outbox("c1").delivered([q.ref for q in mine[:1]])
                    await fake.outbox("c1").delivered([q.ref for q in expected[:1]])

    asyncio.run(play())
