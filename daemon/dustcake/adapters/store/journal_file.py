"""The journal's SQLite file: used by one daemon in one thread; durable, private, of a known
version and sound; replaced when it is damaged, and copied while a daemon writes to it."""

import asyncio
import fcntl
import os
import sqlite3
import time
from collections.abc import AsyncIterator, Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, asynccontextmanager, closing, contextmanager
from pathlib import Path
from typing import TypeVar
from urllib.parse import quote

import structlog

from dustcake.adapters.store.faults import (
    StoreRefused,
    damage,
    damage_named,
    is_damage,
    refusing,
)
from dustcake.adapters.store.rows import sane
from dustcake.adapters.store.schema import (
    KEYS,
    VERSION,
    is_as_made,
    is_journal,
    migrate,
    number_of,
    version_of,
)
from dustcake.codec import STATE_FORMAT

T = TypeVar("T")

CLOSE_S = 0.5
MODE = 0o640  # whoever is in the daemon's group may read the history
BUSY_TIMEOUT_S = 2.0
MOST_ASIDE = 3  # damaged files kept for examination

_log = structlog.get_logger(__name__)


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Keep ``<path>.lock`` locked; the kernel lifts that when the process ends, however.

    Raises ``StoreRefused`` when another process holds it, or the file cannot be made. It is the
    first thing a daemon needs of the disk, so it is here that a missing directory shows.
    """
    if not path.parent.is_dir():
        raise StoreRefused(
            f"journal {path}: the directory {path.parent} does not exist; create it, owned by "
            "the user the daemon runs as, or set `journal.path` to another place"
        )
    beside = path.with_name(path.name + ".lock")
    with refusing(beside):
        lock = os.open(beside, os.O_RDWR | os.O_CREAT, MODE)
    with os.fdopen(lock):
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise StoreRefused(
                f"journal {path} is in use by another dustcake daemon; stop that one, or give "
                "this one a journal of its own"
            ) from None
        yield


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Let all that is executed meanwhile be stored, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def open_for_writing(path: Path) -> sqlite3.Connection:
    """A connection to the sound, current file at ``path``, made if there is none.

    A damaged file is moved aside, and what can be read of it is carried over. Raises
    ``StoreRefused`` when the file was written by a newer version, or cannot be used.
    """
    with refusing(path, unknown_too=False):
        if _rebuilt(path).exists():  # the power went before it was put in place
            _put_in_place(path)
        try:
            return _open_sound(path)
        except sqlite3.Error as error:
            if not is_damage(error):
                raise
            return start_afresh(path)


def open_for_reading(path: Path, *, also_older: bool = False) -> sqlite3.Connection:
    """A connection that cannot change the file; a daemon may be writing to it meanwhile.

    Raises ``StoreRefused`` when there is no such file or it is of another version; ``also_older``
    lets an older one pass, for who copies it without looking inside.
    """
    if not path.is_file():
        raise StoreRefused(f"journal {path} does not exist; name the daemon's journal file")
    with refusing(path):
        connection = _connected(f"file:{quote(str(path))}?mode=ro", uri=True)
        with ExitStack() as on_error:
            on_error.callback(connection.close)
            _refuse_foreign(connection, path)
            if version_of(connection) < VERSION and not also_older:
                raise StoreRefused(
                    f"journal {path} was written by an older version of dustcake; start the "
                    "daemon once to bring it up"
                )
            on_error.pop_all()
    return connection


def start_afresh(path: Path) -> sqlite3.Connection:
    """Move the damaged file at ``path`` aside, start a new one, carry over what can be read.

    The new file is whole before it takes the place of the old one: whenever the power goes, one of
    them holds what could be saved. Raises ``OSError`` or ``sqlite3.Error`` when the disk does not
    let it.
    """
    building = path.with_name(f"{path.name}.rebuilding")
    for suffix in ("", "-wal", "-shm"):
        building.with_name(building.name + suffix).unlink(missing_ok=True)
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    with closing(_open_sound(building)) as connection:
        with transaction(connection):
            saved = {table: _carry_over(path, connection, table) for table in KEYS}
            _drop_dangling(connection)
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    building.rename(_rebuilt(path))
    aside = _put_in_place(path)
    _log.error("journal was damaged", moved_to=str(aside), carried_over=saved)
    return _open_sound(path)


def _rebuilt(path: Path) -> Path:
    """Where a new file waits, whole, to take the place of the one at ``path``."""
    return path.with_name(f"{path.name}.rebuilt")


def _put_in_place(path: Path) -> Path:
    """Let the rebuilt file take its place; where the damaged one has gone. Of those the newest few
    are kept: a dying card must not be filled with them."""
    aside = _move_aside(path, "damaged")
    _rebuilt(path).rename(path)
    earlier = sorted(path.parent.glob(f"{path.name}.damaged-*Z"))
    for one in [other for other in earlier if other != aside][: 1 - MOST_ASIDE]:
        for part in (one, one.with_name(f"{one.name}-wal")):
            part.unlink(missing_ok=True)
    return aside


def _move_aside(path: Path, why: str) -> Path:
    """Give the file at ``path`` another name, which is returned."""
    aside = path.with_name(f"{path.name}.{why}-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}")
    # First its log, which must never be taken for that of the file that comes.
    for suffix in ("-wal", ""):
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(aside.with_name(aside.name + suffix))
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    return aside


def _open_sound(path: Path) -> sqlite3.Connection:
    os.close(os.open(path, os.O_RDWR | os.O_CREAT, MODE))
    connection = _connected(path)
    with ExitStack() as on_error, damage_named():
        on_error.callback(connection.close)
        _refuse_foreign(connection, path)
        # Small pages: most commits change a few hundred bytes. Only a new file takes this.
        connection.execute("PRAGMA page_size = 1024")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA wal_autocheckpoint = 4096")
        # An event once committed must survive a power cut, not only a crash of this process.
        connection.execute("PRAGMA synchronous = FULL")
        _bring_up(connection)
        for table in ("state", "outbox"):
            found = connection.execute(f"PRAGMA quick_check('{table}')").fetchone()[0]
            if found != "ok":
                raise damage(found)
        newest = f"SELECT max(format) FROM state WHERE {sane('format')}"
        if number_of(connection, newest) > STATE_FORMAT:
            raise _newer(path)
        on_error.pop_all()
    return connection


def _bring_up(connection: sqlite3.Connection) -> None:
    try:
        migrate(connection)
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_ERROR:
            raise
        # A step fits every file that is of the version it says.
        raise damage(f"not of the version it says: {error}") from None
    if not is_as_made(connection):
        raise damage("its tables are not as they were made")


def _connected(to: Path | str, *, uri: bool = False) -> sqlite3.Connection:
    connection = sqlite3.connect(to, uri=uri, timeout=BUSY_TIMEOUT_S, isolation_level=None)
    # Where a stored text is damaged, whoever reads it shall see it.
    connection.text_factory = lambda stored: stored.decode("utf-8", "replace")
    return connection


def _refuse_foreign(connection: sqlite3.Connection, path: Path) -> None:
    if not is_journal(connection):
        raise StoreRefused(f"{path} is not a dustcake journal; name another file")
    if version_of(connection) > VERSION:
        raise _newer(path)


def _newer(path: Path) -> StoreRefused:
    return StoreRefused(
        f"journal {path} was written by a newer version of dustcake; install that version, or "
        "move the file away to start anew"
    )


def _carry_over(damaged_path: Path, connection: sqlite3.Connection, table: str) -> int:
    """Copy what can be read of ``table``, also from an older version; how many rows that was."""
    known, rows = _columns(connection, table), 0
    # Where the way from the beginning ends at a damaged page, another leads from the end.
    for order in ("", f"ORDER BY {KEYS[table]} DESC"):
        try:
            with damage_named(), closing(_connected(damaged_path)) as damaged:
                columns = ", ".join(sorted(known & _columns(damaged, table)))
                for row in damaged.execute(f"SELECT {columns} FROM {table} {order}"):
                    # A row that breaks a rule (a null, the key of another) is passed over.
                    rows += connection.execute(
                        f"INSERT OR IGNORE INTO {table} ({columns}) "
                        f"VALUES ({', '.join('?' * len(row))})",
                        row,
                    ).rowcount
                return rows
        except sqlite3.DatabaseError:
            continue
    return rows


def _columns(connection: sqlite3.Connection, table: str) -> set[str]:
    return {column[1] for column in connection.execute(f"PRAGMA table_info('{table}')")}


def _drop_dangling(connection: sqlite3.Connection) -> None:
    """Delete what the outbox refers to and could not be carried over, since it cannot be published;
    and, where the state is lost, what the retained topics said of it: it may no longer be so."""
    connection.execute(
        "DELETE FROM outbox WHERE CASE keep "
        "WHEN 'event' THEN source NOT IN (SELECT n FROM events) "
        "WHEN 'minute' THEN source NOT IN (SELECT n FROM minutes) "
        "WHEN 'latest' THEN collector NOT IN (SELECT collector FROM state) END"
    )


class Database:
    """The file in a thread of its own, so that a stalling disk never stalls the loop. Make it with
    ``open``."""

    def __init__(
        self, path: Path, connection: sqlite3.Connection, executor: ThreadPoolExecutor
    ) -> None:
        self.path = path
        self._connection = connection
        self._executor = executor
        self._damaged = False

    def _close(self) -> None:
        self._connection.close()

    @classmethod
    @asynccontextmanager
    async def open(cls, path: Path) -> AsyncIterator["Database"]:
        """Lock and open ``path``, and close it in the end, if the disk lets it within ``CLOSE_S``.
        Raises ``StoreRefused``."""
        loop = asyncio.get_running_loop()
        executor = ThreadPoolExecutor(max_workers=1, thread_name_prefix="journal")
        try:
            with locked(path):
                connection = await loop.run_in_executor(executor, open_for_writing, path)
                database = cls(path, connection, executor)
                try:
                    yield database
                finally:
                    closed = loop.run_in_executor(executor, database._close)
                    await asyncio.wait({closed}, timeout=CLOSE_S)
        finally:
            # A thread that a disk holds fast is not waited for.
            executor.shutdown(wait=False)

    async def run(
        self,
        call: Callable[[sqlite3.Connection], T],
        otherwise: Callable[[], None] = lambda: None,
    ) -> T:
        """What ``call`` returns, called in the file's thread. Raises ``StoreRefused`` for what a
        disk can be expected to do.

        A file found damaged by one call is moved aside and replaced before the next one. Where the
        disk does not let it, ``otherwise`` is called instead.
        """
        loop = asyncio.get_running_loop()
        with refusing(self.path, unknown_too=False):
            return await loop.run_in_executor(self._executor, self._call, call, otherwise)

    def _call(self, call: Callable[[sqlite3.Connection], T], otherwise: Callable[[], None]) -> T:
        if self._damaged:
            try:
                self._connection.close()
                self._connection = start_afresh(self.path)
            except (sqlite3.Error, OSError):
                otherwise()
                raise
            self._damaged = False
        try:
            with damage_named():
                return call(self._connection)
        except sqlite3.Error as error:
            self._damaged = is_damage(error)
            raise


PAGES_AT_ONCE = 2048  # so that a daemon that wants to commit meanwhile waits for milliseconds


def copy_journal(path: Path, target: Path) -> None:
    """Copy the journal at ``path`` to ``target``, as it is at one moment.

    Raises ``StoreRefused`` when it cannot be read, or ``target`` cannot be written.
    """
    with (
        refusing(target),
        closing(open_for_reading(path, also_older=True)) as journal,
        closing(sqlite3.connect(target)) as copy,
    ):
        journal.backup(copy, pages=PAGES_AT_ONCE, sleep=0.01)
        # One file: a copy needs no log beside it.
        copy.execute("PRAGMA journal_mode = DELETE")


def put_journal_back(copy: Path, path: Path) -> Path | None:
    """Let ``copy`` take the place of the journal at ``path``; where that one was moved to.

    Raises ``StoreRefused`` when a daemon is using the journal, when ``copy`` is no journal, is of
    a newer version or damaged, or when the disk does not let it. The journal is not touched before
    the copy is whole beside it.
    """
    with locked(path), refusing(path):
        with closing(open_for_reading(copy, also_older=True)) as connection:
            found = connection.execute("PRAGMA integrity_check").fetchone()[0]
        if found != "ok":
            raise StoreRefused(f"{copy} is damaged ({found}); use another backup")
        arriving = path.with_name(f"{path.name}.arriving")
        arriving.unlink(missing_ok=True)
        copy_journal(copy, arriving)
        arriving.chmod(MODE)
        if os.geteuid() == 0:  # for a daemon that is not root
            owner = path.parent.stat()
            os.chown(arriving, owner.st_uid, owner.st_gid)
        _sync(arriving)
        aside = _move_aside(path, "replaced") if path.exists() else None
        arriving.rename(path)
        _sync(path.parent)
    return aside


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
