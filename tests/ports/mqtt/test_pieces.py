"""The parts of the link that need no broker."""

import asyncio

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from dustcake.adapters.mqtt import MqttVersion
from dustcake.adapters.mqtt.link import LatestQueue
from dustcake.adapters.mqtt.packets import publish_properties
from dustcake.adapters.mqtt.reconnect import Backoff
from dustcake.adapters.mqtt.trouble import explain
from dustcake.publish.topics import Keep, Publication
from ports.mqtt.running_link import settings_for


def test_backoff_doubles_to_its_cap() -> None:
    backoff = Backoff(1.0, 60.0, random=lambda: 1.0)
    assert [backoff.after(0.0) for _ in range(8)] == [1, 2, 4, 8, 16, 32, 60, 60]


@pytest.mark.parametrize(("drawn", "share"), [(0.0, 0.5), (0.5, 0.75), (1.0, 1.0)])
def test_backoff_jitter_stays_between_half_and_all(drawn: float, share: float) -> None:
    backoff = Backoff(4.0, 60.0, random=lambda: drawn)
    assert backoff.after(0.0) == 4.0 * share


def test_backoff_starts_afresh_only_after_a_connection_that_held() -> None:
    backoff = Backoff(1.0, 60.0, random=lambda: 1.0)
    assert [backoff.after(held_s) for held_s in (0, 59, 0, 61, 0)] == [1, 2, 4, 1, 2]


async def test_newest_wins_in_order_of_arrival_and_is_bounded() -> None:
    room: LatestQueue[int] = LatestQueue(3)
    for key, item in (("a", 1), ("b", 2), ("a", 3), ("c", 4), ("d", 5)):
        room.put(key, item)
    assert [await room.take() for _ in range(3)] == [3, 4, 5]
    waiting = asyncio.create_task(room.take())
    await asyncio.sleep(0)
    assert not waiting.done()
    room.put("e", 6)
    assert await waiting == 6


@pytest.mark.parametrize(
    ("payload", "content_type", "user"),
    [
        (b'{"schema": "mill.event.1"}', "application/json", [("schema", "mill.event.1")]),
        (b'{"schema": 3}', "application/json", None),
        (b"[1, 2]", "application/json", None),
        (b"", None, None),
        (b"\x08\x01\xff", None, None),
    ],
)
def test_content_is_described_where_it_is_json(
    payload: bytes, content_type: str | None, user: list[tuple[str, str]] | None
) -> None:
    properties = publish_properties(Publication("t", payload, 1, False, Keep.EVENT))
    assert getattr(properties, "ContentType", None) == content_type
    assert getattr(properties, "UserProperty", None) == user
    assert not hasattr(properties, "MessageExpiryInterval")


@pytest.mark.parametrize(
    ("code", "cause", "remedy"),
    [
        (0x84, "does not speak MQTT 3.1.1", "mqtt.version"),
        (0x85, "does not accept mqtt.client_id 'mill-daemon'", "letters and digits"),
        (0x86, "does not let user (none) in: Bad user name or password", "mqtt.username"),
        (0x88, "ended the connection: Server unavailable", "broker's log"),
        (0x8E, "another client has connected to 127.0.0.1:1883 as 'mill-daemon'", "client_id"),
        (0x8B, "is shutting down", "start the broker"),
    ],
)
def test_codes_a_broker_gives(code: int, cause: str, remedy: str) -> None:
    packet_type = PacketTypes.DISCONNECT if code > 0x8A else PacketTypes.CONNACK
    fault = aiomqtt.MqttCodeError(ReasonCode(packet_type, identifier=code))
    trouble = explain(fault, settings_for(1883, version=MqttVersion.V3_1_1))
    assert cause in trouble.cause
    assert remedy in trouble.remedy


@pytest.mark.parametrize(
    ("error", "cause"),
    [
        (TimeoutError(), "does not answer"),
        (OSError(101, "Network is unreachable"), "Network is unreachable"),
    ],
)
def test_errors_of_the_network(error: OSError, cause: str) -> None:
    fault = aiomqtt.MqttError("as the library has it")
    fault.__context__ = error
    assert cause in explain(fault, settings_for(1883)).cause
