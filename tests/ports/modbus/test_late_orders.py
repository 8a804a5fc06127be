"""An order that was not answered must not arrive later, when the valves have been proved off."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest

from dustcake.adapters.modbus.messages import WriteCoils
from dustcake.core.inputs import FailureKind
from dustcake.settings.buses import TcpBus
from ports.modbus.conftest import OpenBus
from ports.modbus.support import failed

ON = WriteCoils(1, 0, (True,))


@asynccontextmanager
async def server(
    answer: Callable[[bytes], bytes],
) -> "AsyncIterator[tuple[TcpBus, asyncio.Queue[str]]]":
    """A bus to a server that answers so, and how each connection to it ended."""
    ends: asyncio.Queue[str] = asyncio.Queue()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while request := await reader.read(1024):
                writer.write(answer(request))
            ends.put_nowait("closed")
        except ConnectionResetError:
            ends.put_nowait("reset")
        writer.close()

    listening = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = listening.sockets[0].getsockname()[1]
    yield TcpBus(kind="tcp", name="hall", host="127.0.0.1", port=port, timeout_s=0.05), ends
    listening.close()
    await listening.wait_closed()


async def test_a_request_given_up_is_thrown_away(bus_to: OpenBus) -> None:
    async with server(lambda _: b"") as (to, ends):
        bus = bus_to(to)
        async with bus.reserved() as channel:
            failed(await channel.exchange(ON), FailureKind.TIMEOUT)
        assert await ends.get() == "reset"


@pytest.mark.parametrize("wrong", [b"\xff" * 12, b"\0" * 7])
async def test_so_is_one_with_rubbish_for_an_answer(bus_to: OpenBus, wrong: bytes) -> None:
    async with server(lambda _: wrong) as (to, ends):
        bus = bus_to(to)
        async with bus.reserved() as channel:
            failed(await channel.exchange(ON), FailureKind.BAD_REPLY)
        assert await ends.get() == "reset"


async def test_so_is_one_that_closing_gives_up(bus_to: OpenBus) -> None:
    asked = asyncio.Event()

    def silent(_: bytes) -> bytes:
        asked.set()
        return b""

    async with server(silent) as (to, ends):
        bus = bus_to(to.model_copy(update={"timeout_s": 10.0}))
        async with bus.reserved() as channel:
            asking = asyncio.create_task(channel.exchange(ON))
            await asked.wait()
            await bus.aclose()
            assert "closed" in failed(await asking, FailureKind.UNREACHABLE)
        assert await ends.get() == "reset"


async def test_when_all_is_answered_the_end_is_an_orderly_one(bus_to: OpenBus) -> None:
    async with server(lambda request: request) as (to, ends):
        bus = bus_to(to)
        async with bus.reserved() as channel:
            assert await channel.exchange(ON) == ()
        await bus.aclose()
        assert await ends.get() == "closed"
