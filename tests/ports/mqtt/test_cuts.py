"""No event lost and none out of order, whatever happens to the connection."""

import asyncio
import json
import os
import sys
import time
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest

from dustcake.adapters.store import SqliteStore
from ports.fake_store import FakeStore
from ports.mqtt.running_link import VERSIONS, link_running, numbered, settings_for
from ports.store.samples import commit_of
from system_support.broker import Broker, CuttingProxy, running, until

pytestmark = pytest.mark.broker

MESSAGES = 300
CUTS = 19


def first_arrivals(lines: list[str]) -> list[int]:
    """``seq`` of each message when it first came; a repetition must be the same payload."""
    payloads: dict[int, str] = {}
    for line in lines:
        seq = json.loads(line)["seq"]
        assert payloads.setdefault(seq, line) == line
    return list(payloads)


def assert_consumers_can_follow(lines: list[str]) -> None:
    """A consumer that drops what is not newer than the newest it has seen never meets a gap."""
    newest = 0
    for line in lines:
        seq = json.loads(line)["seq"]
        assert seq <= newest + 1, f"{seq} came after {newest}"
        newest = max(newest, seq)


@pytest.mark.parametrize("version", VERSIONS)
async def test_nineteen_cuts_over_three_hundred_messages(
    broker: Broker, store: FakeStore, version: str
) -> None:
    async with CuttingProxy(broker.port) as proxy:
        settings = settings_for(proxy.port, version=version, retry_cap_s=0.02)
        async with (
            broker.subscriber("mill/c1/event") as seen,
            link_running(settings, store) as running_link,
        ):
            sent = 0
            for cut in range(1, CUTS + 1):
                await running_link.connected()
                before = len(set(seen.lines))
                while sent < MESSAGES * cut // (CUTS + 1):
                    sent += 1
                    store.queue(numbered(sent))
                await seen.heard(before + 1)
                proxy.cut()
                await running_link.lost()
            while sent < MESSAGES:
                sent += 1
                store.queue(numbered(sent))
            await until(lambda: store.empty, "empty outbox")
            newest = f'"seq": {MESSAGES}}}'
            await until(lambda: newest in "".join(seen.lines[-1:]), "the last message")
            assert first_arrivals(seen.lines) == list(range(1, MESSAGES + 1))
            assert_consumers_can_follow(seen.lines)
            assert proxy.connections == CUTS + 1
            assert len(seen.lines) - MESSAGES <= CUTS
            print(f"MQTT {version}: {len(seen.lines) - MESSAGES} repeated")


async def test_cuts_and_a_restart_of_the_daemon_with_the_outbox_on_disk(
    broker: Broker, tmp_path: Path
) -> None:
    journal = tmp_path / "journal.db"
    async with (
        CuttingProxy(broker.port) as proxy,
        broker.subscriber("mill/c1/event") as seen,
    ):
        settings = settings_for(proxy.port, retry_cap_s=0.02)
        for first in (1, 101):
            async with (
                SqliteStore.open(journal) as store,
                link_running(settings, store.outbox("c1")) as running_link,
            ):
                for seq in range(first, first + 100):
                    assert await store.commit(commit_of(seq, numbered(seq))) is None
                    if seq % 10 == 0:
                        await running_link.connected()
                        proxy.cut()
                        await running_link.lost()
        async with SqliteStore.open(journal) as store, link_running(settings, store.outbox("c1")):
            await until(lambda: '"seq": 200}' in "".join(seen.lines[-1:]), "the last message")
    assert first_arrivals(seen.lines) == list(range(1, 201))
    assert_consumers_can_follow(seen.lines)


async def test_the_broker_is_killed_and_comes_back(tmp_path: Path, store: FakeStore) -> None:
    async with (
        running(Broker(tmp_path, persistent=True)) as broker,
        CuttingProxy(broker.port) as proxy,
        broker.subscriber("mill/c1/event", session="listener") as seen,
        link_running(settings_for(proxy.port), store) as running_link,
    ):

        def listening(time: int) -> bool:
            return broker.log.count(" as listener ") >= time

        for last in (500, 1000):
            await running_link.connected()
            # What the broker has acknowledged and not passed on dies with it, so only a
            # listener that is there shows what the link itself loses.
            await until(partial(listening, last // 500), "the listener")
            for seq in range(last - 499, last + 1):
                store.queue(numbered(seq))
            await seen.heard(last - 479)
            # Nothing more reaches the broker, and what it has acknowledged is heard.
            proxy.freeze()
            await seen.heard(last - len(await store.pending(1000)))
            broker.kill()
            proxy.cut()
            proxy.thaw()
            await running_link.lost()
            assert await store.pending(1), "everything was sent before the kill"
            await broker.start()
            await seen.heard(last)
        assert first_arrivals(seen.lines) == list(range(1, 1001))
        assert_consumers_can_follow(seen.lines)


@pytest.mark.parametrize("version", VERSIONS)
async def test_the_will_is_published_when_the_process_is_killed(
    broker: Broker, version: str
) -> None:
    program = Path(__file__).with_name("small_daemon.py")
    daemon = await asyncio.create_subprocess_exec(
        *(sys.executable, str(program), str(broker.port), version),
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(program.parents[2]), *sys.path])},
    )
    async with broker.subscriber("mill/online") as seen:
        try:
            await until(lambda: len(seen.lines) == 1, "the birth")
            assert json.loads(seen.lines[0])["online"] is True
        finally:
            daemon.kill()
            await daemon.wait()
        await until(lambda: len(seen.lines) == 2, "the will")
        assert json.loads(seen.lines[1])["number"] == 1
    async with broker.subscriber("mill/online") as later:
        assert [json.loads(line)["number"] for line in later.lines] == [1]


async def test_a_half_open_connection_is_noticed_by_keepalive(
    broker: Broker, store: FakeStore
) -> None:
    async with CuttingProxy(broker.port) as proxy:
        settings = settings_for(proxy.port, keepalive_s=1, ack_timeout_s=60.0)
        async with link_running(settings, store) as running_link:
            await running_link.connected()
            proxy.freeze()
            began = time.monotonic()
            await running_link.cause("within the keepalive of 1 s")
            assert time.monotonic() - began < 5.0
            proxy.thaw()
            await running_link.connected()


async def test_a_missing_acknowledgement_ends_the_connection(
    broker: Broker, store: FakeStore
) -> None:
    async with CuttingProxy(broker.port) as proxy:
        settings = settings_for(proxy.port, keepalive_s=60, ack_timeout_s=0.5)
        async with (
            broker.subscriber("mill/c1/event") as seen,
            link_running(settings, store) as running_link,
        ):
            await running_link.connected()
            proxy.freeze()
            store.queue(numbered(1))
            await running_link.cause("does not answer")
            proxy.thaw()
            await until(lambda: store.empty, "delivery after all")
            await until(lambda: len(seen.lines) >= 1, "the event")
            assert first_arrivals(seen.lines) == [1]


def test_a_gap_is_not_taken_for_order() -> None:
    lines = [json.dumps({"seq": seq}) for seq in (1, 2, 4)]
    assert [b - a for a, b in pairwise(first_arrivals(lines))] == [1, 2]
    with pytest.raises(AssertionError, match="4 came after 2"):
        assert_consumers_can_follow(lines)
