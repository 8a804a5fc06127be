"""A service manager's end of the notification socket."""

import socket
from pathlib import Path


class Notified:
    """What a daemon has told so far; put ``path`` into NOTIFY_SOCKET."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lines: list[str] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.setblocking(False)

    @property
    def lines(self) -> list[str]:
        """Everything told, in order."""
        try:
            while True:
                self._lines += self._socket.recv(4096).decode().splitlines()
        except BlockingIOError:
            return self._lines

    def count(self, line: str) -> int:
        """How often this was told."""
        return self.lines.count(line)

    @property
    def status(self) -> str:
        """The latest status line."""
        told = [line for line in self.lines if line.startswith("STATUS=")]
        return told[-1].removeprefix("STATUS=") if told else ""

    def close(self) -> None:
        self._socket.close()
