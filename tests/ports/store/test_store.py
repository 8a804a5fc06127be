"""What is true of the file: permissions, versions, damage, locks, full disks, retention."""

import asyncio
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing
from pathlib import Path

import pytest
import structlog

from dustcake.adapters.store import History, SqliteStore, StoreRefused
from dustcake.adapters.store.schema import VERSION
from dustcake.codec import STATE_FORMAT
from dustcake.ports import Stored
from ports.store.samples import FIRST_UTC_S, commit_of, event_message, latest, poll, state


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.db"


def sql(path: Path, statement: str) -> list[tuple[object, ...]]:
    """Run ``statement`` as another program would."""
    with closing(sqlite3.connect(path)) as connection, connection:
        return connection.execute(statement).fetchall()


async def test_everything_is_there_after_a_restart(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        for n in (1, 2, 3):
            assert await store.commit(commit_of(n, event_message("c1", n), latest("a", n))) is None
    async with SqliteStore.open(path) as store:
        assert await store.load("c1") == Stored(state(3), poll(3).at.utc_s)
        queued = [one.publication for one in await store.outbox("c1").pending(10)]
        assert queued == [*(event_message("c1", n) for n in (1, 2, 3)), latest("a", 3)]
        await asyncio.wait_for(store.outbox("c1").wait(), 5.0)
    with History(path) as history:
        assert history.state("c1") == Stored(state(3), poll(3).at.utc_s)
        assert [one for _, one in history.inputs("c1")] == [poll(1), poll(2), poll(3)]


async def test_history_while_a_daemon_writes(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        for n in range(1, 11):
            await store.commit(commit_of(n, utc=n != 8))
            await store.commit(commit_of(n, collector="c2"))
        with History(path) as history:
            assert [one.seq for one in history.all_events("c1", None, None)] == list(range(1, 11))
            newest = history.newest("c1", None, 2, 100)[::-1]
            assert [one.seq for one in newest] == [9, 10]
            assert (newest[0].name, newest[0].utc_s) == ("pulse", FIRST_UTC_S + 9)
            assert newest[0].fields["valve"] == 1
            since = history.all_events("c1", FIRST_UTC_S + 7, None)
            assert [one.seq for one in since] == [7, 8, 9, 10]
            assert list(history.all_events("nobody", None, None)) == []
            await store.commit(commit_of(11))
            assert [one.seq for one in history.newest("c1", None, 1, 100)] == [11]


def test_history_of_what_is_not_there_or_not_a_journal(path: Path) -> None:
    with pytest.raises(StoreRefused, match="does not exist; name the daemon's journal"):
        History(path)
    sql(path, "CREATE TABLE recipes (name)")
    with pytest.raises(StoreRefused, match="not a dustcake journal"):
        History(path)
    path.write_bytes(b"not a database at all" * 100)
    with pytest.raises(StoreRefused, match="damaged"):
        History(path)


async def test_durable_and_private(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        await store.commit(commit_of(1))
        modes = {file.name: file.stat().st_mode & 0o777 for file in path.parent.iterdir()}
        assert sorted(modes) == [
            "journal.db",
            "journal.db-shm",
            "journal.db-wal",
            "journal.db.lock",
        ]
        assert all(mode & 0o027 == 0 for mode in modes.values()), modes
        assert sql(path, "PRAGMA journal_mode") == [("wal",)]
        synchronous = await store._database.run(
            lambda connection: connection.execute("PRAGMA synchronous").fetchone()
        )
        assert synchronous == (2,)  # FULL
    assert sql(path, "PRAGMA user_version") == [(VERSION,)]


async def test_a_second_daemon_is_refused_until_the_first_has_ended(path: Path) -> None:
    async with SqliteStore.open(path):
        with pytest.raises(StoreRefused, match="in use by another dustcake daemon; stop that one"):
            async with SqliteStore.open(path):
                pytest.fail("two daemons on one journal")
    async with SqliteStore.open(path) as store:
        assert await store.commit(commit_of(1)) is None


async def test_missing_directory(tmp_path: Path) -> None:
    with pytest.raises(StoreRefused, match=r"nowhere.*does not exist|No such file"):
        async with SqliteStore.open(tmp_path / "nowhere" / "journal.db"):
            pytest.fail("there is no such directory")


@pytest.mark.parametrize(
    "statement",
    [
        f"PRAGMA user_version = {VERSION + 1}",
        f"UPDATE state SET format = {STATE_FORMAT + 1}",
    ],
)
async def test_a_file_of_a_newer_version_is_refused_and_left_alone(
    path: Path, statement: str
) -> None:
    async with SqliteStore.open(path) as store:
        await store.commit(commit_of(1))
    sql(path, statement)
    before = sql(path, "SELECT * FROM state")
    with pytest.raises(StoreRefused, match="newer version of dustcake; install that version"):
        async with SqliteStore.open(path):
            pytest.fail("opened a file it cannot know")
    assert sql(path, "SELECT * FROM state") == before
    assert [file.name for file in path.parent.glob("*.damaged*")] == []


async def test_another_programs_file_is_left_alone(path: Path) -> None:
    sql(path, "CREATE TABLE recipes (name)")
    with pytest.raises(StoreRefused, match="not a dustcake journal; name another file"):
        async with SqliteStore.open(path):
            pytest.fail("opened somebody else's file")


@pytest.fixture
def torn(path: Path) -> Path:
    path.write_bytes(b"torn by a power cut" * 500)
    return path


async def test_a_file_that_is_no_database_is_moved_aside(torn: Path) -> None:
    with structlog.testing.capture_logs() as logs:
        async with SqliteStore.open(torn) as store:
            assert await store.load("c1") is None
            assert await store.commit(commit_of(1)) is None
    (aside,) = torn.parent.glob("journal.db.damaged-*")
    assert await asyncio.to_thread(aside.read_bytes) == b"torn by a power cut" * 500
    assert [entry["event"] for entry in logs] == ["journal was damaged"]


async def filled(path: Path) -> None:
    """A journal with state, outbox, and inputs over many pages, in one file."""
    async with SqliteStore.open(path) as store:
        for n in range(1, 101):
            await store.commit(commit_of(n, event_message("c1", n), inputs=5))


def overwrite_table(path: Path, table: str) -> None:
    """Overwrite the first page of ``table`` and what it points to is lost."""
    ((root,),) = sql(path, f"SELECT rootpage FROM sqlite_master WHERE name = '{table}'")
    ((size,),) = sql(path, "PRAGMA page_size")
    assert isinstance(root, int)
    assert isinstance(size, int)
    with path.open("r+b") as file:
        file.seek((root - 1) * size)
        file.write(b"\xa5" * size)


async def test_a_damaged_outbox_costs_neither_state_nor_history(path: Path) -> None:
    await filled(path)
    overwrite_table(path, "outbox")
    with structlog.testing.capture_logs() as logs:
        async with SqliteStore.open(path) as store:
            assert await store.load("c1") == Stored(state(100), poll(100).at.utc_s)
            assert await store.commit(commit_of(101, event_message("c1", 101))) is None
            queued = [one.publication for one in await store.outbox("c1").pending(10)]
            assert queued == [event_message("c1", 101)]
    carried = {"state": 1, "outbox": 0, "events": 100, "clock": 1, "dropped": 0, "minutes": 0}
    assert logs[0]["carried_over"] == carried
    with History(path) as history:
        assert len(list(history.all_events("c1", None, None))) == 101


@pytest.mark.parametrize(
    ("kind", "sound", "damaged"),
    [("trigger", "NEW.good", "NEW.gold"), ("index", "= 'latest'", "< 'latest'")],
)
async def test_what_was_made_for_a_table_and_is_damaged_costs_nothing(
    path: Path, kind: str, sound: str, damaged: str
) -> None:
    await filled(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        changed = connection.execute(
            "UPDATE sqlite_master SET sql = replace(sql, ?, ?) WHERE type = ? AND sql LIKE ?",
            (sound, damaged, kind, f"%{sound}%"),
        ).rowcount
        assert changed == 1
    with structlog.testing.capture_logs() as logs:
        async with SqliteStore.open(path) as store:
            assert await store.load("c1") == Stored(state(100), poll(100).at.utc_s)
            assert len(await store.outbox("c1").pending(500)) == 100
    assert [entry["event"] for entry in logs] == ["journal was damaged"]


async def test_a_damaged_state_is_a_first_start(path: Path) -> None:
    await filled(path)
    overwrite_table(path, "state")
    async with SqliteStore.open(path) as store:
        assert await store.load("c1") is None
        assert len(await store.outbox("c1").pending(500)) == 100


async def test_damage_met_while_running_costs_one_commit(path: Path) -> None:
    await filled(path)
    overwrite_table(path, "inputs")  # not looked at when the file is opened, for its size
    async with SqliteStore.open(path) as store:
        failed = await store.commit(commit_of(101))
        assert failed is not None
        assert "damaged" in failed
        assert await store.commit(commit_of(102, event_message("c1", 102))) is None
        assert await store.load("c1") == Stored(state(102), poll(102).at.utc_s)
        assert len(await store.outbox("c1").pending(500)) == 101
    async with SqliteStore.open(path) as store:
        assert await store.load("c1") == Stored(state(102), poll(102).at.utc_s)


async def test_a_state_that_cannot_be_read_is_quarantined_as(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        await store.commit(commit_of(1))
    sql(path, "UPDATE state SET body = '{}'")
    with structlog.testing.capture_logs() as logs:
        async with SqliteStore.open(path) as store:
            assert await store.load("c1") is None
            await store.commit(commit_of(2))
    assert logs[0]["event"] == "stored state not readable"
    assert sql(path, "SELECT collector FROM state ORDER BY 1") == [("c1",), ("c1 (not readable)",)]


async def test_a_locked_file_fails_the_commit_and_nothing_is_stored(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        await store.commit(commit_of(1))
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            failed = await store.commit(commit_of(2, event_message("c1", 2)))
            assert failed is not None
            assert str(path) in failed
            assert "another program holds it" in failed
            other.execute("ROLLBACK")
        assert await store.load("c1") == Stored(state(1), poll(1).at.utc_s)
        assert await store.commit(commit_of(3)) is None


async def test_a_full_file_fails_the_commit_whole(path: Path) -> None:
    async with SqliteStore.open(path) as store:
        await store.commit(commit_of(1))
        pages = sql(path, "PRAGMA page_count")[0][0]
        await store._database.run(
            lambda connection: connection.execute(f"PRAGMA max_page_count = {pages}").fetchone()
        )
        big = [event_message("c1", n) for n in range(500)]
        failed = await store.commit(commit_of(2, *big))
        assert failed is not None
        assert "the disk is full" in failed
        assert "make room" in failed
        assert await store.load("c1") == Stored(state(1), poll(1).at.utc_s)
        assert list(await store.outbox("c1").pending(1)) == []


@asynccontextmanager
async def small_disk(folder: Path) -> AsyncIterator[Path]:
    """A file system of half a megabyte, where the rights to mount one are there."""
    mount = await asyncio.create_subprocess_exec(
        *("mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", str(folder)),
        stderr=asyncio.subprocess.DEVNULL,
    )
    if await mount.wait() != 0:
        pytest.skip("needs the right to mount a small file system")
    try:
        yield folder
    finally:
        await (await asyncio.create_subprocess_exec("umount", "-l", str(folder))).wait()


@pytest.mark.skipif(shutil.which("mount") is None, reason="needs mount")
async def test_a_disk_that_fills_up_and_is_cleared(tmp_path: Path) -> None:
    async with (
        small_disk(tmp_path) as disk,
        SqliteStore.open(disk / "journal.db") as store,
    ):
        committed = 0
        failed = None
        for n in range(1, 2000):
            failed = await store.commit(commit_of(n, event_message("c1", n)))
            if failed is not None:
                break
            committed = n
        assert failed is not None
        assert "journal.db" in failed
        assert await store.load("c1") == Stored(state(committed), poll(committed).at.utc_s)
        queued = await store.outbox("c1").pending(5000)
        assert len(queued) == committed
        # Acknowledged publications are not sent again although they cannot be deleted.
        await store.outbox("c1").delivered([one.ref for one in queued[:3]])
        assert (await store.outbox("c1").pending(1))[0].ref == queued[3].ref
        resize = await asyncio.create_subprocess_exec(
            *("mount", "-o", "remount,size=4m", str(disk))
        )
        assert await resize.wait() == 0
        assert await store.commit(commit_of(3000)) is None
        assert (await store.outbox("c1").pending(1))[0].ref == queued[3].ref


@pytest.mark.skipif(shutil.which("mount") is None, reason="needs mount")
async def test_a_disk_that_becomes_read_only(tmp_path: Path) -> None:
    async with small_disk(tmp_path) as disk:
        async with SqliteStore.open(disk / "journal.db") as store:
            await store.commit(commit_of(1, event_message("c1", 1), event_message("c1", 2)))
        async with SqliteStore.open(disk / "journal.db") as store:
            await store._database.run(
                lambda connection: connection.execute("PRAGMA query_only = 1")
            )
            failed = await store.commit(commit_of(2))
            assert failed is not None
            assert "cannot be written" in failed
            first, second = await store.outbox("c1").pending(10)
            await store.outbox("c1").delivered([first.ref])
            await store.outbox("c1").settle()
            assert list(await store.outbox("c1").pending(10)) == [second]
            await store._database.run(
                lambda connection: connection.execute("PRAGMA query_only = 0")
            )
            await store.outbox("c1").delivered([second.ref])
            await store.outbox("c1").settle()
            assert sql(disk / "journal.db", "SELECT count(*) FROM outbox") == [(0,)]
        remount = await asyncio.create_subprocess_exec("mount", "-o", "remount,ro", str(disk))
        assert await remount.wait() == 0
        with pytest.raises(StoreRefused, match="Read-only file system"):
            async with SqliteStore.open(disk / "journal.db"):
                pytest.fail("opened for writing on a read-only disk")


async def test_a_killed_daemon_leaves_its_last_commit_whole(path: Path) -> None:
    program = Path(__file__).with_name("committing_daemon.py")
    for attempt in range(5):
        daemon = await asyncio.create_subprocess_exec(
            *(sys.executable, str(program), str(path)),
            env=os.environ | {"PYTHONPATH": os.pathsep.join([str(program.parents[2]), *sys.path])},
            stdout=subprocess.PIPE,
        )
        assert daemon.stdout is not None
        reported = 0
        for _ in range(20 + 7 * attempt):
            reported = int(await asyncio.wait_for(daemon.stdout.readline(), 30.0))
        daemon.kill()
        rest = (await daemon.stdout.read()).split()
        await daemon.wait()
        reported = int(rest[-1]) if rest else reported
        async with SqliteStore.open(path) as store:
            stored = await store.load("c1")
            assert stored is not None
            last = stored.state.next_seq
            assert last >= reported, "a commit that was reported is not there"
        with History(path) as history:
            seqs = [one.seq for one in history.all_events("c1", None, None)]
            assert seqs == list(range(1, last + 1)), "events and state disagree"
            assert len(list(history.inputs("c1"))) == last
        assert sql(path, "SELECT count(*) FROM outbox") == [(last,)]
        assert sql(path, "PRAGMA integrity_check") == [("ok",)]


async def test_of_damaged_files_the_newest_few_are_kept(path: Path) -> None:
    """A dying card must not be filled with them."""
    for n in range(1, 6):
        for suffix in ("", "-wal"):
            path.with_name(f"{path.name}.damaged-2026010{n}T000000Z{suffix}").write_bytes(b"x")
    path.write_bytes(b"\0" * 5000)  # noqa: ASYNC240
    async with SqliteStore.open(path):
        pass
    left = sorted(file.name for file in path.parent.glob("*.damaged-*"))
    assert len(left) == 5  # the newest of the earlier ones each with its log, and this one
    assert left[:4] == [
        f"{path.name}.damaged-2026010{n}T000000Z{suffix}" for n in (4, 5) for suffix in ("", "-wal")
    ]
