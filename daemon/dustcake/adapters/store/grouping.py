"""Commits of several collectors in one transaction."""

import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from dustcake.ports import Commit, Queued

GATHER_S = 0.03
"""So long a commit that nobody waits for lets others come along. Collectors are polled at the same
moments, so those of one moment are there by then."""


@dataclass
class Waiting:
    """A commit on its way to the disk. ``gone``: what its outbox has delivered. Afterwards:
    ``added`` to the outbox, or the ``error`` that kept all of it from being stored."""

    commit: Commit
    gone: frozenset[int]
    added: Sequence[Queued | None] = ()
    error: Exception | None = None
    is_done: bool = field(default=False, init=False)


class Group:
    """Whoever's turn comes first writes for all who wait by then.

    ``add`` is called in the event loop, the others in the database's thread, which is one.
    ``is_shared``: whether there is anybody else to wait for.
    """

    def __init__(self, write_all: Callable[[sqlite3.Connection, Sequence[Waiting]], None]) -> None:
        self._write_all = write_all
        self._waiting: deque[Waiting] = deque()
        self._hurry = threading.Event()
        self.is_shared = False

    def add(self, one: Waiting) -> None:
        """``write`` is called for it next."""
        self._waiting.append(one)
        if one.commit.urgent:
            self._hurry.set()

    def write(self, connection: sqlite3.Connection, one: Waiting) -> None:
        """Write ``one`` and all who wait, unless somebody has done so. Raises what keeps it from
        being written; the others find it in their ``error``, since it is told but once."""
        if one.is_done:
            return
        if self.is_shared:
            self._hurry.wait(GATHER_S)
        self._hurry.clear()
        group = [self._waiting.popleft() for _ in range(len(self._waiting))]
        try:
            self._write_all(connection, group)
        except Exception as error:
            for each in group:
                each.error = error
            raise
        finally:
            for each in group:
                each.is_done = True

    def withdraw(self, one: Waiting) -> None:
        """``write`` cannot be called for ``one``, so nobody may write it later."""
        if not one.is_done:
            self._waiting.remove(one)
