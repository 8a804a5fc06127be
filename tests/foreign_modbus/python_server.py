"""A Modbus TCP server made of uModbus, in a thread; it serves the same tables as server.c."""

import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from socketserver import TCPServer

from umodbus.server.tcp import RequestHandler, get_server

ENTRIES = range(256)
FIRST_STUCK_COIL = 240

Table = dict[int, int]


def _bits(start: int, data: str, count: int) -> Table:
    packed = bytes.fromhex(data)
    return {start + n: packed[n // 8] >> n % 8 & 1 for n in range(count)}


def _tables() -> dict[int, Table]:
    """By the function code that reads them."""
    float_words = struct.unpack(">HH", struct.pack(">f", 123.456))
    return {
        1: _bits(0x13, "CD6B05", 19),
        2: _bits(0xC4, "ACDB35", 22),
        3: {0x6B: 555, 0x6D: 100},
        4: {8: 10, 16: float_words[0], 17: float_words[1]},
    }


@contextmanager
def served() -> Iterator[int]:
    """Serves unit 1 on a free port of 127.0.0.1, which it yields."""
    tables = _tables()
    server = get_server(TCPServer, ("127.0.0.1", 0), RequestHandler)

    @server.route(slave_ids=[1], function_codes=[1, 2, 3, 4], addresses=ENTRIES)  # type: ignore[untyped-decorator]
    def read(slave_id: int, function_code: int, address: int) -> int:
        return tables[function_code].get(address, 0)

    @server.route(slave_ids=[1], function_codes=[5, 15], addresses=ENTRIES)  # type: ignore[untyped-decorator]
    def write_coil(slave_id: int, function_code: int, address: int, value: int) -> None:
        if value or address < FIRST_STUCK_COIL:
            tables[1][address] = value

    @server.route(slave_ids=[1], function_codes=[6, 16], addresses=ENTRIES)  # type: ignore[untyped-decorator]
    def write_register(slave_id: int, function_code: int, address: int, value: int) -> None:
        tables[3][address] = value

    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
