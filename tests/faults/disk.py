"""A card with a real SQLite file on it, that can be full, slow, damaged, or lose its power.

The daemon's own connections are real ones; only BEGIN and COMMIT pass through here, where a fault
raises what SQLite itself would raise, and where the power can go before, in or after a commit.
"""

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

from dustcake.adapters.store import History
from faults.loop import PowerLost, SimulatedLoop

if TYPE_CHECKING:
    import asyncio

connect = sqlite3.connect

NORMAL_S, SLOW_S = 0.002, (0.05, 8.0)
REFUSALS = {
    "disk_full": (sqlite3.SQLITE_FULL, "database or disk is full"),
    "disk_readonly": (sqlite3.SQLITE_READONLY, "attempt to write a readonly database"),
    "disk_error": (sqlite3.SQLITE_IOERR, "disk I/O error"),
    "disk_dying": (sqlite3.SQLITE_IOERR, "disk I/O error"),  # and slow, too
}
CUTS = ("before", "torn", "after")
DAMAGES = ("header", "state", "events")


class Disk:
    """``active`` tells whether a fault of this name is on. ``cut_at``: where in the next commit
    the power goes."""

    def __init__(
        self, loop: SimulatedLoop, rng: Random, root: Path, active: Callable[[str], bool]
    ) -> None:
        self.cut_at: str | None = None
        self.was_cut: str | None = None
        self.commits = 0
        self._loop = loop
        self._rng = rng
        self._root = root
        self._active = active
        self._copies = 0
        self._torn: tuple[int, int] | None = None
        self._moved_aside = False
        self._history: tuple[int, History] | None = None
        self._free_s = 0.0
        self._generation = 0
        self._open: list[sqlite3.Connection] = []
        loop.thread = self._submit
        disk = self

        class Connection(sqlite3.Connection):
            def execute(self, sql: str, *args: Any) -> sqlite3.Cursor:
                if sql.startswith(("BEGIN", "PRAGMA journal_mode")):
                    disk._refuse()
                elif sql == "COMMIT":
                    return disk._commit(super().execute)
                return super().execute(sql, *args)

        self._factory = Connection
        self._directory.mkdir()

    @property
    def _directory(self) -> Path:
        return self._root / f"card-{self._copies}"

    @property
    def path(self) -> Path:
        """The journal."""
        return self._directory / "journal.db"

    def connect(self, *args: Any, **kwargs: Any) -> sqlite3.Connection:
        """In place of ``sqlite3.connect`` for the daemon."""
        connection = connect(*args, factory=self._factory, **kwargs)
        self._open.append(connection)
        return connection

    @contextmanager
    def reader(self) -> Iterator[sqlite3.Connection]:
        """For whoever looks at the file from outside."""
        connection = connect(self.path, isolation_level=None)
        try:
            yield connection
        finally:
            connection.close()

    def history(self) -> History:
        """The file as any program may read it. Kept open for as long as it is the same file."""
        number = self.path.stat().st_ino
        if self._history is None or self._history[0] != number:
            self._close_history()
            self._history = (number, History(self.path))
        return self._history[1]

    def _close_history(self) -> None:
        if self._history is not None:
            self._history[1].__exit__(None, None, None)
            self._history = None

    # --- the thread that touches the file

    def _submit(
        self, call: Callable[..., Any], args: tuple[Any, ...], done: "asyncio.Future[Any]"
    ) -> None:
        takes_s = self._rng.uniform(*SLOW_S) if self._is_slow() else NORMAL_S
        self._free_s = max(self._free_s, self._loop.now_s) + takes_s
        generation = self._generation
        self._loop.at(self._free_s, lambda: self._do(generation, call, args, done))

    def _is_slow(self) -> bool:
        return self._active("disk_slow") or self._active("disk_dying")

    def _do(
        self,
        generation: int,
        call: Callable[..., Any],
        args: tuple[Any, ...],
        done: "asyncio.Future[Any]",
    ) -> None:
        if generation != self._generation or not self._loop.alive:
            return
        try:
            result = call(*args)
        except PowerLost:
            return
        except Exception as error:  # noqa: BLE001 -- handed on, as a thread does
            if not done.done():
                done.set_exception(error)
        else:
            if not done.done():
                done.set_result(result)

    def _refuse(self) -> None:
        for name, (code, words) in REFUSALS.items():
            if self._active(name):
                error = sqlite3.OperationalError(words)
                error.sqlite_errorcode = code
                raise error

    def _commit(self, execute: Callable[[str], sqlite3.Cursor]) -> sqlite3.Cursor:
        # A disk may fill between BEGIN and COMMIT.
        self._refuse()
        cut, self.cut_at = self.cut_at, None
        if cut == "before":
            self._cut(cut)
        before = 0 if cut is None else self._wal_bytes()
        cursor = execute("COMMIT")
        self.commits += 1
        if cut is not None:
            after = self._wal_bytes()
            if cut == "torn" and after > before:
                self._torn = (before, after)
            self._cut(cut)
        return cursor

    def _cut(self, cut: str) -> None:
        self.was_cut = cut
        self._loop.cut()
        raise PowerLost

    def rename(self, source: Path, target: Path) -> Path:
        """In place of ``Path.rename`` for the daemon: the power may go before or after."""
        cut, self.cut_at = self.cut_at, None
        if cut == "before":
            self._cut(cut)
        source.replace(target)
        self._moved_aside = self._moved_aside or (source == self.path and ".damaged" in target.name)
        if cut is not None:
            self._cut(cut)
        return target

    @property
    def damage_is_mended(self) -> bool:
        """Whether the daemon has put another file in the place of the damaged one."""
        return self._moved_aside and self.path.exists()

    def _wal_bytes(self) -> int:
        wal = self.path.with_name("journal.db-wal")
        return wal.stat().st_size if wal.exists() else 0

    # --- what a crash leaves

    def survive(self) -> None:
        """The card as the crash left it, in a place of its own: what the dead daemon's
        connections still do to the old one does not count."""
        old = self._directory
        self._generation += 1
        self._copies += 1
        self._free_s = 0.0
        self._directory.mkdir()
        for part in sorted(old.iterdir()):
            if not part.name.endswith(("-shm", ".lock")):
                shutil.copyfile(part, self._directory / part.name)
        wal = self.path.with_name("journal.db-wal")
        if self._torn is not None and wal.exists():
            os.truncate(wal, self._rng.randrange(*self._torn))
        self._torn = None
        self.close()
        shutil.rmtree(old)

    def close(self) -> None:
        """Let go of what a daemon has left open."""
        self._close_history()
        for connection in self._open:
            connection.close()
        self._open.clear()

    @contextmanager
    def copy(self) -> Iterator[Path]:
        """A copy of the file without any inputs."""
        path = self._directory / "copy.db"
        with self.reader() as reader:
            reader.execute("VACUUM INTO ?", (str(path),))
        copy = connect(path, isolation_level=None)
        copy.execute("DELETE FROM inputs")
        copy.close()
        yield path
        path.unlink()

    def damage(self, what: str) -> None:
        """Spoil the file's header, or the page on which a table begins."""
        with self.reader() as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            page_size = connection.execute("PRAGMA page_size").fetchone()[0]
            found = connection.execute(
                "SELECT rootpage FROM sqlite_master WHERE name = ?", (what,)
            ).fetchone()
        self._moved_aside = False
        page = 1 if what == "header" or found is None else found[0]
        with self.path.open("r+b") as file:
            file.seek((page - 1) * page_size)
            file.write(self._rng.randbytes(200))
