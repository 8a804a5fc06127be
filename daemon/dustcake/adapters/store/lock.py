"""One daemon to a journal."""

import fcntl
import os
from pathlib import Path

from dustcake.adapters.store.faults import StoreRefused, explain


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
