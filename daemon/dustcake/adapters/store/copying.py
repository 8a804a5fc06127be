"""A whole copy of the journal while a daemon writes to it, and putting one back."""

import os
import shutil
import sqlite3
import time
from contextlib import closing
from pathlib import Path

from dustcake.adapters.store.faults import StoreRefused, explain
from dustcake.adapters.store.lock import FileLock
from dustcake.adapters.store.opening import MODE, open_for_reading

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
