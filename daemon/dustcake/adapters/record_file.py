"""A small file that is whole at any moment, such as the record of a commissioning."""

import os
from pathlib import Path


class FileProblemError(Exception):
    """The file cannot be read or written; the message says which, and why."""


class RecordFile:
    """One file at ``path``; what is written to it is on the disk, or the old content still is."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> bytes | None:
        """Its content; None where there is none. Raises FileProblemError."""
        try:
            return self.path.read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise FileProblemError(f"{self.path}: {error.strerror}") from None

    def write(self, content: bytes) -> None:
        """Put ``content`` in its place. Raises FileProblemError."""
        beside = self.path.with_name(f"{self.path.name}.new")
        try:
            with beside.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(self.path)
            directory = os.open(self.path.parent, os.O_RDONLY)
            try:
                os.fsync(directory)
            finally:
                os.close(directory)
        except OSError as error:
            raise FileProblemError(f"{self.path}: {error.strerror}") from None

    def quarantine(self, ending: str) -> Path | None:
        """Move it aside under a name with ``ending``, never over another; its new path, None where
        there was nothing. Raises FileProblemError."""
        for number in range(1, 1000):
            aside = self.path.with_name(f"{self.path.stem}-{ending}-{number}{self.path.suffix}")
            if aside.exists():
                continue
            try:
                self.path.rename(aside)
            except FileNotFoundError:
                return None
            except OSError as error:
                raise FileProblemError(f"{self.path}: {error.strerror}") from None
            return aside
        raise FileProblemError(f"{self.path}: too many set aside; move some of them away")
