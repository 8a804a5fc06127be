"""The link against a real broker and its command-line clients."""

import asyncio
import json
import time
from pathlib import Path

import pytest

from dustcake.publish.topics import Keep, Publication
from ports.fake_store import FakeStore
from ports.mqtt.running_link import VERSIONS, Says, link_running, message, numbered, settings_for
from system_support.broker import Broker, CuttingProxy, running, until

pytestmark = pytest.mark.broker


@pytest.mark.parametrize("version", VERSIONS)
async def test_birth_current_states_then_the_outbox_in_order(
    broker: Broker, store: FakeStore, version: str
) -> None:
    for seq in range(1, 31):
        store.queue(numbered(seq))
    states = [message("mill/c1/state", Keep.LATEST, phase="idle")]
    settings = settings_for(broker.port, version=version)
    async with (
        broker.subscriber("mill/#", line_format="%t %p", version=version) as seen,
        link_running(settings, store, Says(states)),
    ):
        await until(lambda: len(seen.lines) >= 32, "32 messages")
        assert seen.lines[0].startswith("mill/online ")
        assert '"online": true' in seen.lines[0]
        assert seen.lines[1].startswith("mill/c1/state ")
        bodies = [json.loads(line.split(" ", 1)[1]) for line in seen.lines[2:]]
        assert [body["seq"] for body in bodies] == list(range(1, 31))
        assert all(body == json.loads(numbered(body["seq"]).payload) for body in bodies)
        await until(lambda: store.empty, "empty outbox")


@pytest.mark.parametrize("version", VERSIONS)
async def test_retained_states_reach_a_later_subscriber_and_events_do_not(
    broker: Broker, store: FakeStore, version: str
) -> None:
    store.queue(numbered(1))
    store.queue(message("mill/c1/alarm/high_dp", Keep.LATEST, state="active"))
    async with link_running(settings_for(broker.port, version=version), store):
        await until(lambda: store.empty, "empty outbox")
        async with broker.subscriber("mill/#", line_format="%t") as seen:
            assert sorted(seen.lines) == ["mill/c1/alarm/high_dp", "mill/online"]


async def test_what_is_queued_later_wakes_the_link(broker: Broker, store: FakeStore) -> None:
    async with (
        broker.subscriber("mill/c1/event") as seen,
        link_running(settings_for(broker.port), store) as running_link,
    ):
        await running_link.connected()
        for seq in range(1, 6):
            store.queue(numbered(seq))
            await seen.heard(seq)


async def test_mqtt_5_properties(broker: Broker, store: FakeStore) -> None:
    publication = numbered(7)
    publication = Publication(
        publication.topic, publication.payload, 1, False, Keep.EVENT, expiry_s=90
    )
    store.queue(publication)
    line_format = "%E %C %P"
    async with (
        broker.subscriber("mill/c1/event", line_format=line_format) as seen,
        link_running(settings_for(broker.port), store),
    ):
        await until(lambda: len(seen.lines) == 1, "the event")
        assert seen.lines == ["90 application/json schema:mill.event.1"]


async def test_an_expired_measurement_is_not_shown_to_a_later_subscriber(
    broker: Broker, store: FakeStore
) -> None:
    async with link_running(settings_for(broker.port), store) as running_link:
        await running_link.connected()
        short = Publication("mill/c1/m", b'{"n": 1}', 0, True, Keep.LIVE, expiry_s=1)
        long = Publication("mill/c2/m", b'{"n": 2}', 0, True, Keep.LIVE, expiry_s=600)
        async with broker.subscriber("mill/+/m") as before:
            running_link.link.publish_live(short)
            running_link.link.publish_live(long)
            await until(lambda: len(before.lines) == 2, "both measurements")

        async def only_the_long_one() -> bool:
            async with broker.subscriber("mill/+/m") as after:
                return after.lines == ['{"n": 2}']

        async with asyncio.timeout(10):
            while not await only_the_long_one():
                pass


async def test_live_is_dropped_while_away_and_never_blocks(
    broker: Broker, store: FakeStore
) -> None:
    async with (
        broker.subscriber("mill/c1/m") as seen,
        link_running(settings_for(broker.port), store) as running_link,
    ):
        running_link.link.publish_live(message("mill/c1/m", Keep.LIVE, n=0))
        await running_link.connected()
        for n in range(1, 2001):
            running_link.link.publish_live(message("mill/c1/m", Keep.LIVE, n=n))
        await until(lambda: '{"n": 2000}' in seen.lines, "the newest")
        numbers = [json.loads(line)["n"] for line in seen.lines]
        assert 0 not in numbers
        assert numbers == sorted(numbers)


@pytest.mark.parametrize("version", VERSIONS)
async def test_clean_stop_says_goodbye_and_waits_for_nothing(
    broker: Broker, store: FakeStore, version: str
) -> None:
    async with broker.subscriber("mill/online") as seen:
        async with link_running(settings_for(broker.port, version=version), store) as running_link:
            await running_link.connected()
            began = time.monotonic()
        assert time.monotonic() - began < 5.0
        await until(lambda: len(seen.lines) == 2, "the goodbye")
        said = [json.loads(line) for line in seen.lines]
        assert [(each["online"], each["number"]) for each in said] == [(True, 2), (False, 3)]
        await until(lambda: "Client mill-daemon disconnected." in broker.log, "DISCONNECT")


async def test_clean_stop_is_bounded_when_the_broker_hangs(
    tmp_path: Path, store: FakeStore
) -> None:
    async with running(Broker(tmp_path)) as broker, CuttingProxy(broker.port) as proxy:
        async with link_running(settings_for(proxy.port), store) as running_link:
            await running_link.connected()
            proxy.freeze()
            began = time.monotonic()
        assert time.monotonic() - began < 5.0
