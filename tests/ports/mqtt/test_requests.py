"""Requests over MQTT: what comes in, what is turned away, where replies may go."""

import asyncio

import pytest

from dustcake.adapters.mqtt import Incoming, Reply
from dustcake.adapters.mqtt.link import LARGEST_PAYLOAD, MOST_WAITING
from ports.fake_store import FakeStore
from ports.mqtt.running_link import VERSIONS, link_running, settings_for
from system_support.broker import Broker, until

pytestmark = pytest.mark.broker

FILTERS = ("mill/+/request",)


class Desk:
    """Takes requests; while ``open`` is not set it does not finish them."""

    def __init__(self) -> None:
        self.taken: list[Incoming] = []
        self.turned_away = 0
        self.open = asyncio.Event()
        self.open.set()

    async def answer(self, incoming: Incoming) -> Reply:
        if incoming.is_one_too_many:
            self.turned_away += 1
            return "desk/busy", b"{}"
        self.taken.append(incoming)
        await self.open.wait()
        return "mill/c1/reply/kim", b'{"accepted": true}'


async def test_request_and_reply_with_mqtt_5(broker: Broker, store: FakeStore) -> None:
    desk = Desk()
    settings = settings_for(broker.port, request_topics=FILTERS)
    async with (
        broker.subscriber("desk/7", line_format="%p %D %C") as replies,
        link_running(settings, store, answer=desk.answer) as running_link,
    ):
        await running_link.connected()
        await broker.publish(
            *("mill/c1/request", '{"do": "it"}', "-V", "5", "-q", "1"),
            *("-D", "publish", "response-topic", "desk/7"),
            *("-D", "publish", "correlation-data", "abc"),
            *("-D", "publish", "message-expiry-interval", "20"),
        )
        await until(lambda: len(replies.lines) == 1, "the reply")
        assert desk.taken == [
            Incoming("mill/c1/request", b'{"do": "it"}', False, 20, "desk/7", b"abc")
        ]
        assert replies.lines == ['{"accepted": true} abc application/json']


async def test_request_with_mqtt_3_1_1(broker: Broker, store: FakeStore) -> None:
    desk = Desk()
    settings = settings_for(broker.port, version="3.1.1", request_topics=FILTERS)
    async with (
        broker.subscriber("mill/c1/reply/kim") as replies,
        link_running(settings, store, answer=desk.answer) as running_link,
    ):
        await running_link.connected()
        await broker.publish("mill/c1/request", "{}")
        await until(lambda: replies.lines == ['{"accepted": true}'], "the reply")
        assert desk.taken == [Incoming("mill/c1/request", b"{}", False, None, None, None)]


async def test_off_by_default(broker: Broker, store: FakeStore) -> None:
    desk = Desk()
    async with link_running(settings_for(broker.port), store, answer=desk.answer) as running_link:
        await running_link.connected()
        await broker.publish("mill/c1/request", "{}")
    assert "Received SUBSCRIBE from mill-daemon" not in broker.log
    assert desk.taken == []


@pytest.mark.parametrize("version", VERSIONS)
async def test_oversize_requests_are_cut_and_retained_ones_say_so(
    broker: Broker, store: FakeStore, version: str
) -> None:
    desk = Desk()
    await broker.publish("mill/c1/request", '"retained"', "-r")
    settings = settings_for(broker.port, version=version, request_topics=FILTERS)
    async with link_running(settings, store, answer=desk.answer) as running_link:
        await running_link.connected()
        await broker.publish("mill/c1/request", "x" * (LARGEST_PAYLOAD + 1))
        await broker.publish("mill/c1/request", '"retained just now"', "-r")
        await until(lambda: len(desk.taken) == 3, "all three")
    assert [len(each.payload) for each in desk.taken] == [10, LARGEST_PAYLOAD, 19]
    # MQTT 3.1.1 cannot tell that one which comes at once was retained.
    at_once = version == "5"
    assert [each.retained for each in desk.taken] == [True, False, at_once]


async def test_a_flood_is_bounded_and_does_not_hold_up_the_link(
    broker: Broker, store: FakeStore
) -> None:
    desk = Desk()
    desk.open.clear()
    settings = settings_for(broker.port, request_topics=FILTERS)
    async with (
        broker.subscriber("desk/busy") as told,
        link_running(settings, store, answer=desk.answer) as running_link,
    ):
        await running_link.connected()
        await broker.publish("mill/c1/request", "x", "--repeat", str(MOST_WAITING + 9))
        await until(lambda: desk.turned_away == 8, "8 turned away, 1 in hand, the rest waiting")
        await until(lambda: len(told.lines) == 8, "and told so")
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
