"""What the valves did, in a file: the device's own witness, which outlives the device's process.

One JSON object a line: first `started` each time a simulator opens the file, then `on` or `off`
with the `valve` (from 1). `mono_s` is the computer's monotonic clock, at which it happened rather
than when it was noticed. Each line is handed to the operating system whole and at once, so that
killing the simulator in the middle loses none.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class ValveLog:
    """Writes the lines. `handle`: of a file opened for appending."""

    def __init__(self, handle: int) -> None:
        self._handle = handle

    def started(self, mono_s: float) -> None:
        """A device begins, with every valve off."""
        self._write({"event": "started", "mono_s": mono_s})

    def switched(self, valve: int, on: bool, mono_s: float) -> None:
        """A valve (from 0, as the output module numbers them) got power, or lost it."""
        event = "on" if on else "off"
        self._write({"event": event, "valve": valve + 1, "mono_s": round(mono_s, 6)})

    def _write(self, line: dict[str, object]) -> None:
        os.write(self._handle, json.dumps(line).encode() + b"\n")


@contextmanager
def valve_log(path: Path | None) -> Iterator[ValveLog | None]:
    """The log in this file, added to what is there; None without one. Raises OSError."""
    if path is None:
        yield None
        return
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    try:
        yield ValveLog(handle)
    finally:
        os.close(handle)
