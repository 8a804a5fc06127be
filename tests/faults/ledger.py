"""What happened in one history, line by line: to be read by people, and hashed."""

import hashlib
from collections import deque
from collections.abc import Callable

LAST_LINES = 70


class Ledger:
    """Keeps the last lines, or hands each to ``trace`` as well; hashes all of them."""

    def __init__(self, now_s: Callable[[], float], trace: Callable[[str], None] | None) -> None:
        self._now_s = now_s
        self._trace = trace
        self._hash = hashlib.sha256()
        self.last: deque[str] = deque(maxlen=LAST_LINES)

    def note(self, who: str, what: str) -> None:
        """One line."""
        line = f"{self._now_s():12.3f} {who:8} {what}"
        self.last.append(line)
        self._hash.update(line.encode())
        if self._trace is not None:
            self._trace(line)

    def add(self, content: bytes) -> None:
        """Something that belongs to the history but would not be read."""
        self._hash.update(content)

    @property
    def digest(self) -> str:
        """The same for the same history, bit for bit."""
        return self._hash.hexdigest()
