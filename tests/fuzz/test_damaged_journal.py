"""A journal in which anything may have changed by itself, as on a worn memory card.

It is opened, or moved aside and a fresh one started; either way the collector goes on, what can be
told is told, and nothing raises.
"""

import asyncio
import contextlib
import io
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, note
from hypothesis import strategies as st

from dustcake.__main__ import main
from dustcake.adapters.store import Retention, SqliteStore, StoreRefused
from dustcake.adapters.store.schema import KEYS
from dustcake.core.inputs import (
    Contacts,
    Measured,
    OperatorRequested,
    PollCompleted,
    Restarted,
    Stamp,
)
from dustcake.core.requests.kinds import Mode, SelectMode
from dustcake.core.state import first_state
from dustcake.ports import Commit
from dustcake.publish.topics import may_be_published_to
from examples import examples
from ports.store.driven import COLLECTOR, RENDERER, SETPOINTS, Driven
from settings.files import file_text

UTC_S = 1_800_000_000.0
RUNNING = Contacts(blower_running=True)
TABLES = (*KEYS, "inputs")
# No disk has to be waited for there.
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None

became: Counter[str] = Counter()


def stamp(mono_s: float) -> Stamp:
    return Stamp(mono_s, UTC_S + mono_s)


async def lived(path: Path) -> None:
    """A collector's first minutes: pulses, alarms, a change of mode, a broker that is away."""
    async with SqliteStore.open(path) as store:
        driven = Driven(store)
        driven.broker = False
        await driven.take(Restarted(stamp(0.0)))
        for second in range(1, 200):
            pa = 1200.0 if 40 < second < 80 else 600.0
            await driven.take(PollCompleted(stamp(float(second)), Measured(pa), RUNNING))
            if second == 100:
                asked = SelectMode(Mode.TIMED)
                await driven.take(OperatorRequested(stamp(100.5), asked, "local:x", "r1"))
        await driven.flush()


@pytest.fixture(scope="module")
def sound() -> Iterator[Path]:
    """The file of a journal that is in order."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as directory:
        path = Path(directory) / "journal.db"
        asyncio.run(lived(path))
        with contextlib.closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        yield path
    became_all = {"goes on", "starts afresh"}
    assert became_all <= set(became), became


CELLS: st.SearchStrategy[Any] = st.one_of(
    st.none(),
    st.integers(-(2**63), 2**63 - 1),
    st.sampled_from([0, 1, 2, 99, "", "event", "latest", "minute", "good", "{}", "[]", "packed"]),
    st.floats(allow_nan=False),
    st.text(max_size=4),
    st.binary(max_size=6),
    st.sampled_from([b"\xff\xfe", b"x\x9c\x00"]),
)


@st.composite
def flips(draw: st.DrawFn) -> list[tuple[float, int]]:
    """Where in the file, as a part of its length, and with what byte it is mixed."""
    return draw(st.lists(st.tuples(st.floats(0, 1), st.integers(1, 255)), min_size=1, max_size=20))


def flipped(file: Path, changes: list[tuple[float, int]]) -> bytes:
    changed = bytearray(file.read_bytes())
    for at, mixed in changes:
        changed[min(int(at * len(changed)), len(changed) - 1)] ^= mixed
    return bytes(changed)


def rewritten(path: Path, table: str, row: int, column: int, value: Any, text: bool) -> None:
    """One cell changed to any value of any type, as rot in a record can change it."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("PRAGMA ignore_check_constraints = ON")
        # What forbids a null stands in the schema only, and rot does not read it.
        connection.execute("UPDATE sqlite_master SET sql = replace(sql, ' NOT NULL', '')")
        schema: int = connection.execute("PRAGMA schema_version").fetchone()[0]
        connection.execute(f"PRAGMA schema_version = {schema + 1}")
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        columns = [found[1] for found in connection.execute(f"PRAGMA table_info('{table}')")]
        name = columns[column % len(columns)]
        key = "collector" if table == "state" else "ref" if table == "outbox" else "rowid"
        if table == "dropped":
            connection.execute("INSERT INTO dropped VALUES ('bay-3', 3)")
        rows = [found[0] for found in connection.execute(f"SELECT {key} FROM {table}")]
        cast = "CAST(? AS TEXT)" if text and isinstance(value, bytes) else "?"
        with contextlib.suppress(sqlite3.IntegrityError):
            connection.execute(
                f"UPDATE {table} SET {name} = {cast} WHERE {key} = ?",
                (value, rows[row % len(rows)]),
            )


async def goes_on(path: Path) -> None:
    """What a daemon does with its journal in its first minutes."""
    async with SqliteStore.open(path, Retention(max_bytes=1)) as store:
        store.describe(RENDERER)
        stored = await store.load(COLLECTOR)
        state = first_state(SETPOINTS, stamp(0.0)) if stored is None else stored.state
        became["starts afresh" if stored is None else "goes on"] += 1
        outbox = store.outbox(COLLECTOR)
        await outbox.pending(1)
        commits = [await store.commit(Commit(COLLECTOR, [Restarted(stamp(1000.0))], state, [], []))]
        for second in range(1001, 1200, 30):
            poll = PollCompleted(stamp(float(second)), Measured(600.0), RUNNING)
            publications = RENDERER.everything(state, UTC_S)
            commits.append(await store.commit(Commit(COLLECTOR, [poll], state, [], publications)))
        # Damage is found by one commit at most, told, and mended by the next.
        failed = [one for one in commits if one is not None]
        assert len(failed) <= 1, failed
        assert commits[-1] is None
        for _ in range(500):
            queued = await outbox.pending(1)
            if not queued:
                break
            assert may_be_published_to(queued[0].publication.topic)
            await outbox.delivered([queued[0].ref])
        else:
            raise AssertionError("the outbox never becomes empty")


def history_of(path: Path, arguments: list[str]) -> int:
    settings = path.with_name("settings.toml")
    settings.write_text(
        file_text(tail=f'[journal]\npath = "{path}"\n', name=COLLECTOR), encoding="utf-8"
    )
    out, errors = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
        code = main(["history", "--settings", str(settings), *arguments])
    assert "Traceback" not in errors.getvalue()
    assert (code != 0) <= bool(errors.getvalue())
    return code


def not_ours(path: Path) -> bool:
    """Whether its mark or its version has changed: it may be somebody else's, and is left alone."""

    async def opened() -> None:
        async with SqliteStore.open(path):
            pass

    try:
        asyncio.run(opened())
    except StoreRefused as refused:
        return any(words in str(refused) for words in ("newer version", "not a dustcake journal"))
    return False


def survives(path: Path) -> None:
    assert history_of(path, ["--json"]) in (0, 1)
    if not_ours(path):
        became["refused"] += 1
        return
    asyncio.run(goes_on(path))
    asyncio.run(goes_on(path))
    assert history_of(path, []) in (0, 1)


@examples(60)
@given(changes=flips())
@example(changes=[(0.7641067019700705, 1)])
@example(changes=[(0.4362863065753074, 45), (0.24090708819592083, 142), (0.4995154929719273, 2)])
def test_bytes_change(sound: Path, changes: list[tuple[float, int]]) -> None:
    with tempfile.TemporaryDirectory(dir=MEMORY) as directory:
        path = Path(directory) / "journal.db"
        path.write_bytes(flipped(sound, changes))
        survives(path)


@examples(30)
@given(kept=st.floats(0, 1), after=st.binary(max_size=2000))
@example(kept=0.0, after=b"")
@example(kept=0.0, after=b"SQLite format 3\0")
@example(kept=1.0, after=b"\0" * 4096)
def test_it_is_cut_off(sound: Path, kept: float, after: bytes) -> None:
    file = sound.read_bytes()
    with tempfile.TemporaryDirectory(dir=MEMORY) as directory:
        path = Path(directory) / "journal.db"
        path.write_bytes(file[: int(kept * len(file))] + after)
        survives(path)


@examples(150)
@given(
    table=st.sampled_from(TABLES),
    row=st.integers(0, 30),
    column=st.integers(0, 16),
    value=CELLS,
    text=st.booleans(),
)
@example(table="outbox", row=0, column=9, value=None, text=False)
@example(table="outbox", row=0, column=8, value=None, text=False)
@example(table="outbox", row=22, column=2, value="a/#", text=False)
def test_a_cell_changes(
    sound: Path, table: str, row: int, column: int, value: Any, text: bool
) -> None:
    with tempfile.TemporaryDirectory(dir=MEMORY) as directory:
        path = Path(directory) / "journal.db"
        path.write_bytes(sound.read_bytes())
        rewritten(path, table, row, column, value, text)
        note(f"{table} row {row} column {column} {value!r}")
        survives(path)
