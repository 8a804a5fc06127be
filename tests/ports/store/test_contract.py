"""What the ports Journal and Outbox promise: one suite over the fake and the real store."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from dustcake.adapters.store import SqliteStore
from dustcake.ports import Commit, Queued, Stored
from ports.fake_store import FakeStore
from ports.store.samples import commit_of, event_message, latest, live, poll, state

Store = FakeStore | SqliteStore


@pytest.fixture(params=["fake", "sqlite"])
async def store(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Store]:
    if request.param == "fake":
        yield FakeStore()
    else:
        async with SqliteStore.open(tmp_path / "journal.db") as opened:
            yield opened


def topics(queued: list[Queued]) -> list[str]:
    return [one.publication.topic for one in queued]


async def test_nothing_is_known_at_first(store: Store) -> None:
    assert await store.load("c1") is None
    assert list(await store.outbox("c1").pending(10)) == []


async def test_the_last_state_of_each_collector_is_kept(store: Store) -> None:
    for n in (1, 2, 3):
        assert await store.commit(commit_of(n)) is None
    assert await store.commit(commit_of(7, collector="c2")) is None
    assert await store.load("c1") == Stored(state(3), poll(3).at.utc_s)
    assert await store.load("c2") == Stored(state(7), poll(7).at.utc_s)


async def test_a_commit_without_inputs_keeps_the_time_of_the_last_one(store: Store) -> None:
    await store.commit(commit_of(5))
    await store.commit(Commit("c1", [], state(6), [], []))
    assert await store.load("c1") == Stored(state(6), poll(5).at.utc_s)


async def test_publications_come_out_whole_and_in_order(store: Store) -> None:
    sent = [event_message("c1", n) for n in range(1, 8)]
    await store.commit(commit_of(1, *sent[:3]))
    await store.commit(commit_of(2, *sent[3:]))
    first = list(await store.outbox("c1").pending(4))
    assert [one.publication for one in first] == sent[:4]
    assert [one.ref for one in first] == sorted({one.ref for one in first})
    await store.outbox("c1").delivered([one.ref for one in first])
    assert [one.publication for one in await store.outbox("c1").pending(10)] == sent[4:]


async def test_live_publications_are_not_stored(store: Store) -> None:
    await store.commit(commit_of(1, live("mill/c1/measurement")))
    assert list(await store.outbox("c1").pending(10)) == []


async def test_the_latest_replaces_an_undelivered_older_one_at_the_end(store: Store) -> None:
    await store.commit(commit_of(1, latest("a", 1), event_message("c1", 1), latest("b", 1)))
    await store.commit(commit_of(2, latest("a", 2), event_message("c1", 2)))
    queued = list(await store.outbox("c1").pending(10))
    assert topics(queued) == ["mill/c1/event", "b", "a", "mill/c1/event"]
    assert [one.publication for one in queued if one.publication.topic == "a"] == [latest("a", 2)]


async def test_a_latest_replaced_while_it_was_on_its_way(store: Store) -> None:
    await store.commit(commit_of(1, latest("a", 1)))
    (on_its_way,) = await store.outbox("c1").pending(10)
    await store.commit(commit_of(2, latest("a", 2)))
    await store.outbox("c1").delivered([on_its_way.ref])
    (newer,) = await store.outbox("c1").pending(10)
    assert newer.publication == latest("a", 2)


async def test_delivered_twice_and_unknown_refs_do_no_harm(store: Store) -> None:
    await store.commit(commit_of(1, event_message("c1", 1), event_message("c1", 2)))
    first, second = await store.outbox("c1").pending(10)
    await store.outbox("c1").delivered([first.ref])
    await store.outbox("c1").delivered([first.ref, 999_999])
    assert list(await store.outbox("c1").pending(10)) == [second]
    await store.outbox("c1").delivered([])


async def test_refs_are_not_used_again(store: Store) -> None:
    await store.commit(commit_of(1, event_message("c1", 1)))
    (old,) = await store.outbox("c1").pending(10)
    await store.outbox("c1").delivered([old.ref])
    await store.commit(commit_of(2, event_message("c1", 2)))
    (new,) = await store.outbox("c1").pending(10)
    assert new.ref > old.ref


async def test_wait_returns_when_something_is_added(store: Store) -> None:
    assert not await store.outbox("c1").pending(10)
    waiting = asyncio.create_task(store.outbox("c1").wait())
    await store.commit(commit_of(1, live("mill/c1/measurement")))
    await asyncio.sleep(0)
    assert not waiting.done()
    await store.commit(commit_of(2, event_message("c1", 1)))
    await asyncio.wait_for(waiting, 5.0)


async def test_wait_returns_at_once_while_something_is_there(store: Store) -> None:
    await store.commit(commit_of(1, event_message("c1", 1), event_message("c1", 2)))
    first, second = await store.outbox("c1").pending(10)
    await asyncio.wait_for(store.outbox("c1").wait(), 5.0)
    await store.outbox("c1").delivered([first.ref, second.ref])
    assert not await store.outbox("c1").pending(10)
    waiting = asyncio.create_task(store.outbox("c1").wait())
    await asyncio.sleep(0)
    assert not waiting.done()
    waiting.cancel()
    await asyncio.wait({waiting})


async def test_something_added_between_pending_and_wait_is_not_missed(store: Store) -> None:
    assert not await store.outbox("c1").pending(10)
    await store.commit(commit_of(1, event_message("c1", 1)))
    await asyncio.wait_for(store.outbox("c1").wait(), 5.0)


async def test_each_collector_has_an_outbox_of_its_own(store: Store) -> None:
    await store.commit(commit_of(1, event_message("c1", 1), latest("a", 1)))
    waiting = asyncio.create_task(store.outbox("c2").wait())
    assert list(await store.outbox("c2").pending(10)) == []
    await store.commit(commit_of(1, latest("a", 2), collector="c2"))
    await asyncio.wait_for(waiting, 5.0)
    (second,) = await store.outbox("c2").pending(10)
    assert second.publication == latest("a", 2)
    await store.outbox("c2").delivered([second.ref])
    first = [one.publication for one in await store.outbox("c1").pending(10)]
    assert first == [event_message("c1", 1), latest("a", 1)]


async def test_a_time_once_known_is_kept_when_the_clock_is_not_set(store: Store) -> None:
    await store.commit(commit_of(1))
    await store.commit(commit_of(2, utc=False))
    assert await store.load("c1") == Stored(state(2), poll(1).at.utc_s)


async def test_looking_while_another_delivers_never_finds_nothing_too_early(store: Store) -> None:
    count = 200
    await store.commit(commit_of(1, *(event_message("c1", n) for n in range(count))))
    outbox = store.outbox("c1")
    left = count

    async def deliver() -> None:
        nonlocal left
        for _ in range(count):
            (one,) = await outbox.pending(1)
            left -= 1
            await outbox.delivered([one.ref])
            await asyncio.sleep(0)

    delivering = asyncio.create_task(deliver())
    looks = 0
    while left > 1:
        assert await outbox.pending(1)
        looks += 1
        await asyncio.sleep(0)
    await delivering
    assert looks > 10
    assert not await outbox.pending(1)
