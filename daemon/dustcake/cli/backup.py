"""Copy settings and journal into one file, also while the daemon runs.

example:
  dustcake backup --settings /etc/dustcake/dustcake.toml collector-2026-05-04.tar.gz

The daemon may run meanwhile: the copy is the journal as it is at one moment. Passwords and keys
are in files of their own and are not in it. Exit code 0: written; 2: bad settings or usage; 1: the
journal cannot be read, or the file cannot be written.
"""

import argparse
import io
import json
import os
import tarfile
import tempfile
import time
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path

from dustcake.adapters.record_file import FileProblemError, RecordFile
from dustcake.adapters.store import StoreRefused, copy_journal
from dustcake.cli.common import CommandError, UsageError, add_settings, settings_in
from dustcake.commissioning.record import place_of
from dustcake.publish.payloads import utc_text

SETTINGS, JOURNAL, ABOUT = "settings.toml", "journal.db", "about.json"
"""The members of the file, which is a compressed tar archive."""


def record_member(collector: str) -> str:
    """The member that is the commissioning record of this collector, where there is one."""
    return f"commissioning/{collector}.json"


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake backup`."""
    add_settings(parser, optional=True)
    parser.add_argument("file", type=Path, metavar="FILE", help="a new file, named .tar.gz")


def run(arguments: argparse.Namespace) -> None:
    """Carry it out."""
    settings = settings_in(arguments.settings)
    journal, target = Path(settings.journal.path), Path(arguments.file)
    if target.exists():
        raise UsageError(f"{target} exists; name a new file")
    names = [collector.name for collector in settings.collectors]
    about = {"dustcake": version("dustcake"), "utc": utc_text(time.time()), "collectors": names}
    try:
        with tempfile.TemporaryDirectory(dir=target.parent, prefix=".dustcake-") as directory:
            copy, whole = Path(directory) / JOURNAL, Path(directory) / target.name
            copy_journal(journal, copy)
            with whole.open("wb") as file:
                whole.chmod(0o600)
                with tarfile.open(fileobj=file, mode="w:gz", compresslevel=6) as archive:
                    _put(archive, ABOUT, json.dumps(about, indent=2).encode())
                    _put(archive, SETTINGS, arguments.settings.read_bytes())
                    archive.add(copy, JOURNAL, filter=_nobodys)
                    _put_records(archive, journal, names)
                file.flush()
                os.fsync(file.fileno())
            whole.rename(target)
    except (StoreRefused, FileProblemError) as problem:
        raise CommandError(str(problem)) from None
    except OSError as error:
        cause = error.strerror or error
        raise CommandError(f"{target}: {cause}; name a file this user may write") from None
    print(f"{target}: settings and journal, {target.stat().st_size / 1e6:.1f} MB")


def _put_records(archive: tarfile.TarFile, journal: Path, collectors: Iterable[str]) -> None:
    for name in collectors:
        record = RecordFile(place_of(journal, name)).read()
        if record is not None:
            _put(archive, record_member(name), record)


def _nobodys(member: tarfile.TarInfo) -> tarfile.TarInfo:
    member.uid = member.gid = 0
    member.uname = member.gname = ""
    return member


def _put(archive: tarfile.TarFile, name: str, content: bytes) -> None:
    member = tarfile.TarInfo(name)
    member.size, member.mtime = len(content), int(time.time())
    archive.addfile(member, io.BytesIO(content))
