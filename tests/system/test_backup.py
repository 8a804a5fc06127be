"""Settings and journal in one file, and back again."""

import tarfile
from pathlib import Path

import pytest

from system_support import settings
from system_support.broker import until
from system_support.device import device, scenario
from system_support.processes import Daemons, Done, dustcake

DIRTY = scenario(0.45)
RECORD = "journal-commissioning-hall-1.json"


def names_in(directory: Path) -> list[str]:
    return sorted(path.name for path in directory.iterdir())


async def history(file: Path) -> list[dict[str, object]]:
    done = await dustcake("history", "--settings", file, "--json")
    assert done.code == 0, done.err
    return done.lines


async def lived(directory: Path, daemons: Daemons, backup: Path) -> tuple[Path, Done]:
    """A daemon that has fired pulses; backed up while it runs, then ended."""
    async with device(DIRTY) as plant:
        file = settings.write(directory, settings.tcp_bus(plant.port), settings.collector())
        daemon = await daemons.start(file)
        await until(lambda: sum(plant.unit.pulses) >= 2, "two pulses")
        assert (await dustcake("commission", "--settings", file, "--new")).code == 0
        await until((directory / RECORD).exists, "the commissioning record")
        done = await dustcake("backup", "--settings", file, backup)
        refused = await dustcake("restore", "--settings", file, backup)
        assert refused.code == 1
        assert "in use by another dustcake daemon" in refused.err
        await daemon.terminate()
    return file, done


async def test_what_was_backed_up_while_it_ran_comes_back(tmp_path: Path, daemons: Daemons) -> None:
    backup = tmp_path / "plant.tar.gz"
    file, done = await lived(tmp_path, daemons, backup)
    assert done.code == 0, done.err
    assert backup.stat().st_mode & 0o077 == 0, "settings and history are nobody else's business"
    written = file.read_text()
    after = await history(file)
    file.write_text(written + "\n# changed since\n")
    record = (tmp_path / RECORD).read_bytes()
    (tmp_path / RECORD).write_text("changed since")

    restored = await dustcake("restore", "--settings", file, backup)

    assert restored.code == 0, restored.err
    assert file.read_text() == written
    assert (tmp_path / RECORD).read_bytes() == record
    assert RECORD.replace(".json", "-replaced-1.json") in names_in(tmp_path)
    before = await history(file)
    assert 0 < len(before) < len(after)
    assert before == after[: len(before)]
    kept = [name for name in names_in(tmp_path) if ".replaced-" in name]
    assert len(kept) >= 2, "the journal and the settings that were there stay beside"
    async with device(DIRTY) as plant:
        # The same port is not to be had again; the journal is what matters here.
        again = settings.write(tmp_path, settings.tcp_bus(plant.port), settings.collector())
        daemon = await daemons.start(again)
        await until(lambda: sum(plant.unit.pulses) >= 1, "a pulse after the restore")
        await daemon.terminate()
    numbers = [event["seq"] for event in await history(again)]
    assert numbers == list(range(1, len(numbers) + 1))


async def test_never_writes_over_a_file(tmp_path: Path) -> None:
    file = settings.write(tmp_path, settings.tcp_bus(502), settings.collector())
    there = tmp_path / "there.tar.gz"
    there.write_text("mine")
    done = await dustcake("backup", "--settings", file, there)
    assert (done.code, there.read_text()) == (2, "mine")
    assert "name a new file" in done.err


async def test_without_a_journal_nothing_is_left_behind(tmp_path: Path) -> None:
    file = settings.write(tmp_path, settings.tcp_bus(502), settings.collector())
    done = await dustcake("backup", "--settings", file, tmp_path / "plant.tar.gz")
    assert done.code == 1
    assert "does not exist" in done.err
    assert names_in(tmp_path) == [file.name]


@pytest.mark.parametrize("content", [b"", b"rubbish", None], ids=["empty", "rubbish", "foreign"])
async def test_what_is_no_backup_changes_nothing(tmp_path: Path, content: bytes | None) -> None:
    file = settings.write(tmp_path, settings.tcp_bus(502), settings.collector())
    backup = tmp_path / "odd.tar.gz"
    if content is None:
        with tarfile.open(backup, "w:gz") as archive:
            archive.add(file, "settings.toml")
    else:
        backup.write_bytes(content)
    before = names_in(tmp_path)
    done = await dustcake("restore", "--settings", file, backup)
    assert done.code == 2
    assert "no backup" in done.err
    assert names_in(tmp_path) == before


async def test_journal_only_and_what_is_refused(tmp_path: Path, daemons: Daemons) -> None:
    backup = tmp_path / "plant.tar.gz"
    file, _ = await lived(tmp_path, daemons, backup)
    mine = file.read_text() + "\n# mine\n"
    file.write_text(mine)
    lived_through = await history(file)

    cut_off = tmp_path / "cut-off.tar.gz"
    cut_off.write_bytes(backup.read_bytes()[: backup.stat().st_size // 2])
    done = await dustcake("restore", "--settings", file, cut_off)
    assert done.code == 2
    assert "damaged" in done.err

    done = await dustcake("restore", "--settings", file, with_another_journal(backup, tmp_path))
    assert done.code == 1
    assert (file.read_text(), await history(file)) == (mine, lived_through)

    done = await dustcake("restore", "--settings", file, "--journal-only", backup)
    assert done.code == 0, done.err
    assert file.read_text() == mine
    assert len(await history(file)) < len(lived_through)


def with_another_journal(backup: Path, directory: Path) -> Path:
    """The same backup, but for a journal that is none."""
    parts, spoilt = directory / "parts", directory / "spoilt.tar.gz"
    with tarfile.open(backup, "r:gz") as archive:
        archive.extractall(parts, filter="data")
    (parts / "journal.db").write_bytes(b"not a journal" * 1000)
    with tarfile.open(spoilt, "w:gz") as archive:
        for name in names_in(parts):
            archive.add(parts / name, name)
    return spoilt
