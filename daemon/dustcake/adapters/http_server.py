"""Serving HTTP in the daemon's own event loop, for the panel and for the metrics."""

import asyncio
import logging
import socket
import ssl
from collections.abc import Awaitable, Callable, Generator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import structlog
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from dustcake.adapters.limits import Turns
from dustcake.adapters.listener import REQUEST_WITHIN_S, Client, Listener, listening_at

log = structlog.get_logger()

App = Callable[[Any, Any, Any], Awaitable[None]]
"""An ASGI application: scope, receive, send."""

RETRY_S = 10.0
MOST_CONNECTIONS = 64
APART_S = 0.004
PIECE_BYTES = 1024
MOST_UNREAD_BYTES = 300_000
"""No request is so large; the system's own buffer comes to less."""


class _Bounded(H11Protocol):
    """One connection. What it sends is taken in by pieces, each in its turn: the library would go
    through all of it at once, and a body may be cut into thousands of chunks."""

    def __init__(
        self,
        client: Client,
        turns: Turns,
        config: uvicorn.Config,
        state: ServerState,
    ) -> None:
        super().__init__(config, state, {})
        self._waits_for = client
        self._turns = turns
        self._unread = bytearray()
        self._taking_in: asyncio.Task[None] | None = None

    def data_received(self, data: bytes) -> None:
        self._unread += data
        if len(self._unread) > MOST_UNREAD_BYTES:
            self.transport.abort()
            return
        self._go_on()

    def _go_on(self) -> None:
        if self._unread:
            self.transport.pause_reading()
            if self._taking_in is None:
                self._taking_in = self.loop.create_task(self._take_in())

    async def _take_in(self) -> None:
        while self._unread and not self.flow.read_paused:
            await self._turns.next()
            if self.transport.is_closing():
                return
            piece = bytes(self._unread[:PIECE_BYTES])
            del self._unread[:PIECE_BYTES]
            super().data_received(piece)
        self._taking_in = None
        if not self.flow.read_paused:
            self.transport.resume_reading()

    def handle_events(self) -> None:
        super().handle_events()
        # The library declares it as always there, though it is not before the first request.
        cycle = vars(self)["cycle"]
        if cycle is None or cycle.response_complete or cycle.more_body:
            self._waits_for.awaited()
        else:
            self._waits_for.has_requested()

    def on_response_complete(self) -> None:
        self._waits_for.awaited()
        super().on_response_complete()
        self._go_on()

    def pause_writing(self) -> None:
        self._waits_for.awaited()
        super().pause_writing()

    def resume_writing(self) -> None:
        self._waits_for.has_requested()
        super().resume_writing()


class _Server(uvicorn.Server):
    """One that leaves the process's signals alone, as they are the daemon's, and listens by the
    listener of all servers."""

    def __init__(self, config: uvicorn.Config, listener: Listener, turns: Turns) -> None:
        super().__init__(config)
        self._listener = listener
        self._turns = turns

    @contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        yield

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        def make(client: Client) -> asyncio.BaseProtocol:
            return _Bounded(client, self._turns, self.config, self.server_state)

        self.servers = []
        self._listening = asyncio.create_task(
            self._listener.serve(sockets or [], make, self.config.ssl)
        )
        self.started = True

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._listening.cancel()
        await super().shutdown(sockets)
        self._listener.drop_all()


class HttpServer:
    """Serves ``app`` at ``host`` and ``port``. ``table``: of the settings, for messages. ``tls``:
    files of certificate and key. ``let_go``: called in the end, before connections are closed."""

    def __init__(
        self,
        app: App,
        host: str,
        port: int,
        *,
        table: str,
        tls: tuple[Path, Path] | None = None,
        let_go: Callable[[], None] = lambda: None,
    ) -> None:
        self._app = app
        self._turns = Turns(APART_S)
        self._listener = Listener(table, MOST_CONNECTIONS, REQUEST_WITHIN_S)
        self._host = host
        self._port = port
        self._table = table
        self._tls = tls
        self._let_go = let_go

    async def run(self) -> None:
        """Until cancelled. What keeps it from serving is logged once and tried again: control does
        not depend on it."""
        # What a client has done wrong is nothing to log.
        logging.getLogger("uvicorn").setLevel(logging.ERROR)
        logged = ""
        while True:
            try:
                config = self._config()
                sockets = await listening_at(self._host, self._port)
            except OSError as error:  # ssl.SSLError is one
                cause = f"{self._host}:{self._port}: {error.strerror or error}"
                if cause != logged:
                    remedy = f"correct {self._table}.host and {self._table}.port"
                    if self._tls is not None:
                        remedy += f", and the files of {self._table}.tls"
                    log.warning(f"{self._table} cannot be served", cause=cause, remedy=remedy)
                    logged = cause
                await asyncio.sleep(RETRY_S)
                continue
            break
        log.info(
            f"{self._table} served", host=self._host, port=self._port, tls=self._tls is not None
        )
        server = _Server(config, self._listener, self._turns)
        serving = asyncio.create_task(server.serve(sockets), name=f"{self._table} server")
        try:
            await asyncio.shield(serving)
        finally:
            # Whoever listens on is let go first; then there is nobody to wait for.
            self._let_go()
            server.should_exit = True
            await serving

    async def _in_turn(self, scope: Any, receive: Any, send: Any) -> None:
        await self._turns.next()
        await self._app(scope, receive, send)

    def _config(self) -> uvicorn.Config:
        config = uvicorn.Config(
            self._in_turn,
            log_config=None,
            access_log=False,
            lifespan="off",
            interface="asgi3",
            http=_Bounded,
            ws="none",
            proxy_headers=False,
            server_header=False,
            date_header=False,
            # A client without a request is dropped by the listener.
            timeout_keep_alive=int(2 * REQUEST_WITHIN_S),
            timeout_graceful_shutdown=1,
            ssl_certfile=None if self._tls is None else str(self._tls[0]),
            ssl_keyfile=None if self._tls is None else str(self._tls[1]),
        )
        config.load()
        if config.ssl is not None:
            config.ssl.minimum_version = ssl.TLSVersion.TLSv1_2
        return config
