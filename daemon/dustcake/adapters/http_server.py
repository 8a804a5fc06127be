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

log = structlog.get_logger()

App = Callable[[Any, Any, Any], Awaitable[None]]
"""An ASGI application: scope, receive, send."""

RETRY_S = 10.0
MOST_CONNECTIONS = 100
ASK_WITHIN_S = 10.0
IDLE_S = 15


class _Bounded(H11Protocol):
    """One connection. There are only so many, and one that asks for nothing is let go: otherwise a
    stranger could use up the files the daemon may have open, which are the fieldbus's too."""

    _asked_by: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            transport.abort()
            return
        self._asked_by = self.loop.call_later(ASK_WITHIN_S, self._let_go)

    def _let_go(self) -> None:
        # The library declares it as always there, though it is not before the first request.
        if vars(self)["cycle"] is None:
            self.transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._asked_by is not None:
            self._asked_by.cancel()
        super().connection_lost(exc)


class _Server(uvicorn.Server):
    """One that leaves the process's signals alone: they are the daemon's."""

    @contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        yield


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
        told = ""
        while True:
            try:
                listening = self._listen()
                server = _Server(self._config())
            except OSError as error:  # ssl.SSLError is one
                cause = f"{self._host}:{self._port}: {error.strerror or error}"
                if cause != told:
                    remedy = f"correct {self._table}.host and {self._table}.port"
                    if self._tls is not None:
                        remedy += f", and the files of {self._table}.tls"
                    log.warning(f"{self._table} cannot be served", cause=cause, remedy=remedy)
                    told = cause
                await asyncio.sleep(RETRY_S)
                continue
            break
        log.info(
            f"{self._table} served", host=self._host, port=self._port, tls=self._tls is not None
        )
        serving = asyncio.create_task(
            server.serve(sockets=[listening]), name=f"{self._table} server"
        )
        try:
            await asyncio.shield(serving)
        finally:
            # Whoever listens on is let go first; then there is nobody to wait for.
            self._let_go()
            server.should_exit = True
            await serving

    def _listen(self) -> socket.socket:
        family, kind, protocol, _, address = socket.getaddrinfo(
            self._host, self._port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listening = socket.socket(family, kind, protocol)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(address)
        except OSError:
            listening.close()
            raise
        return listening

    def _config(self) -> uvicorn.Config:
        config = uvicorn.Config(
            self._app,
            log_config=None,
            access_log=False,
            lifespan="off",
            interface="asgi3",
            http=_Bounded,
            ws="none",
            proxy_headers=False,
            server_header=False,
            date_header=False,
            timeout_keep_alive=IDLE_S,
            timeout_graceful_shutdown=1,
            ssl_certfile=None if self._tls is None else str(self._tls[0]),
            ssl_keyfile=None if self._tls is None else str(self._tls[1]),
        )
        config.load()
        if config.ssl is not None:
            config.ssl.minimum_version = ssl.TLSVersion.TLSv1_2
        return config
