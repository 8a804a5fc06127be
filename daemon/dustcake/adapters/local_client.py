"""The other end of the local request socket, for commands. It brings in nothing of the daemon."""

import os
import socket
import time
from pathlib import Path

PATIENCE_S = 10.0
_AGAIN_S = 0.02


class NoDaemonError(Exception):
    """Nobody answers at the socket; the message says where, and what to do."""


def ask(path: Path, line: bytes, patience_s: float = PATIENCE_S) -> bytes:
    """Send one line to the daemon at ``path`` and return its answer. Raises NoDaemonError."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        connection.settimeout(patience_s)
        try:
            _connect(connection, path, patience_s)
            connection.sendall(line + b"\n")
            with connection.makefile("rb") as answer:
                reply = answer.readline()
        except OSError as error:
            cause = error.strerror or str(error)
            raise NoDaemonError(
                f"no daemon answers at {path} ({cause}). Start one with `dustcake run`, or name "
                "its settings file; reading the socket needs membership of the daemon's group"
            ) from None
    if not reply:
        raise NoDaemonError(f"the daemon at {path} closed the connection without an answer")
    return reply


def _connect(connection: socket.socket, path: Path, patience_s: float) -> None:
    """Where many are waiting to be let in the system does not queue one more, but says so."""
    give_up_s = time.monotonic() + patience_s
    while True:
        try:
            connection.connect(os.fspath(path))
        except BlockingIOError:
            if time.monotonic() >= give_up_s:
                raise
            time.sleep(_AGAIN_S)
        else:
            return
