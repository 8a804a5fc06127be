"""How much is kept, so that the journal cannot fill the disk."""

import sqlite3

import structlog

from dustcake.core.record import record

BATCH = 1024  # rows at once, so that no commit waits long
PERIOD = 256  # inputs between two prunings; below BATCH, or the file would grow all the same

_DAY_S = 86_400.0

_log = structlog.get_logger(__name__)


@record
class Retention:
    """``inputs_days``: raw inputs older than this are deleted, and the oldest whenever there are
    more than ``most_inputs``. Events are kept. ``most_queued``: of publications waiting for the
    broker; beyond it the oldest events are not delivered any more (they stay in the history)."""

    inputs_days: float = 30.0
    most_inputs: int = 5_000_000
    most_queued: int = 500_000


def prune(connection: sqlite3.Connection, now_utc_s: float | None, limits: Retention) -> None:
    """Delete one batch of what is too old or too much, within the caller's transaction."""
    newest = connection.execute("SELECT max(n) FROM inputs").fetchone()[0] or 0
    last = newest - limits.most_inputs
    if now_utc_s is not None:
        # Rows are in the order they happened, so whatever lies before an old row is old, also
        # where the clock was not yet set.
        too_old = connection.execute(
            "SELECT max(n) FROM (SELECT n, utc_s FROM inputs ORDER BY n LIMIT ?) WHERE utc_s < ?",
            (BATCH, now_utc_s - limits.inputs_days * _DAY_S),
        ).fetchone()[0]
        last = max(last, too_old or 0)
    connection.execute(
        "DELETE FROM inputs WHERE n IN (SELECT n FROM inputs WHERE n <= ? ORDER BY n LIMIT ?)",
        (last, BATCH),
    )
    excess = connection.execute("SELECT count(*) FROM outbox").fetchone()[0] - limits.most_queued
    if excess > 0:
        dropped = connection.execute(
            "DELETE FROM outbox WHERE ref IN "
            "(SELECT ref FROM outbox WHERE keep = 'event' ORDER BY ref LIMIT ?)",
            (excess,),
        ).rowcount
        _log.warning(
            "events will not reach the broker",
            dropped=dropped,
            cause=f"more than {limits.most_queued} are waiting for it",
            remedy="bring the broker back; the events are in the journal's history",
        )
