"""The file: one daemon to it, durable, private, of a known version, and sound; replaced when it is
damaged, and copied while a daemon writes to it."""

import fcntl
import os
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from urllib.parse import quote

import structlog

from dustcake.adapters.store.faults import (
    StoreRefused,
    damage,
    damage_named,
    explain,
    is_damage,
    is_expected,
)
from dustcake.adapters.store.rows import sane
from dustcake.adapters.store.schema import (
    KEYS,
    SALVAGE_ORDER,
    VERSION,
    is_as_made,
    is_journal,
    migrate,
    version_of,
)
from dustcake.codec import STATE_FORMAT


class FileLock:
    """An advisory lock on ``<path>.lock``; the kernel lifts it when the process ends, however.

    Raises ``StoreRefused`` when another process holds it, or the file cannot be made. It is the
    first thing a daemon needs of the disk, so it is here that a missing directory shows.
    """

    def __init__(self, path: Path) -> None:
        if not path.parent.is_dir():
            raise StoreRefused(
                f"journal {path}: the directory {path.parent} does not exist; create it, owned by "
                "the user the daemon runs as, or set `journal.path` to another place"
            )
        beside = path.with_name(path.name + ".lock")
        try:
            self._descriptor = os.open(beside, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        except OSError as error:
            raise StoreRefused(explain(error, beside)) from None
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(self._descriptor)
            raise StoreRefused(
                f"journal {path} is in use by another dustcake daemon; stop that one, or give "
                "this one a journal of its own"
            ) from None

    def release(self) -> None:
        """Let another process have it."""
        os.close(self._descriptor)


MODE = 0o640  # whoever is in the daemon's group may read the history
BUSY_TIMEOUT_S = 2.0
MOST_ASIDE = 3  # damaged files kept for examination

_log = structlog.get_logger(__name__)


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All of it, or nothing."""
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
    try:
        if _rebuilt(path).exists():  # the power went before it was put in place
            _put_in_place(path)
        return _open_or_replace(path)
    except sqlite3.Error as error:
        if is_expected(error):
            raise StoreRefused(explain(error, path)) from None
        raise
    except OSError as error:
        raise StoreRefused(explain(error, path)) from None


def _open_or_replace(path: Path) -> sqlite3.Connection:
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
    try:
        connection = sqlite3.connect(
            f"file:{quote(str(path))}?mode=ro",
            uri=True,
            timeout=BUSY_TIMEOUT_S,
            isolation_level=None,
        )
        connection.text_factory = _text
        with _closed_on_error(connection), damage_named():
            _refuse_foreign(connection, path)
            if version_of(connection) < VERSION and not also_older:
                raise StoreRefused(
                    f"journal {path} was written by an older version of dustcake; start the "
                    "daemon once to bring it up"
                )
    except sqlite3.Error as error:
        raise StoreRefused(explain(error, path)) from None
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
            saved = {table: _carry_over(path, connection, table) for table in SALVAGE_ORDER}
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
    """Let the rebuilt file take its place; where the damaged one has gone."""
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    # First the log of the damaged file, which must never be taken for that of the new one.
    for suffix in ("-wal", ""):
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(aside.with_name(aside.name + suffix))
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    _rebuilt(path).rename(path)
    _forget_oldest(path, aside)
    return aside


def _forget_oldest(path: Path, newest: Path) -> None:
    """Of the damaged files keep the newest few: a dying card must not be filled with them."""
    kept = MOST_ASIDE - 1
    aside = sorted(path.parent.glob(f"{path.name}.damaged-*Z"))
    for one in [other for other in aside if other != newest][:-kept]:
        for part in (one, one.with_name(f"{one.name}-wal")):
            part.unlink(missing_ok=True)


def _open_sound(path: Path) -> sqlite3.Connection:
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, MODE))
    connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, isolation_level=None)
    connection.text_factory = _text
    with _closed_on_error(connection), damage_named():
        _refuse_foreign(connection, path)
        # Small pages: most commits change a few hundred bytes. Only a new file takes this.
        connection.execute("PRAGMA page_size = 1024")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA wal_autocheckpoint = 4096")
        # An event once committed must survive a power cut, not only a crash of this process.
        connection.execute("PRAGMA synchronous = FULL")
        try:
            migrate(connection)
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_ERROR:
                raise
            # A step fits every file that is of the version it says.
            raise damage(f"not of the version it says: {error}") from None
        if not is_as_made(connection):
            raise damage("its tables are not as they were made")
        for table in ("state", "outbox"):
            found = connection.execute(f"PRAGMA quick_check('{table}')").fetchone()[0]
            if found != "ok":
                raise damage(found)
        newest = connection.execute(
            f"SELECT max(format) FROM state WHERE {sane('format')}"
        ).fetchone()[0]
        if newest is not None and newest > STATE_FORMAT:
            raise _newer(path)
    return connection


def _text(stored: bytes) -> str:
    """A stored text; where it is damaged, so that whoever reads it can see it."""
    return stored.decode("utf-8", "replace")


@contextmanager
def _closed_on_error(connection: sqlite3.Connection) -> Iterator[None]:
    try:
        yield
    except BaseException:
        connection.close()
        raise


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
    known = {column[1] for column in connection.execute(f"PRAGMA table_info('{table}')")}
    rows = 0
    # Where the way from the beginning ends at a damaged page, another leads from the end.
    for order in ("", f"ORDER BY {KEYS[table]} DESC"):
        try:
            with (
                damage_named(),
                closing(sqlite3.connect(damaged_path, isolation_level=None)) as damaged,
            ):
                damaged.text_factory = _text
                found = damaged.execute(f"SELECT * FROM {table} {order}")
                names = [column[0] for column in found.description]
                kept = [at for at, name in enumerate(names) if name in known]
                into = f"{table} ({', '.join(names[at] for at in kept)})"
                places = ", ".join("?" * len(kept))
                for row in found:
                    # A row that breaks a rule (a null, the key of another) is passed over.
                    rows += connection.execute(
                        f"INSERT OR IGNORE INTO {into} VALUES ({places})", [row[at] for at in kept]
                    ).rowcount
                return rows
        except sqlite3.DatabaseError:
            continue
    return rows


def _drop_dangling(connection: sqlite3.Connection) -> None:
    """What the outbox refers to and could not be carried over cannot be published, and what is no
    longer so must not be."""
    for keep, table in (("event", "events"), ("minute", "minutes")):
        connection.execute(
            "DELETE FROM outbox WHERE keep = ? AND source IS NOT NULL AND NOT EXISTS "
            f"(SELECT 1 FROM {table} WHERE n = source)",
            (keep,),
        )
    # Where the state is lost, so is what the retained topics said of it.
    connection.execute(
        "DELETE FROM outbox WHERE keep = 'latest' "
        "AND collector NOT IN (SELECT collector FROM state)"
    )


PAGES_AT_ONCE = 2048  # so that a daemon that wants to commit meanwhile waits for milliseconds


def copy_journal(path: Path, target: Path) -> None:
    """Copy the journal at ``path`` to ``target``, as it is at one moment.

    Raises ``StoreRefused`` when it cannot be read, or ``target`` cannot be written.
    """
    try:
        with (
            closing(open_for_reading(path, also_older=True)) as journal,
            closing(sqlite3.connect(target)) as copy,
        ):
            journal.backup(copy, pages=PAGES_AT_ONCE, sleep=0.01)
            # One file: a copy needs no log beside it.
            copy.execute("PRAGMA journal_mode = DELETE")
    except (sqlite3.Error, OSError) as error:
        raise StoreRefused(explain(error, target)) from None


def put_journal_back(copy: Path, path: Path) -> Path | None:
    """Let ``copy`` take the place of the journal at ``path``; where that one was moved to.

    Raises ``StoreRefused`` when a daemon is using the journal, when ``copy`` is no journal, is of
    a newer version or damaged, or when the disk does not let it. The journal is not touched before
    the copy is whole beside it.
    """
    lock = FileLock(path)
    try:
        with closing(open_for_reading(copy, also_older=True)) as connection:
            found = connection.execute("PRAGMA integrity_check").fetchone()[0]
        if found != "ok":
            raise StoreRefused(f"{copy} is damaged ({found}); use another backup")
        arriving = path.with_name(f"{path.name}.arriving")
        shutil.copyfile(copy, arriving)
        arriving.chmod(MODE)
        if os.geteuid() == 0:  # for a daemon that is not root
            owner = path.parent.stat()
            os.chown(arriving, owner.st_uid, owner.st_gid)
        _sync(arriving)
        aside = _move_aside(path)
        arriving.rename(path)
        _sync(path.parent)
    except (sqlite3.Error, OSError) as error:
        raise StoreRefused(explain(error, path)) from None
    finally:
        lock.release()
    return aside


def _move_aside(path: Path) -> Path | None:
    if not path.exists():
        return None
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
    aside = path.with_name(f"{path.name}.replaced-{stamp}")
    # First the log, which must never be taken for that of the file that comes.
    for suffix in ("-wal", ""):
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(aside.with_name(aside.name + suffix))
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    return aside


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
