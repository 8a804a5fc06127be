"""Trends: hours follow the minutes, whatever way they came; parts hold what the minutes hold."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.adapters.store import History, SqliteStore
from dustcake.adapters.store.history import FROM_HOURS_S
from dustcake.adapters.store.schema import migrate
from ports.store.test_migration import OLD, restored

END_S = 1_700_006_400.0  # a whole hour
INSERT = (
    "INSERT INTO minutes (collector, number, seq, start, utc_s, mono_s, covered_s, polls, good, "
    "dp_min_pa, dp_mean_pa, dp_max_pa, header_min_pa, header_mean_pa, header_max_pa, blower_s) "
    "VALUES (?, 1, 1, 1, ?, 1.0, 60.0, ?, ?, ?, ?, ?, ?, ?, ?, 0.0)"
)
HOURS = """
    SELECT collector, CAST(utc_s / 3600 AS INTEGER), min(n), max(n),
        sum(iif(dp_mean_pa IS NULL, 0, good)), min(dp_min_pa), total(dp_mean_pa * good),
        max(dp_max_pa), sum(iif(header_mean_pa IS NULL, 0, polls)), min(header_min_pa),
        total(header_mean_pa * polls), max(header_max_pa)
    FROM minutes WHERE utc_s IS NOT NULL GROUP BY 1, 2 ORDER BY 1, 2
"""

pressures = st.floats(-100.0, 3000.0)
spreads = st.none() | st.tuples(pressures, pressures, pressures).map(sorted)
Row = tuple[str, float | None, int, list[float] | None, list[float] | None]
minutes = st.lists(
    st.tuples(
        st.sampled_from(["a", "b"]),
        st.none() | st.integers(0, 30 * 1440).map(lambda ago: END_S - 60.0 * ago - 1.0),
        st.integers(1, 60),
        spreads,
        spreads,
    ),
    max_size=40,
)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("trend") / "journal.db"


def filled(rows: Sequence[Row], path: Path | str = ":memory:") -> sqlite3.Connection:
    if isinstance(path, Path):
        path.unlink(missing_ok=True)
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA synchronous = OFF")
    migrate(connection)
    for collector, utc_s, polls, dp, header in rows:
        none = [None] * 3
        values = (polls, 0 if dp is None else polls, *(dp or none), *(header or none))
        connection.execute(INSERT, (collector, utc_s, *values))
    return connection


@given(minutes)
def test_hours_are_those_of_the_minutes(rows: list[Row]) -> None:
    with closing(filled(rows)) as connection:
        hours = connection.execute("SELECT * FROM hours ORDER BY 1, 2").fetchall()
        counted = connection.execute(HOURS).fetchall()
        assert [row[:5] for row in hours] == [row[:5] for row in counted]
        for one, other in zip(hours, counted, strict=True):
            assert one[5:] == pytest.approx(other[5:])


@given(minutes, st.sampled_from([3600.0, 86_400.0, 7 * 86_400.0, 31 * 86_400.0, 366 * 86_400.0]))
def test_a_trend_loses_no_extreme(path: Path, rows: list[Row], length_s: float) -> None:
    with closing(filled(rows, path)), History(path) as history:
        found = history.trend("a", END_S, length_s, 600)
        assert len(found.parts) <= 600
        assert found.until_utc_s - found.since_utc_s >= length_s
        inside = [
            row[3]
            for row in rows
            if row[0] == "a" and row[1] is not None and row[1] >= found.since_utc_s and row[3]
        ]
        told = [spread for _, spread in found.parts]
        if not inside:
            assert not told
            return
        assert min(spread.min_pa for spread in told) == min(dp[0] for dp in inside)
        assert max(spread.max_pa for spread in told) == max(dp[2] for dp in inside)
        for spread in told:
            assert spread.min_pa - 1e-6 <= spread.mean_pa <= spread.max_pa + 1e-6
        starts = [utc_s for utc_s, _ in found.parts]
        assert starts == sorted(set(starts))


def test_a_mean_is_weighted_by_good_readings(path: Path) -> None:
    first, second = [1.0, 100.0, 300.0], [2.0, 200.0, 400.0]
    rows: list[Row] = [("a", END_S - 61.0, 10, first, None), ("a", END_S - 60.5, 30, second, None)]
    with closing(filled(rows, path)), History(path) as history:
        for length_s in (FROM_HOURS_S, FROM_HOURS_S + 1.0):
            ((_, spread),) = history.trend("a", END_S, length_s, 600).parts
            assert spread.mean_pa == pytest.approx(175.0)


async def test_an_older_file_gets_the_hours_of_its_minutes(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    restored(next(script for script in OLD if script.stem == "version_2"), path)
    async with SqliteStore.open(path):
        pass
    with closing(sqlite3.connect(path)) as connection:
        hours = connection.execute("SELECT * FROM hours ORDER BY 1, 2").fetchall()
        assert len(hours) == 3
        assert hours == connection.execute(HOURS).fetchall()
