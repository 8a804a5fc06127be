"""What strangers may have of the loop, of connections, and of the log."""

import asyncio
import contextlib
import socket
from itertools import pairwise
from struct import pack

import pytest
from structlog.testing import capture_logs

from dustcake.adapters import limits, listener
from dustcake.adapters.limits import FloodLog, Turns
from dustcake.adapters.listener import Client, Listener, listening_at
from dustcake.adapters.plc import ANSWERS_APART_S, PlcServer
from dustcake.settings.services import Plc
from system_support.broker import free_port

READ = pack(">HHHBBHH", 1, 0, 6, 1, 4, 0, 1)
REPLY_BYTES = 11


async def test_a_buffered_flood_lets_others_run() -> None:
    loop = asyncio.get_running_loop()
    rounds = 0
    at_answer: list[tuple[int, float]] = []

    def registers(_unit: int) -> list[int]:
        at_answer.append((rounds, loop.time()))
        return [7]

    async def go_round() -> None:
        nonlocal rounds
        while True:
            rounds += 1
            await asyncio.sleep(0)

    port = free_port()
    server = PlcServer(Plc(port=port, most_connections=4, idle_s=10.0), registers)
    serving = asyncio.create_task(server.run())
    await server.listening.wait()
    others = asyncio.create_task(go_round())
    connections = [await asyncio.open_connection("127.0.0.1", port) for _ in range(3)]
    for _, writer in connections:
        writer.write(READ * 2000)
    for reader, _ in connections:
        assert await reader.readexactly(30 * REPLY_BYTES)
    gaps = [(later[0] - before[0], later[1] - before[1]) for before, later in pairwise(at_answer)]
    assert len(gaps) >= 89
    # The same connection's as well as another's: between two answers the loop goes round, and
    # there is time for more than one piece of work.
    assert min(rounds for rounds, _ in gaps) >= 2
    assert min(apart_s for _, apart_s in gaps) >= ANSWERS_APART_S
    for _, writer in connections:
        writer.close()
    for task in (others, serving):
        task.cancel()
        await asyncio.wait([task])


async def test_the_loop_is_free_for_as_long_however_long_a_piece_takes() -> None:
    turns, loop = Turns(0.02), asyncio.get_running_loop()
    ended: list[float] = []
    begun: list[float] = []

    async def piece() -> None:
        await turns.next()
        begun.append(loop.time())
        while loop.time() < begun[-1] + 0.05:
            pass
        ended.append(loop.time())

    await asyncio.gather(*(piece() for _ in range(4)))
    assert all(b - e >= 0.02 for e, b in zip(ended, begun[1:], strict=False))


async def test_who_gives_up_waiting_does_not_take_the_turn_along() -> None:
    turns = Turns(0.001)
    await turns.next()
    waiting = [asyncio.create_task(turns.next()) for _ in range(3)]
    await asyncio.sleep(0)
    waiting[0].cancel()
    async with asyncio.timeout(5):
        await asyncio.gather(*waiting[1:])


async def test_a_flood_is_one_line_with_a_count(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "LINE_EVERY_S", 0.05)
    with capture_logs() as lines:
        flood = FloodLog("it happened")
        for n in range(1000):
            flood.warn(cause=n)
        assert [(line["cause"], line["count"]) for line in lines] == [(0, 1)]
        await asyncio.sleep(0.08)
        assert [(line["cause"], line["count"]) for line in lines] == [(0, 1), (999, 999)]
        await asyncio.sleep(0.08)
        assert len(lines) == 2
        flood.warn(cause="once more")
        assert [line["count"] for line in lines] == [1, 999, 1]


class Served:
    """What a listener has let in: each says so, by its first byte, that it has asked."""

    def __init__(self, most: int) -> None:
        self.listener = Listener("test", most, idle_s=60.0)
        self.answered = 0

    def protocol(self, client: Client) -> asyncio.BaseProtocol:
        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            with contextlib.suppress(OSError):
                while await reader.read(1):
                    client.has_requested()
                    self.answered += 1
                    writer.write(b"!")
                    client.awaited()

        return asyncio.StreamReaderProtocol(asyncio.StreamReader(), serve)


@contextlib.asynccontextmanager
async def serving(served: Served):  # type: ignore[no-untyped-def]
    sockets = await listening_at("127.0.0.1", 0)
    task = asyncio.create_task(served.listener.serve(sockets, served.protocol))
    yield sockets[0].getsockname()[1]
    task.cancel()
    await asyncio.wait([task])
    served.listener.drop_all()


async def is_let_go(reader: asyncio.StreamReader) -> bool:
    try:
        async with asyncio.timeout(5):
            return await reader.read(1) == b""
    except ConnectionError:
        return True


async def test_who_has_made_a_request_stays_and_who_says_nothing_gives_way() -> None:
    served = Served(2)
    async with serving(served) as port:
        asking = await asyncio.open_connection("127.0.0.1", port)
        asking[1].write(b"?")
        assert await asking[0].read(1) == b"!"
        silent = await asyncio.open_connection("127.0.0.1", port)
        newcomer = await asyncio.open_connection("127.0.0.1", port)
        newcomer[1].write(b"?")
        async with asyncio.timeout(5):
            assert await newcomer[0].read(1) == b"!"
        assert await is_let_go(silent[0])
        one_too_many = await asyncio.open_connection("127.0.0.1", port)
        assert await is_let_go(one_too_many[0])
        asking[1].write(b"?")
        assert await asking[0].read(1) == b"!"
        for _, writer in (asking, silent, newcomer, one_too_many):
            writer.close()


async def test_who_does_not_ask_in_time_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listener, "REQUEST_WITHIN_S", 0.2)
    monkeypatch.setattr(listener, "_SWEEP_S", 0.05)
    async with serving(Served(2)) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        assert await is_let_go(reader)
        writer.close()


async def test_a_port_of_another_is_refused_and_nothing_stays_open() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(OSError, match="in use"):
            await listening_at("127.0.0.1", taken.getsockname()[1])
