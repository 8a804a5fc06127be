"""The same device on a serial line: Modbus RTU.

Like a device, it stays silent for other units, for a wrong CRC and for anything it cannot make
out, until the line has been quiet for 3.5 characters. It does not wait for that quiet where it
need not: a request whose length its function code tells is answered as soon as it is complete.
Why not pymodbus's RTU framer for receiving: it hunts through a spoiled buffer for anything that
looks like a frame, and takes a second request for part of the first. Its CRC and encoding are used.

A pseudo-terminal hands bytes over in no time, which no line does. There a request is taken to have
come when its bytes would have passed at this baud, and the whole reply is written when the last of
its bytes would have: what a client sees is as late as on a line, never in pieces (times of MODBUS
over Serial Line V1.02, secondary source).
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import termios
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType

import serial
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from dustcake_sim.modbus_pdu import DeviceImage
from dustcake_sim.modbus_server import BROADCAST_UNIT, AbsentUnit, Exchange

_LONGEST_FRAME = 256
BITS_PER_CHARACTER = 11
"""Start, eight data, parity and stop; without parity a second stop bit takes its place."""
_FAST_BAUD = 19_200
_PSEUDO_TERMINALS = range(136, 144)  # device numbers of Linux's pseudo-terminals


def character_s(baud: int) -> float:
    """Time of one character on the line, s."""
    return BITS_PER_CHARACTER / baud


def frame_gap_s(baud: int) -> float:
    """Silence that ends a frame, s: 3.5 characters, and 1.750 ms above 19 200 bit/s."""
    return 0.001_750 if baud > _FAST_BAUD else 3.5 * character_s(baud)


class LineTime:
    """The line's time for bytes that a pseudo-terminal, say, hands over in none.

    One frame after the other, each followed by its silence. `paced` False is a line that takes
    its time by itself: then nothing is waited for.
    """

    def __init__(self, baud: int, *, paced: bool) -> None:
        self._character_s = character_s(baud) if paced else 0.0
        self._gap_s = frame_gap_s(baud) if paced else 0.0
        self._free_s = 0.0

    def carry(self, size: int, now_s: float) -> float:
        """Put a frame of `size` bytes on the line; when its last byte has passed."""
        over_s = max(now_s, self._free_s) + size * self._character_s
        self._free_s = over_s + self._gap_s
        return over_s

    @property
    def free_s(self) -> float:
        """When the last frame and the silence after it are over."""
        return self._free_s


class SerialError(Exception):
    """A serial port that cannot be used; the text says which, why and what to do."""


def is_pseudo_terminal(port: str) -> bool:
    """Whether this port is one that hands bytes over in no time. Raises OSError."""
    return os.major(Path(port).stat().st_rdev) in _PSEUDO_TERMINALS


def request_size(start: bytes) -> int | None:
    """Length of the RTU request that begins so; None while, or because, that cannot be known."""
    if len(start) < 2:
        return None
    if 0x01 <= start[1] <= 0x06:
        return 8
    if start[1] in (0x0F, 0x10) and len(start) >= 7:
        return 9 + start[6]
    return None


class ModbusSerialServer:
    """Serve images on a serial port or pty: `async with ModbusSerialServer({1: image}, port)`."""

    def __init__(
        self,
        units: Mapping[int, DeviceImage],
        port: str,
        *,
        baud: int = 19_200,
        parity: str = "E",
    ) -> None:
        """Serve `units` (image by unit id) on `port`; `parity` is N, E or O."""
        self.port = port
        self.baud = baud
        self.parity = parity
        self.exchange = Exchange(units, AbsentUnit.SILENCE)
        self._lost: asyncio.Future[object] | None = None
        self._framer = FramerRTU(DecodePDU(is_server=True))
        self._line: serial.Serial | None = None
        self._buffer = b""
        self._gap: asyncio.TimerHandle | None = None
        self._requests: asyncio.Queue[tuple[bytes, float]] = asyncio.Queue()
        self._answering: asyncio.Task[None] | None = None

    @property
    def lost(self) -> asyncio.Future[object]:
        """Ends with a SerialError when the line goes away. Raises RuntimeError before `start`."""
        if self._lost is None:
            raise RuntimeError("the serial server is not started: it has no line to lose")
        return self._lost

    async def start(self) -> None:
        """Open the port and begin to answer. Raises SerialError when it cannot be opened."""
        stop_bits = serial.STOPBITS_TWO if self.parity == "N" else serial.STOPBITS_ONE
        try:
            paced = is_pseudo_terminal(self.port)
            self._line = serial.Serial(
                self.port, self.baud, parity=self.parity, stopbits=stop_bits, timeout=0
            )
        except (OSError, ValueError, termios.error) as error:
            raise SerialError(
                f"cannot open serial port {self.port} at {self.baud} baud, parity {self.parity}:"
                f" {error}; check that it exists, is free and yours to open (a pseudo-terminal"
                " is sure to take parity N only)"
            ) from None
        loop = asyncio.get_running_loop()
        self._lost = loop.create_future()
        loop.add_reader(self._line.fileno(), self._readable)
        self._answering = asyncio.create_task(self._answer(LineTime(self.baud, paced=paced)))

    async def stop(self) -> None:
        """Close the port."""
        if self._line is None:
            return
        if self._gap is not None:
            self._gap.cancel()
        if self._answering is not None:
            self._answering.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._answering
        asyncio.get_running_loop().remove_reader(self._line.fileno())
        self._line.close()
        self._line = None
        if self._lost is not None and not self._lost.done():
            self._lost.cancel()

    async def __aenter__(self) -> ModbusSerialServer:
        await self.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.stop()

    def _lose(self, error: Exception) -> None:
        if self._line is not None:
            asyncio.get_running_loop().remove_reader(self._line.fileno())
        if self._lost is not None and not self._lost.done():
            self._lost.set_exception(
                SerialError(f"serial port {self.port} was lost: {error}; check the cable")
            )

    def _readable(self) -> None:
        if self._line is None:
            return
        try:
            data = self._line.read(_LONGEST_FRAME)
        except OSError as error:
            self._lose(error)
            return
        self._buffer += data
        if self._gap is not None:
            self._gap.cancel()
        self._take_complete()
        loop = asyncio.get_running_loop()
        self._gap = loop.call_later(frame_gap_s(self.baud), self._quiet)

    def _take_complete(self) -> None:
        """Take the requests at the front of the buffer that are complete and sound."""
        while (size := request_size(self._buffer)) is not None and len(self._buffer) >= size:
            if not self._sound(self._buffer[:size]):
                return
            frame, self._buffer = self._buffer[:size], self._buffer[size:]
            self._handle(frame)

    def _quiet(self) -> None:
        """The line fell silent: what is in the buffer is one frame or rubbish."""
        frame, self._buffer = self._buffer, b""
        if FramerRTU.MIN_SIZE <= len(frame) <= _LONGEST_FRAME and self._sound(frame):
            self._handle(frame)

    @staticmethod
    def _sound(frame: bytes) -> bool:
        return FramerRTU.check_CRC(frame[:-2], int.from_bytes(frame[-2:], "big"))

    def _handle(self, frame: bytes) -> None:
        self._requests.put_nowait((frame, asyncio.get_running_loop().time()))

    async def _answer(self, line: LineTime) -> None:
        """Do what the requests ask, one after the other, each when it has passed the line."""
        clock = asyncio.get_running_loop().time
        while True:
            frame, came_s = await self._requests.get()
            await _until(line.carry(len(frame), came_s))
            unit, pdu = frame[0], frame[1:-2]
            if unit == BROADCAST_UNIT:
                self.exchange.broadcast(pdu)
                continue
            reply = await self.exchange.answer(unit, 0, pdu, self._framer.encode)
            if reply is None:
                continue
            await _until(line.carry(len(reply), clock()))
            try:
                if self._line is not None:
                    self._line.write(reply)
            except OSError as error:
                self._lose(error)
                return


async def _until(time_s: float) -> None:
    """Sleep until the loop's clock says so, if that is yet to come."""
    wait_s = time_s - asyncio.get_running_loop().time()
    if wait_s > 0.0:
        await asyncio.sleep(wait_s)
