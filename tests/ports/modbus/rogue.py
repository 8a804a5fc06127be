"""Servers that answer honestly until they are told not to, byte by byte, over TCP and a pty."""

import asyncio
import os
import select
import tty
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import suppress
from typing import Self

import crcmod.predefined

from dustcake.settings.buses import SerialBus, TcpBus
from ports.modbus.device import Device

crc16 = crcmod.predefined.mkCrcFun("modbus")
"""The checksum of a serial frame, by another than the client's library."""


class Cut:
    """As a reply: break the connection off."""


Tampered = bytes | Cut | None
"""What is sent instead of the honest reply; None: nothing."""

Tamper = Callable[[bytes, bytes], Tampered]
"""From the request and the honest reply, both as whole frames, to what is sent."""


def honest(request: bytes, reply: bytes) -> Tampered:
    return reply


class Rogue(ABC):
    """What both servers have in common. ``heard``: every request frame, as it came."""

    def __init__(self) -> None:
        self.units: dict[int, Device] = {1: Device()}
        self.tamper: Tamper = honest
        self.heard: asyncio.Queue[bytes] = asyncio.Queue()
        self.frames: list[bytes] = []

    @property
    def device(self) -> Device:
        return self.units[1]

    def _respond(self, request: bytes, unit: int, pdu: bytes) -> Tampered:
        self.frames.append(request)
        self.heard.put_nowait(request)
        device = self.units.get(unit)
        if device is None:
            return None
        return self.tamper(request, self.frame(request, unit, device.reply(pdu)))

    @abstractmethod
    def frame(self, request: bytes, unit: int, pdu: bytes) -> bytes:
        """``pdu`` as the transport carries it, in answer to ``request``."""

    @abstractmethod
    async def __aenter__(self) -> Self:
        """Serve."""

    @abstractmethod
    async def __aexit__(self, *_: object) -> None:
        """Serve no longer."""


class RogueTcp(Rogue):
    """Over TCP. ``accepted``: connections so far; ``most_open``: at any one time."""

    def __init__(self) -> None:
        super().__init__()
        self.accepted = 0
        self.most_open = 0
        self.hang_up = False  # break every connection off as soon as it is made
        self.in_pieces = False
        self._open: set[asyncio.StreamWriter] = set()
        self.all_gone = asyncio.Event()

    def bus(self, *, timeout_s: float = 0.05, retries: int = 0) -> TcpBus:
        return TcpBus(
            kind="tcp",
            name="hall",
            host="127.0.0.1",
            port=self.port,
            timeout_s=timeout_s,
            retries=retries,
        )

    def frame(self, request: bytes, unit: int, pdu: bytes) -> bytes:
        return request[:4] + (len(pdu) + 1).to_bytes(2, "big") + bytes([unit]) + pdu

    async def cut(self) -> None:
        for writer in list(self._open):
            writer.close()
        await self.all_gone.wait()

    async def start(self, port: int = 0) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", port)
        self.port: int = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        self._server.close()
        for writer in list(self._open):
            writer.close()
        await self._server.wait_closed()
        if self._open:
            await self.all_gone.wait()

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.accepted += 1
        self._open.add(writer)
        self.all_gone.clear()
        self.most_open = max(self.most_open, len(self._open))
        with suppress(asyncio.IncompleteReadError, ConnectionError):
            while not self.hang_up:
                header = await reader.readexactly(7)
                pdu = await reader.readexactly(int.from_bytes(header[4:6], "big") - 1)
                response = self._respond(header + pdu, header[6], pdu)
                if isinstance(response, Cut):
                    break
                for piece in _pieces(response or b"", 1 if self.in_pieces else 512):
                    writer.write(piece)
                    await asyncio.sleep(0)
        writer.close()
        with suppress(ConnectionError):
            await writer.wait_closed()
        self._open.discard(writer)
        if not self._open:
            self.all_gone.set()


def _pieces(frame: bytes, size: int) -> list[bytes]:
    return [frame[at : at + size] for at in range(0, len(frame), size)]


class RogueRtu(Rogue):
    """On the far end of a pty. ``arrivals_s`` / ``departures_s``: loop time of each frame."""

    def __init__(self) -> None:
        super().__init__()
        self.arrivals_s: list[float] = []
        self.departures_s: list[float] = []
        self._got = b""

    def bus(self, *, timeout_s: float = 0.05, retries: int = 0, baud: int = 115200) -> SerialBus:
        return SerialBus(
            kind="rtu",
            name="hall",
            port=self.port,
            baud=baud,
            parity="none",  # a pty has none
            timeout_s=timeout_s,
            retries=retries,
        )

    def frame(self, request: bytes, unit: int, pdu: bytes) -> bytes:
        frame = bytes([unit]) + pdu
        checksum: int = crc16(frame)
        return frame + checksum.to_bytes(2, "little")

    def send(self, frame: bytes) -> None:
        """Returns when ``frame`` can be read at the other end."""
        os.write(self._near, frame)
        assert select.select([self._far], [], [], 5.0)[0]

    async def __aenter__(self) -> Self:
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.port = os.ttyname(self._far)
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self._near, self._readable)
        return self

    async def __aexit__(self, *_: object) -> None:
        self.unplug()
        os.close(self._far)

    def unplug(self) -> None:
        if self._near >= 0:
            self._loop.remove_reader(self._near)
            os.close(self._near)
            self._near = -1

    def _readable(self) -> None:
        with suppress(BlockingIOError):
            self._got += os.read(self._near, 512)
        while len(self._got) >= 8:
            size = 9 + self._got[6] if self._got[1] in (15, 16) else 8
            if len(self._got) < size:
                return
            request, self._got = self._got[:size], self._got[size:]
            self.arrivals_s.append(self._loop.time())
            response = self._respond(request, request[0], request[1:-2])
            if isinstance(response, bytes):
                self.send(response)
                self.departures_s.append(self._loop.time())
