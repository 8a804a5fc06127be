"""The open file, and the one thread that touches it."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TypeVar

from dustcake.adapters.store.faults import damage_named, is_damage, is_expected
from dustcake.adapters.store.journal_file import FileLock, open_for_writing, start_afresh

T = TypeVar("T")

CLOSE_S = 0.5


class Database:
    """One thread, so that a stalling disk never stalls the loop. Make it with ``open``."""

    def __init__(
        self, path: Path, connection: sqlite3.Connection, executor: ThreadPoolExecutor
    ) -> None:
        self.path = path
        self._connection = connection
        self._executor = executor
        self._damaged = False
        self.replacements = 0
        """How often the file was found damaged and another one started."""

    @classmethod
    @asynccontextmanager
    async def open(cls, path: Path) -> AsyncIterator["Database"]:
        """Lock and open ``path``, and close it in the end, if the disk lets it within ``CLOSE_S``.
        Raises ``StoreRefused``."""
        loop = asyncio.get_running_loop()
        executor = ThreadPoolExecutor(max_workers=1, thread_name_prefix="journal")
        try:
            lock = await loop.run_in_executor(executor, FileLock, path)
            try:
                connection = await loop.run_in_executor(executor, open_for_writing, path)
                database = cls(path, connection, executor)
                try:
                    yield database
                finally:
                    closing = loop.run_in_executor(executor, database._close)
                    await asyncio.wait({closing}, timeout=CLOSE_S)
            finally:
                lock.release()
        finally:
            # A thread that a disk holds fast is not waited for.
            executor.shutdown(wait=False)

    def _close(self) -> None:
        self._connection.close()

    async def run(
        self,
        call: Callable[[sqlite3.Connection], T],
        otherwise: Callable[[], None] = lambda: None,
    ) -> T:
        """What ``call`` returns or raises, called in the file's thread.

        A file found damaged by one call is moved aside and replaced before the next one. Where the
        disk does not let it, ``otherwise`` is called instead, and that is raised.
        """
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._executor, self._call, call, otherwise)

    def _call(self, call: Callable[[sqlite3.Connection], T], otherwise: Callable[[], None]) -> T:
        if self._damaged:
            try:
                self._replace()
            except (sqlite3.Error, OSError):
                otherwise()
                raise
        try:
            with damage_named():
                return call(self._connection)
        except sqlite3.Error as error:
            self._damaged = is_damage(error)
            raise

    def _replace(self) -> None:
        self._connection.close()
        self._connection = start_afresh(self.path)
        self._damaged = False
        self.replacements += 1


def disk_is_to_blame(error: Exception) -> bool:
    """Whether ``error`` is one of the failures a disk can be expected to have."""
    return isinstance(error, OSError) or (isinstance(error, sqlite3.Error) and is_expected(error))
