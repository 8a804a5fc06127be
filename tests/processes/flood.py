"""Floods of one face each, as a process of its own: ``python -m processes.flood KIND WHERE``, where
``WHERE`` is a port of 127.0.0.1 or the path of a socket. It floods for ``LASTS_S`` and says on its
output once it has begun. Every flood is of what a stranger may send without any password."""

import contextlib
import json
import random
import socket
import ssl
import sys
import threading
import time
from collections.abc import Callable
from struct import pack

LASTS_S = 6.0
SMALL_RECORDS = 12
_DEADLINE_S = time.monotonic() + (30.0 if sys.argv[1:2] == ["idle"] else LASTS_S + 2.0)


def _left() -> bool:
    return time.monotonic() < _DEADLINE_S


def _connect(where: str) -> socket.socket:
    if where.isdigit():
        connection = socket.create_connection(("127.0.0.1", int(where)), 5)
    else:
        connection = socket.socket(socket.AF_UNIX)
        connection.settimeout(5)
        connection.connect(where)
    return connection


def _swallow(connection: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while _left() and connection.recv(1 << 20):
            pass


def _pour(where: str, first: bytes, again: bytes) -> None:
    """Send ``first`` and then ``again`` for as long as it is taken, and connect anew when it is not
    any more. What is answered is read and thrown away."""
    while _left():
        with contextlib.suppress(OSError), _connect(where) as connection:
            threading.Thread(target=_swallow, args=(connection,), daemon=True).start()
            connection.sendall(first)
            while _left():
                connection.sendall(again)
        time.sleep(0.01)


def _is_closed(connection: socket.socket) -> bool:
    try:
        return connection.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


def _hold(where: str, count: int, said: bytes = b"") -> None:
    """Hold so many connections, as far as they can be had, and say only ``said`` on each. One that
    is closed is followed by another."""
    held: list[socket.socket] = []
    while _left():
        with contextlib.suppress(OSError):
            if len(held) < count:
                held.append(_connect(where))
                held[-1].sendall(said)
                continue
        for one in [one for one in held if _is_closed(one)]:
            one.close()
            held.remove(one)
        time.sleep(0.02)


def _at_once(count: int, *work: Callable[[], None]) -> None:
    for _ in range(count):
        for one in work:
            threading.Thread(target=one, daemon=True).start()
    while _left():
        time.sleep(0.05)


def idle(where: str) -> None:
    """Connections that say nothing, and take one another's place."""
    _hold(where, 100)


def plc(where: str) -> None:
    """Pipelined reads, 4.2 MB at a time, and connections that say nothing."""
    read = pack(">HHHBBHH", 1, 0, 6, 1, 4, 0, 125)
    _at_once(1, *(lambda: _pour(where, b"", read * 350_000),) * 4, lambda: _hold(where, 100))


def _get(path: str) -> bytes:
    return f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode()


PAGES = (
    "/",
    "/api/who",
    "/api/settings",
    "/api/trend.svg?length=1y",
    "/api/log-book",
    "/api/commission",
    "/nothing",
)


def panel(where: str) -> None:
    """Requests for everything there is, bodies in chunks of one byte, and live views."""
    chunked = b"POST /api/sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n"
    pages = b"".join(map(_get, PAGES)) * 100
    _at_once(
        8,
        lambda: _pour(where, b"", pages),
        lambda: _pour(where, chunked, b"1\r\nx\r\n" * 10_000),
        lambda: _pour(where, b"", b"GET / HTTP/1.1\r\nx: " + b"y" * 100_000),
        lambda: _hold(where, 8, _get("/api/live")),
    )


def metrics(where: str) -> None:
    """Requests, and connections that say nothing or do not finish what they ask for."""
    _at_once(
        8,
        lambda: _pour(where, b"", _get("/metrics") * 100),
        lambda: _hold(where, 16),
        lambda: _hold(where, 16, b"GET /metrics HTTP/1.1\r\nx"),
    )


def _small_records(where: str, count: int) -> None:
    """One byte in each TLS record, made beforehand and poured in at once."""
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    while _left():
        with contextlib.suppress(OSError), _connect(where) as connection:
            coming, going = ssl.MemoryBIO(), ssl.MemoryBIO()
            tls = context.wrap_bio(coming, going)
            while True:
                try:
                    tls.do_handshake()
                    break
                except ssl.SSLWantReadError:
                    connection.sendall(going.read())
                    coming.write(connection.recv(16_384) or _nothing())
            for byte in b"GET / HTTP/1.1\r\nx: " + b"y" * count:
                tls.write(bytes((byte,)))
            connection.sendall(going.read())
        time.sleep(0.01)


def _nothing() -> bytes:
    raise ConnectionError


def handshakes(where: str) -> None:
    """Connections whose TLS handshake is never begun, and some with very small records."""
    _at_once(
        1, lambda: _hold(where, 1200), *(lambda: _small_records(where, 20_000),) * SMALL_RECORDS
    )


def local(where: str) -> None:
    """Requests one after the other, and as long as a line may be; and callers who say nothing."""
    status = b'{"status": true}\n'
    long = b'{"status": true' + b" " * 8000 + b"}\n"
    note = json.dumps({"request": "record", "entry": "note", "note": "x" * 200, "id": "1"})

    def ask(line: bytes) -> None:
        while _left():
            with contextlib.suppress(OSError), _connect(where) as connection:
                connection.sendall(line)
                _swallow(connection)

    _at_once(
        6,
        lambda: ask(status),
        lambda: ask(long),
        lambda: ask(note.encode() + b"\n"),
        lambda: _pour(where, b"", b"x" * 1_000_000),
        lambda: _hold(where, 60, b'{"sta'),
    )


def _packet(kind: int, content: bytes) -> bytes:
    length, digits = len(content), bytearray()
    while True:
        digits.append(length % 128 | (128 if length >= 128 else 0))
        length //= 128
        if not length:
            return bytes((kind,)) + bytes(digits) + content


def _text(text: str) -> bytes:
    return pack(">H", len(text)) + text.encode()


def _publish(topic: str, payload: bytes) -> bytes:
    return _packet(0x30, _text(topic) + payload)


def _hello() -> bytes:
    client = f"flood-{random.getrandbits(40)}"
    return _packet(0x10, _text("MQTT") + b"\x04\x02\x00\x00" + _text(client))


def mqtt(where: str) -> None:
    """Requests, refused and not understood, with replies that may not be sent; and huge ones."""
    at = "dustcake/hall-1/request/acknowledge/kim"
    small = [
        _publish(at, b'{"id": "1", "request": "acknowledge", "alarm": "high_dp"}'),
        _publish(at, b'{"id": "2", "request": "mode", "mode": "off"}'),
        _publish(at, b"nonsense"),
        _publish(at, b"[" * 16_000),
    ]
    huge = _publish(at, bytes(20_000_000))
    _at_once(
        1,
        lambda: _pour(where, _hello(), b"".join(small) * 50),
        lambda: _pour(where, _hello(), small[0] * 500),
        lambda: _pour(where, _hello(), huge),
    )


def _field(key: int, data: bytes) -> bytes:
    length, digits = len(data), bytearray()
    while True:
        digits.append(length % 128 | (128 if length >= 128 else 0))
        length //= 128
        if not length:
            return bytes((key << 3 | 2,)) + bytes(digits) + data


def _number(key: int, number: int) -> bytes:
    digits = bytearray((key << 3,))
    while True:
        digits.append(number % 128 | (128 if number >= 128 else 0))
        number //= 128
        if not number:
            return bytes(digits)


def _metric(name: str, value: bytes) -> bytes:
    return _field(2, _field(1, name.encode()) + value)


def sparkplug(where: str) -> None:
    """Rebirths, commands of every kind, metrics by the thousand, and huge messages."""

    def at_now(*metrics: bytes) -> bytes:
        return _number(1, round(time.time() * 1000)) + b"".join(metrics)

    true = _number(4, 11) + _number(14, 1)
    rebirth = at_now(_metric("Node Control/Rebirth", true))
    zero = _metric("Commands/Zero", true)
    mode = _metric("Commands/Mode", _number(4, 12) + _field(15, b"timed"))
    host = "spBv1.0/plant/NCMD/edge"
    device = "spBv1.0/plant/DCMD/edge/hall-1"
    small = [
        _publish(host, rebirth),
        _publish(device, at_now(mode, zero)),
        _publish(device, at_now(zero, *[_metric("no such", true)] * 50)),
        _publish(device, at_now(*[_field(2, b"")] * 2000)),
        _publish(device, b"nonsense"),
    ]
    _at_once(
        1,
        lambda: _pour(where, _hello(), b"".join(small) * 50),
        lambda: _pour(where, _hello(), small[0] * 500),
        lambda: _pour(where, _hello(), _publish(host, bytes(20_000_000))),
    )


FLOODS = (plc, panel, metrics, handshakes, local, mqtt, sparkplug)


if __name__ == "__main__":
    threading.Timer(0.3, lambda: print("flooding", flush=True)).start()
    {each.__name__: each for each in (*FLOODS, idle)}[sys.argv[1]](sys.argv[2])
