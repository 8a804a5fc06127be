"""Serving HTTP in the daemon's own event loop, for the panel and for the metrics."""

import asyncio
import logging
import socket
import ssl
from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import Any

import structlog
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from dustcake.adapters.limits import Turns
from dustcake.adapters.listener import (
    REQUEST_WITHIN_S,
    Client,
    Listener,
    listening_at,
    once_possible,
)

log = structlog.get_logger()

App = Callable[[Any, Any, Any], Awaitable[None]]
"""An ASGI application: scope, receive, send."""

MOST_CONNECTIONS = 64
APART_S = 0.004
LAST_ANSWERS_S = 1.0  # for those under way in the end
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


async def serve_http(
    app: App,
    host: str,
    port: int,
    *,
    table: str,
    tls: tuple[str, str] | None = None,
    let_go: Callable[[], None] = lambda: None,
) -> None:
    """Serve ``app`` at ``host`` and ``port`` until cancelled. ``table``: of the settings, for
    messages. ``tls``: files of certificate and key. ``let_go``: called in the end, before
    connections are closed."""
    # What a client has done wrong is nothing to log.
    logging.getLogger("uvicorn").setLevel(logging.ERROR)
    turns = Turns(APART_S)

    async def in_turn(scope: Any, receive: Any, send: Any) -> None:
        await turns.next()
        await app(scope, receive, send)

    async def prepare() -> tuple[uvicorn.Config, list[socket.socket]]:
        return _config(in_turn, tls), await listening_at(host, port)

    remedy = f"correct {table}.host and {table}.port"
    if tls is not None:
        remedy += f", and the files of {table}.tls"
    failing = f"{table} cannot be served"
    config, sockets = await once_possible(prepare, f"{host}:{port}", failing, remedy)
    log.info(f"{table} served", host=host, port=port, tls=tls is not None)
    listener, state = Listener(table, MOST_CONNECTIONS, REQUEST_WITHIN_S), ServerState()
    try:
        await listener.serve(sockets, lambda each: _Bounded(each, turns, config, state), config.ssl)
    finally:
        # Whoever listens on is let go first; then there is nobody to wait for.
        let_go()
        for connection in tuple(state.connections):
            connection.shutdown()
        with suppress(TimeoutError):
            async with asyncio.timeout(LAST_ANSWERS_S):
                while state.connections:  # noqa: ASYNC110 -- they have no event
                    await asyncio.sleep(0.05)
        listener.drop_all()


def _config(app: App, tls: tuple[str, str] | None) -> uvicorn.Config:
    """How the library is to serve ``app``. Raises OSError where a file of ``tls`` does not
    serve."""
    certificate, key = (None, None) if tls is None else tls
    config = uvicorn.Config(
        app,
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
        ssl_certfile=certificate,
        ssl_keyfile=key,
    )
    config.load()
    if config.ssl is not None:
        config.ssl.minimum_version = ssl.TLSVersion.TLSv1_2
    return config
