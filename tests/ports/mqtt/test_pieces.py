"""The parts of the link that need no broker."""

import asyncio
from collections.abc import Sequence

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from dustcake.adapters.mqtt.link import LIVE_CAPACITY, LatestQueue, MqttLink
from dustcake.adapters.mqtt.packets import publish_properties
from dustcake.adapters.mqtt.trouble import explain
from dustcake.publish.topics import Keep, Publication
from ports.fake_store import FakeStore
from ports.mqtt.running_link import Says, numbered, settings_for
from runtime.simulated_time import run


class EnoughError(Exception):
    pass


class Attempts(MqttLink):
    """One whose connections hold for so long, one after the other; 0: none is made."""

    def __init__(self, held_s: Sequence[float], first_s: float, drawn: float) -> None:
        settings = settings_for(1883, retry_first_s=first_s, retry_cap_s=60.0)
        says = Says()
        super().__init__(settings, FakeStore(), says.online, says.current, uniform=lambda: drawn)
        self._held_s = list(held_s)
        self._ended_s = asyncio.get_running_loop().time()
        self.waited_s: list[float] = []

    async def _one_connection(self) -> aiomqtt.MqttError:
        now_s = asyncio.get_running_loop().time
        self.waited_s.append(now_s() - self._ended_s)
        if not self._held_s:
            raise EnoughError
        held_s = self._held_s.pop(0)
        if held_s:
            self._note_connection()
        await asyncio.sleep(held_s)
        self._ended_s = now_s()
        return aiomqtt.MqttError("gone")


def waits_s(held_s: Sequence[float], first_s: float = 1.0, drawn: float = 1.0) -> list[float]:
    """After each of these connections."""
    waited: list[float] = []

    async def story() -> None:
        link = Attempts(held_s, first_s, drawn)
        with pytest.raises(EnoughError):
            await link.run()
        waited.extend(link.waited_s[1:])

    run(story())
    return waited


def test_waiting_doubles_to_its_cap() -> None:
    assert waits_s([0.0] * 8) == pytest.approx([1, 2, 4, 8, 16, 32, 60, 60])


@pytest.mark.parametrize(("drawn", "share"), [(0.0, 0.5), (0.5, 0.75), (1.0, 1.0)])
def test_jitter_stays_between_half_and_all(drawn: float, share: float) -> None:
    assert waits_s([0.0], first_s=4.0, drawn=drawn) == pytest.approx([4.0 * share])


def test_waiting_starts_afresh_only_after_a_connection_that_held() -> None:
    assert waits_s([0, 59, 0, 61, 0]) == pytest.approx([1, 2, 4, 1, 2])


async def test_newest_wins_in_order_of_arrival_and_is_bounded() -> None:
    room = LatestQueue()
    for key, seq in (("a", 1), ("b", 2), ("a", 3), ("c", 4)):
        room.put_nowait((key, numbered(seq), None))
    assert [room.get_nowait()[1] for _ in range(3)] == [numbered(2), numbered(3), numbered(4)]
    waiting = asyncio.create_task(room.get())
    await asyncio.sleep(0)
    assert not waiting.done()
    room.put_nowait(("e", numbered(5), None))
    assert (await waiting)[1] == numbered(5)
    for seq in range(LIVE_CAPACITY + 1):
        room.put_nowait((seq, numbered(seq), None))
    assert room.qsize() == LIVE_CAPACITY
    assert room.get_nowait()[0] == 1


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
    trouble = explain(fault, settings_for(1883, version="3.1.1"))
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
