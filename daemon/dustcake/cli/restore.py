"""Put settings and journal back from a file written by `dustcake backup`.

example:
  sudo systemctl stop dustcake
  sudo dustcake restore --settings /etc/dustcake/dustcake.toml collector-2026-05-04.tar.gz
  sudo systemctl start dustcake

The settings go to the file named by --settings, the journal to where those settings keep it. What
was there stays beside it, renamed with the time. Refused while a daemon uses the journal. Exit code
0: restored; 2: no usable backup; 1: the journal or a file cannot be written.
"""

import argparse
import json
import os
import tarfile
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from shutil import copyfileobj
from typing import IO

from dustcake.adapters.record_file import FileProblemError, RecordFile
from dustcake.adapters.store import StoreRefused, put_journal_back
from dustcake.cli.backup import ABOUT, JOURNAL, SETTINGS, record_member
from dustcake.cli.common import CommandError, UsageError, add_settings, settings_in
from dustcake.commissioning.record import place_of
from dustcake.settings.errors import SettingsError
from dustcake.settings.load import parse_settings

_LARGEST_SETTINGS_BYTES = 1_000_000
_LARGEST_RECORD_BYTES = 100_000_000


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake restore`."""
    add_settings(parser, optional=True)
    parser.add_argument("--journal-only", action="store_true", help="leave the settings alone")
    parser.add_argument("file", type=Path, metavar="FILE", help="the backup")


def run(arguments: argparse.Namespace) -> None:
    """Carry it out."""
    backup: Path = arguments.file
    try:
        with tarfile.open(backup, "r:gz") as archive:
            print("\n".join(_put_back(arguments, archive)))
    except SettingsError as error:
        text = f"{backup}: its settings do not serve this version of dustcake\n{error}"
        raise UsageError(text) from None
    except (tarfile.TarError, EOFError, KeyError, ValueError):
        text = f"{backup} is no backup of dustcake, or is damaged; name a file `backup` wrote"
        raise UsageError(text) from None
    except FileNotFoundError:
        text = f"{backup}: no such file; name a file written by `dustcake backup`"
        raise UsageError(text) from None
    except (StoreRefused, FileProblemError) as problem:
        raise CommandError(str(problem)) from None
    except OSError as error:
        text = f"{error.filename or backup}: {error.strerror or error}"
        raise CommandError(f"{text}; check the disk and its rights") from None


def _put_back(arguments: argparse.Namespace, archive: tarfile.TarFile) -> Iterator[str]:
    """Says of each file what it is now."""
    about = json.loads(_member(archive, ABOUT).read(_LARGEST_SETTINGS_BYTES))
    text = _member(archive, SETTINGS).read(_LARGEST_SETTINGS_BYTES).decode()
    if arguments.journal_only:
        settings = settings_in(arguments.settings)
    else:
        settings = parse_settings(text, f"settings in {arguments.file}")
    path = Path(settings.journal.path)
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=".dustcake-") as directory:
        copy = Path(directory) / JOURNAL
        with _member(archive, JOURNAL) as source, copy.open("wb") as file:
            copyfileobj(source, file)
        aside = put_journal_back(copy, path)
    yield f"{path}: the journal of {about['utc']}"
    yield from _set_aside(aside, "the one that was")
    for collector in settings.collectors:
        yield from _put_record_back(archive, collector.name, path)
    if not arguments.journal_only:
        yield from _write_settings(arguments.settings, text)


def _put_record_back(archive: tarfile.TarFile, collector: str, journal: Path) -> Iterator[str]:
    """The record of its commissioning, where the backup has one."""
    try:
        content = _member(archive, record_member(collector)).read(_LARGEST_RECORD_BYTES)
    except KeyError:
        return
    file = RecordFile(place_of(journal, collector))
    if file.read() == content:
        return
    aside = file.quarantine("replaced")
    file.write(content)
    if os.geteuid() == 0:  # for a daemon that is not root
        owner = journal.parent.stat()
        os.chown(file.path, owner.st_uid, owner.st_gid)
    yield f"{file.path}: the commissioning record"
    yield from _set_aside(aside, "the one that was")


def _write_settings(kept: Path, text: str) -> Iterator[str]:
    mode, aside = 0o640, None
    if kept.exists():
        if kept.read_text(encoding="utf-8") == text:
            yield f"{kept}: unchanged"
            return
        mode = kept.stat().st_mode & 0o777
        stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
        aside = kept.rename(kept.with_name(f"{kept.name}.replaced-{stamp}"))
    arriving = kept.with_name(kept.name + ".arriving")
    arriving.write_text(text, encoding="utf-8")
    arriving.chmod(mode)
    if os.geteuid() == 0:
        os.chown(arriving, 0, kept.parent.stat().st_gid)
    arriving.rename(kept)
    yield f"{kept}: the settings of the backup"
    yield from _set_aside(aside, "those that were")


def _set_aside(aside: Path | None, what: str) -> Iterator[str]:
    if aside is not None:
        yield f"{aside}: {what} there"


def _member(archive: tarfile.TarFile, name: str) -> IO[bytes]:
    """A plain file in the archive, whatever else it may hold. Raises KeyError."""
    file = archive.extractfile(archive.getmember(name))
    if file is None:
        raise KeyError(name)
    return file
