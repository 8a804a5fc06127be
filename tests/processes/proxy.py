"""A TCP proxy that is a bad network: it delays, splits, cuts, goes silent and talks rubbish.

It keeps to what a network can do. Bytes stay in order. When one end resets its connection, what is
still under way from there is thrown away; when it closes in order, that still arrives.
"""

import asyncio
import contextlib
import socket
import struct
from collections import Counter
from collections.abc import Sequence
from enum import StrEnum
from itertools import pairwise
from random import Random
from typing import Any

from system_support.broker import until


class Trouble(StrEnum):
    """What becomes of a connection."""

    NONE = "none"
    SLOW = "slow"  # each segment waits up to MOST_DELAY_S
    SPLIT = "split"  # each segment comes in pieces
    RESET = "reset"  # cut in mid-traffic, both ends told by a reset
    CLOSED = "closed"  # cut in mid-traffic, both ends told by an orderly end
    SILENT = "silent"  # nothing comes through any more, either way, and nobody is told
    RUBBISH_TO_NEAR = "rubbish to the client"
    RUBBISH_TO_FAR = "rubbish to the server"
    NOISY = "noisy"  # rubbish before each segment, either way


ALL = (*Trouble, Trouble.NONE, Trouble.NONE)
FRAMES_STAY_WHOLE = tuple(trouble for trouble in ALL if trouble is not Trouble.NOISY)
MOST_DELAY_S = 0.25
MEAN_PEACE_S = 0.5
LONGEST_RUBBISH = 300


class BadNetwork:
    """Listens on ``port`` and passes on to ``target_port``, both of 127.0.0.1.

    Which of ``troubles`` a connection has is drawn from ``chance``; what cuts or garbles comes
    after MEAN_PEACE_S on average. With FRAMES_STAY_WHOLE for ``troubles`` rubbish comes between
    segments and nothing follows it, so that it garbles no message without a check sum of its own.
    """

    def __init__(
        self,
        target_port: int,
        chance: Random,
        *,
        troubles: Sequence[Trouble] = ALL,
    ) -> None:
        self._target_port = target_port
        self._chance = chance
        self.troubles = troubles
        self._pack: list[Trouble] = []
        self._serving: set[asyncio.Task[Any] | None] = set()
        self._links: set[_Link] = set()
        self.calm = False
        """Whether new connections are left in peace."""
        self.had: Counter[Trouble] = Counter()
        """How many connections had each trouble, counted when it came."""

    async def __aenter__(self) -> "BadNetwork":
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port: int = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        self.reset_all()
        await self._server.wait_closed()
        await until(lambda: not self._serving, "end of the connections through the proxy")

    def reset_all(self) -> None:
        """Cut every connection."""
        for link in self._links:
            link.reset()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        self._serving.add(task)
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target_port)
        except OSError:
            _reset(writer)
        else:
            link = _Link((reader, writer), (far_reader, far_writer), self._chance)
            self._links.add(link)
            try:
                await self._carry(link)
            finally:
                self._links.discard(link)
        self._serving.discard(task)

    async def _carry(self, link: "_Link") -> None:
        trouble = Trouble.NONE if self.calm else self._drawn()
        work = [
            asyncio.create_task(link.carry()),
            asyncio.create_task(self._disturb(link, trouble)),
        ]
        await asyncio.wait(work[:1])
        work[1].cancel()
        await asyncio.wait(work)
        if not link.had_trouble:  # it was over too soon
            self._pack.append(trouble)

    def _drawn(self) -> Trouble:
        """The next of a shuffled pack, so that each is sure to have its turn."""
        if not self._pack:
            self._pack = list(self.troubles)
            self._chance.shuffle(self._pack)
        return self._pack.pop()

    async def _disturb(self, link: "_Link", trouble: Trouble) -> None:
        chance = self._chance
        link.slow, link.split = trouble is Trouble.SLOW, trouble is Trouble.SPLIT
        link.noisy = trouble is Trouble.NOISY
        if trouble not in (Trouble.NONE, Trouble.SLOW, Trouble.SPLIT, Trouble.NOISY):
            await asyncio.sleep(chance.expovariate(1.0 / MEAN_PEACE_S))
        self.had[trouble] += 1
        link.had_trouble = True
        match trouble:
            case Trouble.RESET:
                link.reset()
            case Trouble.CLOSED:
                link.close()
            case Trouble.SILENT:
                link.silent = True
                await asyncio.sleep(chance.uniform(0.2, 2.0))
                link.reset()
            case Trouble.RUBBISH_TO_NEAR | Trouble.RUBBISH_TO_FAR:
                link.say(_rubbish(chance), to_near=trouble is Trouble.RUBBISH_TO_NEAR)
                link.silent = Trouble.NOISY not in self.troubles
                await asyncio.sleep(chance.uniform(0.1, 1.0))
                link.reset()
            case _:
                pass


End = tuple[asyncio.StreamReader, asyncio.StreamWriter]


class _Link:
    """A client's connection (near) and the one to the server (far), as one."""

    def __init__(self, near: End, far: End, chance: Random) -> None:
        self._near, self._far = near, far
        self._chance = chance
        self._over = asyncio.Event()
        self.slow = self.split = self.noisy = self.silent = self.had_trouble = False

    async def carry(self) -> None:
        """Until it is cut, or one end closes."""
        ways = [
            asyncio.create_task(self._way(self._near[0], self._far[1])),
            asyncio.create_task(self._way(self._far[0], self._near[1])),
            asyncio.create_task(self._over.wait()),
        ]
        await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        for way in ways:
            way.cancel()
        await asyncio.wait(ways)
        self.close()

    def reset(self) -> None:
        """Cut; both ends are told by a reset, and what is under way is lost."""
        _reset(self._near[1])
        _reset(self._far[1])
        self._over.set()

    def close(self) -> None:
        """Cut; both ends are told as if the other had closed."""
        self._near[1].close()
        self._far[1].close()
        self._over.set()

    def say(self, data: bytes, *, to_near: bool) -> None:
        """Bytes that nobody has sent."""
        (self._near if to_near else self._far)[1].write(data)

    async def _way(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One direction. What has come is held apart from what has been passed on, so that a reset
        is noticed while bytes are held back."""
        held: asyncio.Queue[bytes] = asyncio.Queue()
        passing = asyncio.create_task(self._pass_on(held, writer))
        try:
            while data := await reader.read(65536):
                held.put_nowait(data)
            held.put_nowait(b"")
            await asyncio.wait([passing])
        except OSError:
            self.reset()
        finally:
            passing.cancel()
            await asyncio.wait([passing])

    async def _pass_on(self, held: "asyncio.Queue[bytes]", writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await held.get():
                if self.slow:
                    await asyncio.sleep(self._chance.uniform(0.0, MOST_DELAY_S))
                for piece in self._pieces(data):
                    if not self.silent:
                        writer.write(piece)
                        await writer.drain()
                    if self.split:
                        await asyncio.sleep(0.001)

    def _pieces(self, data: bytes) -> list[bytes]:
        if self.noisy:
            return [_rubbish(self._chance), data]
        if not self.split or len(data) < 2:
            return [data]
        at = sorted({0, len(data), *(self._chance.randrange(1, len(data)) for _ in range(2))})
        return [data[begin:end] for begin, end in pairwise(at)]


def _rubbish(chance: Random) -> bytes:
    return chance.randbytes(chance.randrange(1, LONGEST_RUBBISH))


def _reset(writer: asyncio.StreamWriter) -> None:
    sock = writer.get_extra_info("socket")
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()
