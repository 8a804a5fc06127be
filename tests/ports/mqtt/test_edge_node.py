"""Assertions of Sparkplug 3.0.0 on what the edge node does on a connection: its packets as they
come to a listener, and its session with a real broker."""

import asyncio
import re
from pathlib import Path

import pytest
import structlog

from dustcake.core.reasons import Because, because
from dustcake.publish.sparkplug.commands import DeviceRequest, Refused
from ports.mqtt.edge_node_bench import (
    DEVICE,
    STATE,
    host_side,
    kinds,
    linked,
    messages,
    publish,
    topic,
)
from ports.mqtt.running_link import VERSIONS
from publish.sparkplug.covering import covers_together
from publish.sparkplug.host import dp
from publish.sparkplug.independent import command, parsed, value_of
from system_support.broker import Broker, CuttingProxy, running, until

NOW_MS = 1_800_000_000_000


async def connect_packet(version: str) -> bytes:
    """The first packet of a link to a listener, without its fixed header."""
    packet: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()

    async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if not packet.done():
            kind, length = await reader.readexactly(2)
            assert (kind, length < 128) == (0x10, True), "CONNECT, of less than 128 bytes"
            packet.set_result(await reader.readexactly(length))
        writer.close()

    server = await asyncio.start_server(take, "127.0.0.1", 0)
    async with server, linked(server.sockets[0].getsockname()[1], version=version):
        return await asyncio.wait_for(packet, 20)


def taken(data: bytes, at: int) -> tuple[bytes, int]:
    """A field with its length before it, and where it ends."""
    end = at + 2 + int.from_bytes(data[at : at + 2], "big")
    return data[at + 2 : end], end


@covers_together(
    "principles-persistence-clean-session-311",
    "message-flow-edge-node-birth-publish-connect",
)
async def test_connect_of_3_1_1(assertion: str) -> None:
    data = await connect_packet("3.1.1")
    assert data[:7] == b"\0\4MQTT\4"
    # Will, of QoS 1, not retained; clean session; neither user nor password.
    assert data[7] == 0b0000_1110
    _client, at = taken(data, 10)
    will_topic, at = taken(data, at)
    will, at = taken(data, at)
    assert at == len(data)
    assert will_topic.decode() == topic("NDEATH")
    (metric,) = parsed(will).metrics
    assert (metric.name, value_of(metric)) == ("bdSeq", 0)


@covers_together("principles-persistence-clean-session-50")
async def test_connect_of_5(assertion: str) -> None:
    data = await connect_packet("5")
    assert data[:7] == b"\0\4MQTT\5"
    assert data[7] == 0b0000_1110
    properties = data[11 : 11 + data[10]]
    # Session expiry interval (0x11) of 0 s, beside a largest packet (0x27).
    assert properties == b"\x11\0\0\0\0\x27\0\1\0\0"


@covers_together(
    "message-flow-edge-node-ncmd-subscribe",
    "message-flow-device-dcmd-subscribe",
    "operational-behavior-edge-node-intentional-disconnect-ndeath",
    "operational-behavior-edge-node-intentional-disconnect-packet",
    "payloads-ndeath-will-message-publisher-disconnect-mqtt311",
    "payloads-ndeath-will-message-publisher-disconnect-mqtt50",
    "operational-behavior-primary-application-state-with-multiple-servers-single-server",
)
@pytest.mark.parametrize("version", VERSIONS)
async def test_a_session_from_subscribing_to_its_orderly_end(
    broker: Broker, version: str, assertion: str
) -> None:
    await broker.publish(STATE, '{"online": true, "timestamp": 5}', "-r", "-q", "1")
    async with host_side(broker) as sub:
        async with linked(broker.port, version=version, host="control room") as bench:
            await until(lambda: len(kinds(sub)) == 2, "the births")
            bench.see(1.0)
            await until(lambda: len(kinds(sub)) == 3, "data")
            await until(lambda: not bench.link.is_behind, "everything told")
        await until(lambda: len(kinds(sub)) == 4, "the death")
        assert kinds(sub) == ["NBIRTH", "DBIRTH", "DDATA", "NDEATH"]
        assert [(m.qos, m.retained) for m in messages(sub)] == [(0, False)] * 3 + [(1, False)]
    # The subscriber may have the death before the broker has read, and logged, what comes after it.
    await until(lambda: "Received DISCONNECT from mill-sparkplug" in broker.log, "DISCONNECT")
    log = [
        line.split(": ", 1)[1] for line in broker.log.splitlines() if "mill-sparkplug" in line
        or re.search(r": \t.*\(QoS", line)
    ]  # fmt: skip
    # One connection, subscribed at QoS 1 before anything was published; the death, then the end.
    assert sum("New client connected" in line for line in log) == 1
    subscribed = [line.strip() for line in log if "(QoS 1)" in line]
    for wanted in (topic("NCMD"), topic("DCMD", DEVICE), STATE):
        assert any(line.startswith(f"{wanted} ") for line in subscribed), wanted
    sent = [line for line in log if re.match("Received (SUBSCRIBE|PUBLISH|DISCONNECT)", line)]
    assert sent[0].startswith("Received SUBSCRIBE")
    assert "NBIRTH" in sent[1]
    assert "NDEATH" in sent[-2]
    assert sent[-1].startswith("Received DISCONNECT")


async def test_without_commands_they_are_not_even_subscribed_to(broker: Broker) -> None:
    async with host_side(broker) as sub, linked(broker.port, commands=False):
        await until(lambda: len(kinds(sub)) == 2, "the births")
    assert topic("NCMD") in broker.log
    assert "DCMD" not in broker.log


@covers_together(
    "message-flow-edge-node-birth-publish-phid-wait",
    "message-flow-edge-node-birth-publish-phid-wait-id",
    "message-flow-edge-node-birth-publish-phid-offline",
    "operational-behavior-edge-node-birth-sequence-wait",
    "operational-behavior-edge-node-termination-host-offline",
    "operational-behavior-edge-node-termination-host-offline-reconnect",
    "host-topic-phid-birth-qos",
    "host-topic-phid-birth-retain",
    "host-topic-phid-death-qos",
    "host-topic-phid-death-retain",
)
async def test_nothing_is_told_without_the_primary_host(broker: Broker, assertion: str) -> None:
    async def says(online: str, at: int, host: str = STATE) -> None:
        await broker.publish(host, f'{{"online": {online}, "timestamp": {at}}}', "-r", "-q", "1")

    async with host_side(broker) as sub, linked(broker.port, host="control room") as bench:
        await bench.connected()
        await says("true", 50, "spBv1.0/STATE/another room")
        await says("false", 10)
        bench.see(1.0)
        await says("true", 20)
        await until(lambda: len(kinds(sub)) == 3, "births and history")
        assert kinds(sub) == ["NBIRTH", "DBIRTH", "DDATA"]
        assert messages(sub)[2].payload.metrics[0].is_historical, "0 Pa, while it was away"
        assert not bench.causes(), "that it was not there yet ended no connection"

        await says("false", 19)
        bench.see(2.0)
        await until(lambda: len(kinds(sub)) == 4, "data, since that was older news")
        await says("false", 30)
        await until(lambda: "NDEATH" in kinds(sub), "the death")
        await until(lambda: len(bench.link.statuses) == 3, "another connection")
        assert bench.causes() == [
            f"the primary host application is offline at 127.0.0.1:{broker.port}"
        ]
        bench.see(3.0)
        bench.see(4.0)
        assert kinds(sub)[4:] == ["NDEATH"]
        await says("true", 40)
        await until(lambda: len(kinds(sub)) == 8, "births and history")
        assert kinds(sub)[4:] == ["NDEATH", "NBIRTH", "DBIRTH", "DDATA"]
        (missed,) = messages(sub)[-1].payload.metrics
        assert (missed.is_historical, value_of(missed)) == (True, 3.0)
        bd_seq = {m.name: value_of(m) for m in messages(sub)[5].payload.metrics}["bdSeq"]
        assert bd_seq == 1


@covers_together("operational-behavior-data-commands-rebirth-action-1")
async def test_a_rebirth_stops_data(broker: Broker, tmp_path: Path, assertion: str) -> None:
    rebirth = command(NOW_MS, {"Node Control/Rebirth": True})
    async with host_side(broker) as sub, linked(broker.port) as bench:
        await until(lambda: len(kinds(sub)) == 2, "the births")
        await publish(broker, topic("NCMD"), rebirth, tmp_path)
        await until(lambda: len(kinds(sub)) == 4, "the births again")
        assert kinds(sub) == ["NBIRTH", "DBIRTH"] * 2
        seqs = [each.payload.seq for each in messages(sub)]
        assert seqs == [0, 1, 0, 1]
        # Values that have not left when the request comes wait until after the births. Without a
        # clock nothing leaves, neither data nor births.
        now_s, bench.clock.utc_s = bench.clock.utc_s, None
        for number in range(300):
            bench.node.observe(DEVICE, [dp(float(number), number + 10.0)], is_there=True)
        bench.link.stir()
        with structlog.testing.capture_logs() as logs:
            await publish(broker, topic("NCMD"), rebirth, tmp_path)
            await until(lambda: "sparkplug waits" in str(logs), "the request to be heard")
        assert kinds(sub) == ["NBIRTH", "DBIRTH"] * 2
        bench.clock.utc_s = now_s
        bench.link.stir()
        await until(lambda: len(kinds(sub)) == 9, "everything")
        assert kinds(sub)[4:] == ["NBIRTH", "DBIRTH", "DDATA", "DDATA", "DDATA"]


async def test_a_lost_connection_is_the_will_and_what_was_under_way_comes_again(
    broker: Broker,
) -> None:
    async with (
        CuttingProxy(broker.port) as proxy,
        host_side(broker) as sub,
        linked(proxy.port, unsure_s=1000.0) as bench,
    ):
        await until(lambda: len(kinds(sub)) == 2, "the births")
        proxy.freeze()
        bench.see(1.0)
        bench.see(2.0)
        await until(lambda: not bench.link.is_behind, "values sent into the frozen link")
        proxy.cut()
        proxy.thaw()
        await until(lambda: kinds(sub).count("DBIRTH") == 2, "the next session")
        assert kinds(sub)[:5] == ["NBIRTH", "DBIRTH", "NDEATH", "NBIRTH", "DBIRTH"]
        await until(lambda: len(kinds(sub)) > 5, "history")
        told = [
            (value_of(metric), metric.is_historical)
            for each in messages(sub)[5:]
            for metric in each.payload.metrics
        ]
        assert (1.0, True) in told
        will, birth = messages(sub)[2:4]
        assert value_of(will.payload.metrics[0]) == 0
        assert {m.name: value_of(m) for m in birth.payload.metrics}["bdSeq"] == 1


async def test_a_connect_that_was_never_sent_uses_no_number(tmp_path: Path) -> None:
    broker = Broker(tmp_path / "broker")
    async with linked(broker.port) as bench:
        await until(lambda: bool(bench.causes()), "a first attempt in vain")
        async with running(broker), host_side(broker) as sub:
            await bench.connected()
            # The subscriber may have come too late for the first births.
            rebirth = command(NOW_MS, {"Node Control/Rebirth": True})
            await publish(broker, topic("NCMD"), rebirth, tmp_path)
            await until(lambda: "NBIRTH" in kinds(sub), "a birth")
            birth = next(each for each in messages(sub) if each.kind == "NBIRTH")
            assert {m.name: value_of(m) for m in birth.payload.metrics}["bdSeq"] == 0


@covers_together(
    "topics-dcmd-mqtt", "topics-ncmd-mqtt", "payloads-dcmd-retain", "payloads-ncmd-retain"
)
async def test_commands_come_in_unless_retained_or_too_large(
    broker: Broker, tmp_path: Path, assertion: str
) -> None:
    dcmd = topic("DCMD", DEVICE)
    wanted = command(NOW_MS, {"Commands/Mode": "timed"})
    await publish(broker, dcmd, command(NOW_MS, {"Commands/Mode": "off"}), tmp_path, "-r")
    async with host_side(broker) as sub, linked(broker.port) as bench:
        await until(lambda: len(kinds(sub)) == 2, "the births")
        await publish(broker, dcmd, b"x" * 20_000, tmp_path)
        await publish(broker, dcmd, b"nonsense", tmp_path)
        await publish(broker, dcmd, wanted, tmp_path)
        await until(lambda: len(bench.asked) == 4, "the request")
        *refused, asked = bench.asked
        assert [each.reason for each in refused if isinstance(each, Refused)] == [
            because(Because.RETAINED),
            because(Because.NOT_UNDERSTOOD, "20000 bytes, more than 5120"),
            because(
                Because.NOT_UNDERSTOOD,
                "not a Sparkplug B payload: wire type 6 is not used in Sparkplug B",
            ),
        ]
        assert {each.device for each in bench.asked} == {DEVICE}
        assert isinstance(asked, DeviceRequest)
        assert b'"timed"' in asked.request


async def test_without_a_clock_nothing_is_born(broker: Broker) -> None:
    async with host_side(broker) as sub, linked(broker.port) as bench:
        bench.clock.utc_s = None
        await bench.connected()
        bench.see(1.0)
        assert not bench.link.is_behind, "there is nothing that could be told"
        bench.clock.utc_s = 1_800_000_100.0
        bench.see(2.0)
        await until(lambda: len(kinds(sub)) >= 2, "the births")
        assert kinds(sub)[0] == "NBIRTH"
