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
from dustcake.settings.services import Plc

log = structlog.get_logger(__name__)

ANSWERS_APART_S = 0.001
_LONGEST_REQUEST = HEADER_BYTES + LONGEST_PDU


class PlcServer:
    """Serves the registers that ``registers_of`` gives, as the settings ``plc`` have it."""

    def __init__(self, plc: Plc, registers_of: RegistersOf) -> None:
        self._plc = plc
        self._registers_of = registers_of
        self._listener = Listener("plc", plc.most_connections, plc.idle_s)
        self._turns = Turns(ANSWERS_APART_S)
        self.listening = asyncio.Event()
        """Set once clients can connect."""

    async def run(self) -> None:
        """Listen and serve until cancelled."""
        host, port = self._plc.host, self._plc.port
        sockets = await once_possible(
            lambda: listening_at(host, port),
            f"{host}:{port}",
            "PLC server cannot listen",
            "correct plc.host and plc.port; a port below 1024 needs a right",
        )
        log.info("PLC server listens", host=host, port=port)
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
