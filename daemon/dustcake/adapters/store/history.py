"""Reading a journal, also while a daemon writes to it."""

import json
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from dustcake.adapters.store.opening import open_for_reading
from dustcake.codec import decode_input, decode_state
from dustcake.core.inputs import Input
from dustcake.core.record import record
from dustcake.ports import Stored


@record
class RecordedEvent:
    """An event as it was recorded, by whatever version. ``fields``: those of its body."""

    seq: int
    utc_s: float | None
    mono_s: float
    name: str
    fields: dict[str, Any]


class History:
    """A journal opened for reading; a context manager.

    Raises ``StoreRefused`` when the file does not exist or cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self._connection = open_for_reading(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._connection.close()

    def collectors(self) -> list[str]:
        """The names of those it holds a state of."""
        rows = self._connection.execute("SELECT collector FROM state ORDER BY collector")
        return [name for (name,) in rows]

    def events(self, collector: str, since_utc_s: float | None, most: int) -> list[RecordedEvent]:
        """The newest ``most`` events, oldest first; with ``since_utc_s`` only those since then
        (an event recorded while the clock was not set is not among them)."""
        rows = self._connection.execute(
            "SELECT seq, utc_s, mono_s, name, body FROM events "
            "WHERE collector = :collector AND (:since IS NULL OR utc_s >= :since) "
            "ORDER BY n DESC LIMIT :most",
            {"collector": collector, "since": since_utc_s, "most": most},
        ).fetchall()
        return [
            RecordedEvent(seq, utc_s, mono_s, name, json.loads(body))
            for seq, utc_s, mono_s, name, body in reversed(rows)
        ]

    def state(self, collector: str) -> Stored | None:
        """The last committed state. Raises ``dustcake.codec.FormatError``."""
        row = self._connection.execute(
            "SELECT format, utc_s, body FROM state WHERE collector = ?", (collector,)
        ).fetchone()
        return None if row is None else Stored(decode_state(row[2].encode(), row[0]), row[1])

    def inputs(self, collector: str) -> Iterator[Input]:
        """Every raw input kept, in the order they were stepped. Raises
        ``dustcake.codec.FormatError``."""
        rows = self._connection.execute(
            "SELECT kind, body FROM inputs WHERE collector = ? ORDER BY n", (collector,)
        )
        for kind, body in rows:
            yield decode_input(kind, body.encode())
