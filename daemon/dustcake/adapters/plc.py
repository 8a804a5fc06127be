"""A Modbus TCP server that is only read from.

Not the library's server: that answers units that are not there with the wrong exception, leaves
the second of two requests in one segment unanswered, and can be written to. Reading registers is
two dozen lines (``publish.plc.modbus``).
"""

import asyncio

import structlog

from dustcake.adapters.limits import Turns
from dustcake.adapters.listener import Client, Listener, by_streams, listening_at, once_possible
from dustcake.publish.plc import HEADER_BYTES, LONGEST_PDU, RegistersOf, answer, length_of

log = structlog.get_logger(__name__)

ANSWERS_APART_S = 0.001
_LONGEST_REQUEST = HEADER_BYTES + LONGEST_PDU


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
        self._listener = Listener("plc", most_connections, idle_s)
        self._turns = Turns(ANSWERS_APART_S)
        self.listening = asyncio.Event()
        """Set once clients can connect; ``port`` then is the one listened at."""

    @property
    def port(self) -> int:
        """TCP port."""
        return self._port

    async def run(self) -> None:
        """Until cancelled."""
        sockets = await once_possible(
            lambda: listening_at(self._host, self._port),
            f"{self._host}:{self._port}",
            "PLC server cannot listen",
            "correct plc.host and plc.port; a port below 1024 needs a right",
        )
        self._port = sockets[0].getsockname()[1]
        log.info("PLC server listens", host=self._host, port=self._port)
        self.listening.set()
        try:
            await self._listener.serve(sockets, by_streams(self._serve, _LONGEST_REQUEST))
        finally:
            self._listener.drop_all()

    async def _serve(
        self, client: Client, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        while True:
            header = await reader.readexactly(HEADER_BYTES)
            length = length_of(header)
            if length is None:
                return
            pdu = await reader.readexactly(length)
            client.has_requested()
            await self._turns.next()
            writer.write(answer(header, pdu, self._registers_of))
            client.awaited()
            await writer.drain()
