"""How much is kept, so that the journal cannot fill the disk."""

import sqlite3

import structlog

from dustcake.core.record import record

BATCH = 256  # rows deleted at once, so that no commit waits long
PERIOD = 64  # rows of inputs between two prunings; below BATCH, or the file would grow all the same
SPARED = 512  # newest rows of inputs of a collector, kept: the minute under way is made from them
MOST_MINUTES_QUEUED = 43_200  # thirty days: for a broker away longer the oldest are dropped

_DAY_S = 86_400.0

_log = structlog.get_logger(__name__)


@record
class Retention:
    """Raw inputs older than ``raw_days`` and minutes older than ``minutes_days`` are deleted; and
    while the file holds more than ``max_bytes``, the oldest raw inputs, then the oldest minutes,
    whatever their age. Events are kept. ``most_minutes_queued``: for each collector, of minutes
    waiting for the broker; beyond it the oldest are not delivered."""

    raw_days: float = 28.0
    minutes_days: float = 366.0
    max_bytes: int = 1_024_000_000
    most_minutes_queued: int = MOST_MINUTES_QUEUED


def prune(
    connection: sqlite3.Connection, now_utc_s: float | None, limits: Retention, spared: int = SPARED
) -> None:
    """Delete one batch of what is too old or too much, within the caller's transaction; but never
    the newest ``spared`` rows of inputs for their size.

    So little at a time that a clock set wrong for an hour costs a few hours of the oldest raw
    inputs, not all of them.
    """
    raw = _too_old(connection, "inputs", now_utc_s, limits.raw_days)
    minutes = _too_old(connection, "minutes", now_utc_s, limits.minutes_days)
    if _bytes_used(connection) > limits.max_bytes:
        newest = connection.execute("SELECT max(n) FROM inputs").fetchone()[0] or 0
        raw = max(raw, newest - spared)
        if not connection.execute("SELECT 1 FROM inputs WHERE n <= ? LIMIT 1", (raw,)).fetchone():
            minutes = connection.execute("SELECT max(n) FROM minutes").fetchone()[0] or 0
            if not minutes:
                _log.warning(
                    "journal larger than allowed",
                    cause="only events are left, and they are kept",
                    remedy="raise journal.max_size_mb, or archive the file and start a new one",
                )
    _delete(connection, "inputs", raw)
    gone = _delete(connection, "minutes", minutes)
    if gone:
        connection.execute("DELETE FROM hours WHERE last_n <= ?", (gone,))
        _drop_minutes(connection, "source <= ?", (gone,))
    for collector, queued in connection.execute(
        "SELECT collector, count(*) FROM outbox WHERE keep = 'minute' GROUP BY collector"
    ).fetchall():
        if queued > limits.most_minutes_queued:
            _drop_minutes(
                connection,
                "collector = ? AND ref IN (SELECT ref FROM outbox WHERE collector = ? AND "
                "keep = 'minute' ORDER BY ref LIMIT ?)",
                (collector, collector, queued - limits.most_minutes_queued),
            )


def _too_old(
    connection: sqlite3.Connection, table: str, now_utc_s: float | None, days: float
) -> int:
    """The last row to go, 0 for none. Rows are in the order they happened, so whatever lies
    before an old row is old, also where the clock was not yet set."""
    if now_utc_s is None:
        return 0
    found = connection.execute(
        f"SELECT max(n) FROM (SELECT n, utc_s FROM {table} ORDER BY n LIMIT ?) WHERE utc_s < ?",
        (BATCH, now_utc_s - days * _DAY_S),
    ).fetchone()[0]
    return found or 0


def _bytes_used(connection: sqlite3.Connection) -> int:
    size, pages, free = (
        connection.execute(f"PRAGMA {what}").fetchone()[0]
        for what in ("page_size", "page_count", "freelist_count")
    )
    used: int = size * (pages - free)
    return used


def _delete(connection: sqlite3.Connection, table: str, last: int) -> int:
    """Delete the oldest batch up to row ``last``; the last row deleted, 0 for none."""
    oldest = f"SELECT n FROM {table} WHERE n <= ? ORDER BY n LIMIT ?"
    end = connection.execute(f"SELECT max(n) FROM ({oldest})", (last, BATCH)).fetchone()[0] or 0
    connection.execute(f"DELETE FROM {table} WHERE n <= ?", (end,))
    return end


def _drop_minutes(connection: sqlite3.Connection, which: str, values: tuple[object, ...]) -> None:
    """Take minutes out of the outbox and count them, so that the subscriber learns of it."""
    gone = f"FROM outbox WHERE keep = 'minute' AND {which}"
    connection.execute(
        f"INSERT INTO dropped (collector, minutes) SELECT collector, count(*) {gone} "
        "GROUP BY collector ON CONFLICT (collector) DO UPDATE SET "
        "minutes = minutes + excluded.minutes",
        values,
    )
    if connection.execute(f"DELETE {gone}", values).rowcount:
        _log.warning(
            "minutes will not reach the broker",
            cause="too many are waiting for it",
            remedy="bring the broker back; events wait as long as it takes",
        )
