"""Requests over MQTT: what comes in, what is dropped, where replies may go."""

import asyncio
from typing import Any

import pytest
import structlog

from dustcake.adapters.mqtt import MqttVersion
from dustcake.adapters.mqtt.requests import LARGEST_PAYLOAD, MOST_WAITING
from ports.fake_store import FakeStore
from ports.mqtt.running_link import VERSIONS, link_running, settings_for
from system_support.broker import Broker, until

pytestmark = pytest.mark.broker

FILTERS = ("mill/+/request",)


class Desk:
    """Takes requests; while ``closed`` is set it does not finish them."""

    def __init__(self) -> None:
        self.taken: list[dict[str, Any]] = []
        self.open = asyncio.Event()
        self.open.set()

    async def __call__(self, **request: Any) -> None:
        self.taken.append(request)
        await self.open.wait()


async def test_request_and_reply_with_mqtt_5(broker: Broker, store: FakeStore) -> None:
    desk = Desk()
    settings = settings_for(broker.port, request_topics=FILTERS)
    async with (
        broker.subscriber("desk/7", line_format="%p %D %C") as replies,
        link_running(settings, store, on_request=desk) as running_link,
    ):
        await running_link.connected()
        await broker.publish(
            *("mill/c1/request", '{"do": "it"}', "-V", "5", "-q", "1"),
            *("-D", "publish", "response-topic", "desk/7"),
            *("-D", "publish", "correlation-data", "abc"),
            *("-D", "publish", "user-property", "by", "shift lead"),
        )
        await until(lambda: len(desk.taken) == 1, "the request")
        assert desk.taken[0] == {
            "topic": "mill/c1/request",
            "payload": b'{"do": "it"}',
            "response_topic": "desk/7",
            "correlation_data": b"abc",
            "user_properties": (("by", "shift lead"),),
        }
        running_link.link.reply("desk/7", b'{"accepted": true}', b"abc")
        await until(lambda: len(replies.lines) == 1, "the reply")
        assert replies.lines == ['{"accepted": true} abc application/json']


async def test_request_with_mqtt_3_1_1(broker: Broker, store: FakeStore) -> None:
    desk = Desk()
    settings = settings_for(broker.port, version=MqttVersion.V3_1_1, request_topics=FILTERS)
    async with (
        broker.subscriber("mill/c1/reply") as replies,
        link_running(settings, store, on_request=desk) as running_link,
    ):
        await running_link.connected()
        await broker.publish("mill/c1/request", "{}")
        await until(lambda: len(desk.taken) == 1, "the request")
        assert desk.taken[0]["response_topic"] is None
        assert desk.taken[0]["correlation_data"] is None
        assert desk.taken[0]["user_properties"] == ()
        running_link.link.reply("mill/c1/reply", b"{}", None)
        await until(lambda: replies.lines == ["{}"], "the reply")


async def test_off_by_default(broker: Broker, store: FakeStore) -> None:
    desk = Desk()
    async with link_running(settings_for(broker.port), store, on_request=desk) as running_link:
        await running_link.connected()
        await broker.publish("mill/c1/request", "{}")
    assert "Received SUBSCRIBE from mill-daemon" not in broker.log
    assert desk.taken == []


@pytest.mark.parametrize("version", VERSIONS)
async def test_oversize_and_retained_requests_are_dropped(
    broker: Broker, store: FakeStore, version: MqttVersion
) -> None:
    desk = Desk()
    await broker.publish("mill/c1/request", '"retained"', "-r")
    settings = settings_for(broker.port, version=version, request_topics=FILTERS)
    with structlog.testing.capture_logs() as logs:
        async with link_running(settings, store, on_request=desk) as running_link:
            await running_link.connected()
            await broker.publish("mill/c1/request", "x" * (LARGEST_PAYLOAD + 1))
            await broker.publish("mill/c1/request", "x" * LARGEST_PAYLOAD)
            await until(lambda: len(desk.taken) == 1, "the request that is just small enough")
    assert len(desk.taken[0]["payload"]) == LARGEST_PAYLOAD
    causes = [entry["cause"] for entry in logs if entry["event"] == "request dropped"]
    assert causes == ["it was sent as a retained message", "16385 bytes, more than 16384"]


async def test_a_flood_is_bounded_and_does_not_hold_up_the_link(
    broker: Broker, store: FakeStore
) -> None:
    desk = Desk()
    desk.open.clear()
    settings = settings_for(broker.port, request_topics=FILTERS)
    with structlog.testing.capture_logs() as logs:
        async with link_running(settings, store, on_request=desk) as running_link:
            await running_link.connected()
            await broker.publish("mill/c1/request", "x", "--repeat", str(MOST_WAITING + 9))
            dropped = [0]

            def all_sorted() -> bool:
                dropped[0] = sum(entry["event"] == "request dropped" for entry in logs)
                return dropped[0] == 8

            await until(all_sorted, "8 dropped, 1 in hand, the rest waiting")
            broker.kill()
            await running_link.lost()


async def test_replies_go_nowhere_they_could_do_harm(broker: Broker, store: FakeStore) -> None:
    async with (
        broker.subscriber("#") as seen,
        link_running(settings_for(broker.port), store) as running_link,
    ):
        await running_link.connected()
        await until(lambda: len(seen.lines) == 1, "the birth")
        for topic in ("", "mill/online", "mill/c1/event", "mill", "a/+/b", "a/#", "a\0b"):
            running_link.link.reply(topic, b"harm", None)
        for topic in ("mill/reply/7", "mills/online"):
            running_link.link.reply(topic, b"fine", None)
        await until(lambda: seen.lines[1:] == ["fine", "fine"], "the two that may go")
