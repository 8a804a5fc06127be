"""A Modbus TCP server that is only read from.

Not the library's server: that answers units that are not there with the wrong exception, leaves
the second of two requests in one segment unanswered, and can be written to. Reading registers is
two dozen lines (``publish.plc.modbus``).
"""

import asyncio
from contextlib import suppress

import structlog

from dustcake.publish.plc import HEADER_BYTES, RegistersOf, answer, length_of

log = structlog.get_logger(__name__)

RETRY_S = 10.0


class PlcServer:
    """Serves ``registers_of`` at ``host`` and ``port``, to ``most_connections`` clients at a time.
    One that says nothing for ``idle_s`` is let go."""

    def __init__(
        self,
        host: str,
        port: int,
        registers_of: RegistersOf,
        *,
        most_connections: int,
        idle_s: float,
    ) -> None:
        self._host = host
        self._port = port
        self._registers_of = registers_of
        self._most_connections = most_connections
        self._idle_s = idle_s
        self._serving: set[asyncio.Task[None]] = set()
        self.listening = asyncio.Event()
        """Set once clients can connect; ``port`` then is the one listened at."""

    @property
    def port(self) -> int:
        """TCP port."""
        return self._port

    async def run(self) -> None:
        """Until cancelled. A port that cannot be had is logged once and tried again: control does
        not depend on it."""
        told = ""
        while True:
            try:
                server = await asyncio.start_server(self._serve, self._host, self._port)
            except OSError as error:
                cause = f"{self._host}:{self._port}: {error.strerror or error}"
                if cause != told:
                    remedy = "correct plc.host and plc.port; a port below 1024 needs a right"
                    log.warning("PLC server cannot listen", cause=cause, remedy=remedy)
                    told = cause
                await asyncio.sleep(RETRY_S)
                continue
            break
        self._port = server.sockets[0].getsockname()[1]
        log.info("PLC server listens", host=self._host, port=self._port)
        self.listening.set()
        async with server:
            try:
                await server.serve_forever()
            finally:
                for one in self._serving:
                    one.cancel()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(self._serving) >= self._most_connections:
            writer.close()
            return
        task = asyncio.current_task()
        assert task is not None  # a coroutine that runs is in a task
        self._serving.add(task)
        # Cancelled at the end only; the stream machinery would log that as an error.
        with suppress(asyncio.CancelledError, ConnectionError, asyncio.IncompleteReadError):
            await self._converse(reader, writer)
        self._serving.discard(task)
        writer.close()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(TimeoutError):
            while True:
                async with asyncio.timeout(self._idle_s):
                    header = await reader.readexactly(HEADER_BYTES)
                    length = length_of(header)
                    if length is None:
                        return
                    pdu = await reader.readexactly(length)
                    writer.write(answer(header, pdu, self._registers_of))
                    await writer.drain()
