"""The local request socket: for the other commands on this machine.

One JSON line in, one JSON line out. Who may connect is a matter of the socket file's permissions,
and the kernel identifies who did, so a request is recorded under the user who made it.
"""

import asyncio
import os
import pwd
import socket
import struct
from collections.abc import Awaitable, Callable
from contextlib import suppress
from pathlib import Path

from dustcake.adapters.limits import Turns
from dustcake.adapters.listener import BACKLOG, Client, Listener, by_streams

AnswerLine = Callable[[bytes, str], Awaitable[bytes]]

LONGEST_LINE = 8192
PATIENCE_S = 10.0
MOST_CONNECTIONS = 32
ANSWERS_APART_S = 0.005
_PEER = struct.Struct("3i")  # pid, uid, gid of SO_PEERCRED


class SocketRefusedError(Exception):
    """The socket cannot be opened; the message says which, why, and what to do."""


class LocalSocket:
    """Serves ``path``; ``answer`` is given each line and the name of the user who sent it."""

    def __init__(self, path: Path, answer: AnswerLine) -> None:
        self._path = path
        self._answer = answer
        self._listener = Listener("local socket", MOST_CONNECTIONS, PATIENCE_S)
        self._turns = Turns(ANSWERS_APART_S)
        self.opened = asyncio.Event()
        """Set once callers can connect."""

    async def run(self) -> None:
        """Serve until cancelled. Raises SocketRefusedError when it cannot begin."""
        await self._clear_the_way()
        listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            listening.bind(os.fspath(self._path))
            # The owner's group may connect: an operator is made a member of it.
            self._path.chmod(0o660)
            listening.listen(BACKLOG)
        except OSError as error:
            listening.close()
            raise SocketRefusedError(
                f"cannot open the request socket {self._path}: {error.strerror or error}. Create "
                "its directory, or set `control.socket` to a place this user may write to"
            ) from None
        self.opened.set()
        try:
            await self._listener.serve([listening], by_streams(self._serve, LONGEST_LINE))
        finally:
            # A caller who says nothing must not keep the daemon from ending.
            self._listener.drop_all()
            self._path.unlink(missing_ok=True)

    async def _clear_the_way(self) -> None:
        """Remove what a daemon that was killed left behind, but never a living one's socket."""
        if not self._path.is_socket():
            return
        try:
            _, writer = await asyncio.open_unix_connection(self._path)
        except OSError:
            self._path.unlink(missing_ok=True)
            return
        writer.close()
        raise SocketRefusedError(
            f"another daemon already serves {self._path}. Stop it, or set `control.socket` "
            "to another path"
        )

    async def _serve(
        self, client: Client, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        with suppress(ValueError):  # too long
            async with asyncio.timeout(PATIENCE_S):
                line = await reader.readline()
                if not line or writer.is_closing():
                    return
                user = _user_of(writer)
                client.has_requested()
                await self._turns.next()
                writer.write(await self._answer(line, user) + b"\n")
                client.awaited()
                await writer.drain()


def _user_of(writer: asyncio.StreamWriter) -> str:
    peer: socket.socket = writer.get_extra_info("socket")
    _, uid, _ = _PEER.unpack(peer.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _PEER.size))
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}"
