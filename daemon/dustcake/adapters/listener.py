"""Listening for connections: how many there may be, how fast they come, and how long they may
keep the daemon waiting. Otherwise one of them could use up the files the daemon may have open,
which are the fieldbus's too.
"""

import asyncio
import socket
import ssl
from asyncio import sslproto
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from typing import TypeVar

import structlog

from dustcake.adapters.limits import FloodLog

log = structlog.get_logger()

T = TypeVar("T")

RETRY_S = 10.0
REQUEST_WITHIN_S = 10.0
ROOM_WITHIN_S = 0.5
"""For so long a newcomer is kept waiting where there is no room. Who has been connected for longer
without a request gives way, and so does who has made one but not for ``REQUEST_WITHIN_S``."""
_ACCEPT_APART_S = 0.005
_HANDSHAKE_APART_S = 0.025  # its signature is dear on a small computer
_SWEEP_S = 1.0
_NO_FILES_LEFT_S = 1.0
_LOOK_S = 0.05
BACKLOG = 128
_TLS_PIECE_BYTES = 16_384
"""Deciphered at once: asyncio's own are 16 times as many, of which one byte may be a record."""
sslproto.SSLProtocol.max_size = _TLS_PIECE_BYTES  # nothing else in the daemon uses it


class Client:
    """One connection, as to who waits for whom. It begins with the daemon waiting for a request,
    and single bytes of one change nothing about that."""

    def __init__(self, connection: socket.socket, idle_s: float) -> None:
        self._connection = connection
        self._idle_s = idle_s
        self._has_requested = False
        self._now = asyncio.get_running_loop().time
        self._waiting_since_s: float | None = self._now()
        self.transport: asyncio.BaseTransport | None = None
        self.serving: asyncio.Task[None] | None = None

    def awaited(self) -> None:
        """The daemon waits for the client: to finish a request, or take what it is sent."""
        if self._waiting_since_s is None:
            self._waiting_since_s = self._now()

    def has_requested(self) -> None:
        """The client waits for the daemon."""
        self._has_requested = True
        self._waiting_since_s = None

    @property
    def is_open(self) -> bool:
        """Whether the connection still takes up a file."""
        return self._connection.fileno() >= 0

    @property
    def waited_for_s(self) -> float:
        """How long the daemon has been waiting for the client."""
        return 0.0 if self._waiting_since_s is None else self._now() - self._waiting_since_s

    @property
    def is_overdue(self) -> bool:
        """Whether the client is to be let go."""
        patience_s = self._idle_s if self._has_requested else min(REQUEST_WITHIN_S, self._idle_s)
        return self.waited_for_s > patience_s

    @property
    def gives_way_in_s(self) -> float:
        """How long the client is still borne with where there is no room; the least is the first to
        go."""
        patience_s = REQUEST_WITHIN_S if self._has_requested else ROOM_WITHIN_S
        return patience_s - self.waited_for_s

    def let_go(self) -> None:
        """End the connection, whatever state it is in."""
        if self.serving is not None:
            self.serving.cancel()
        if isinstance(self.transport, asyncio.WriteTransport):
            self.transport.abort()
        elif self.is_open:  # in the middle of its handshake, which then fails
            with suppress(OSError):  # it may be gone already
                self._connection.shutdown(socket.SHUT_RDWR)


MakeProtocol = Callable[[Client], asyncio.BaseProtocol]
Serve = Callable[[Client, asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


def by_streams(serve_client: Serve, longest_bytes: int) -> MakeProtocol:
    """``serve_client`` serves each client until it returns, or the client is gone or let go."""

    def make(client: Client) -> asyncio.BaseProtocol:
        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            client.serving = asyncio.current_task()
            # The stream machinery would log a cancelled one as an error.
            with suppress(asyncio.CancelledError, OSError, EOFError):
                await serve_client(client, reader, writer)
            writer.close()

        return asyncio.StreamReaderProtocol(asyncio.StreamReader(longest_bytes), serve)

    return make


class Listener:
    """The connections of one server, ``most`` at a time, those in a TLS handshake included."""

    def __init__(self, server: str, most: int, idle_s: float) -> None:
        self._most = most
        self._idle_s = idle_s
        self._clients: list[Client] = []
        self._server = server
        self._turned_away = FloodLog("connections turned away")

    async def serve(
        self,
        sockets: Sequence[socket.socket],
        make: MakeProtocol,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        """Serve until cancelled. ``sockets`` are closed in the end, connections are not."""
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._sweep())
                for listening in sockets:
                    listening.setblocking(False)
                    tasks.create_task(self._accept(listening, make, tls, tasks))
        finally:
            for listening in sockets:
                listening.close()

    def drop_all(self) -> None:
        """End every connection."""
        for client in self._clients:
            client.let_go()

    async def _accept(
        self,
        listening: socket.socket,
        make: MakeProtocol,
        tls: ssl.SSLContext | None,
        tasks: asyncio.TaskGroup,
    ) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                connection, _ = await loop.sock_accept(listening)
            except OSError:  # the other side is gone already, or there are no files left
                await asyncio.sleep(_NO_FILES_LEFT_S)
                continue
            if await self._has_room():
                client = Client(connection, self._idle_s)
                self._clients.append(client)
                tasks.create_task(_connect(client, connection, make, tls))
            else:
                connection.close()
                self._turned_away.warn(face=self._server, most=self._most)
            await asyncio.sleep(_ACCEPT_APART_S if tls is None else _HANDSHAKE_APART_S)

    async def _has_room(self) -> bool:
        for _ in range(round(ROOM_WITHIN_S / _LOOK_S) + 1):
            self._clients = [client for client in self._clients if client.is_open]
            if len(self._clients) < self._most:
                return True
            first = min(self._clients, key=lambda client: client.gives_way_in_s)
            if first.gives_way_in_s <= 0.0:
                first.let_go()
                self._clients.remove(first)
                self._turned_away.warn(face=self._server, most=self._most)
                return True
            await asyncio.sleep(_LOOK_S)
        return False

    async def _sweep(self) -> None:
        while True:
            await asyncio.sleep(_SWEEP_S)
            for client in self._clients:
                if client.is_overdue:
                    client.let_go()


async def _connect(
    client: Client, connection: socket.socket, make: MakeProtocol, tls: ssl.SSLContext | None
) -> None:
    loop = asyncio.get_running_loop()
    try:
        transport, _ = await loop.connect_accepted_socket(lambda: make(client), connection, ssl=tls)
        client.transport = transport
        if tls is not None:
            transport.set_read_buffer_limits(_TLS_PIECE_BYTES)  # type: ignore[attr-defined]
    except OSError:
        connection.close()  # a handshake that failed is nothing to log


async def once_possible(
    attempt: Callable[[], Awaitable[T]], where: str, what_fails: str, remedy: str
) -> T:
    """What ``attempt`` gives. Where it raises OSError that is logged once as ``what_fails``, and it
    is tried again: control does not depend on it."""
    logged = ""
    while True:
        try:
            return await attempt()
        except OSError as error:  # ssl.SSLError is one
            cause = f"{where}: {error.strerror or error}"
            if cause != logged:
                log.warning(what_fails, cause=cause, remedy=remedy)
                logged = cause
            await asyncio.sleep(RETRY_S)


async def listening_at(host: str, port: int) -> list[socket.socket]:
    """A socket for each address of ``host``. Raises OSError."""
    loop = asyncio.get_running_loop()
    found = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    sockets: list[socket.socket] = []
    try:
        for family, _, _, _, address in dict.fromkeys(found):
            sockets.append(socket.create_server(address, family=family, backlog=BACKLOG))
    except OSError:
        for listening in sockets:
            listening.close()
        raise
    return sockets
