"""Raw Modbus on the wire, and waiting for things to come true."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import shutil
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest


def required_tool(name: str) -> str:
    """Path of a program the test cannot do without: missing, it fails under CI."""
    path = shutil.which(name)
    if path is not None:
        return path
    message = f"{name} IS NOT INSTALLED: nothing foreign has checked this device. Install {name}."
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)


def wait_until(condition: Callable[[], bool], what: str, limit_s: float = 20.0) -> None:
    """Return as soon as `condition` holds; fail when it has not within the limit."""
    end_s = time.monotonic() + limit_s
    while not condition():
        if time.monotonic() > end_s:
            pytest.fail(f"waited {limit_s} s in vain for: {what}")
        select.select([], [], [], 0.01)


@dataclass
class TcpWire:
    """A client that sends and reads exactly the bytes it is told to."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter

    @classmethod
    async def open(cls, port: int) -> TcpWire:
        return cls(*await asyncio.open_connection("127.0.0.1", port))

    async def send(self, *frames: bytes) -> None:
        self.writer.write(b"".join(frames))
        await self.writer.drain()

    async def receive(self) -> tuple[int, int, bytes]:
        """Transaction id, unit id and PDU of the next reply."""
        header = await asyncio.wait_for(self.reader.readexactly(7), 10.0)
        transaction, protocol, length, unit = struct.unpack(">HHHB", header)
        assert protocol == 0
        return transaction, unit, await self.reader.readexactly(length - 1)

    async def ask(self, pdu: bytes, unit: int = 1, transaction: int = 1) -> bytes:
        """The reply PDU to one request."""
        await self.send(tcp_frame(pdu, unit, transaction))
        answered = await self.receive()
        assert answered[:2] == (transaction, unit)
        return answered[2]

    async def closed(self) -> bool:
        """Whether the other side closes now, without a byte more."""
        return await asyncio.wait_for(self.reader.read(), 10.0) == b""

    async def close(self) -> None:
        self.writer.close()
        await self.writer.wait_closed()


def tcp_frame(pdu: bytes, unit: int = 1, transaction: int = 1) -> bytes:
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


@dataclass
class PtyWire:
    """A serial master on one end of a pseudo-terminal; `port` is the other end's path."""

    master: int = field(init=False)
    slave: int = field(init=False)
    port: str = field(init=False)

    def __post_init__(self) -> None:
        self.master, self.slave = os.openpty()
        os.set_blocking(self.master, False)
        self.port = os.ttyname(self.slave)

    async def ask(self, frame: bytes, size: int, limit_s: float = 10.0) -> bytes:
        """Send a frame; the next `size` bytes of reply, or what came of them within the limit."""
        os.write(self.master, frame)
        got = b""
        loop = asyncio.get_running_loop()
        ready = asyncio.Event()
        loop.add_reader(self.master, ready.set)
        try:
            async with asyncio.timeout(limit_s):
                while len(got) < size:
                    await ready.wait()
                    ready.clear()
                    # The loop may have told twice of what one read took.
                    with contextlib.suppress(BlockingIOError):
                        got += os.read(self.master, size - len(got))
        except TimeoutError:
            pass
        finally:
            loop.remove_reader(self.master)
        return got

    def close(self) -> None:
        os.close(self.master)
        os.close(self.slave)
