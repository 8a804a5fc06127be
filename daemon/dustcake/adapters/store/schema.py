"""The tables, and how an older file is brought up to them."""

import sqlite3
from contextlib import closing

# Step i brings a file from version i to i + 1. A step, once released, is never changed.
MIGRATIONS = (
    """
    CREATE TABLE state (
        collector TEXT PRIMARY KEY,
        format INTEGER NOT NULL,
        utc_s REAL,
        body TEXT NOT NULL
    );
    CREATE TABLE inputs (
        n INTEGER PRIMARY KEY,
        collector TEXT NOT NULL,
        utc_s REAL,
        mono_s REAL NOT NULL,
        kind TEXT NOT NULL,
        body TEXT NOT NULL
    );
    CREATE TABLE events (
        n INTEGER PRIMARY KEY,
        collector TEXT NOT NULL,
        seq INTEGER NOT NULL,
        utc_s REAL,
        mono_s REAL NOT NULL,
        name TEXT NOT NULL,
        body TEXT NOT NULL
    );
    CREATE TABLE outbox (
        ref INTEGER PRIMARY KEY AUTOINCREMENT,
        collector TEXT NOT NULL,
        topic TEXT NOT NULL,
        payload BLOB NOT NULL,
        qos INTEGER NOT NULL,
        retain INTEGER NOT NULL,
        keep TEXT NOT NULL,
        expiry_s INTEGER,
        queued_utc_s REAL
    );
    CREATE INDEX outbox_collector ON outbox (collector);
    CREATE UNIQUE INDEX outbox_latest ON outbox (collector, topic) WHERE keep = 'latest';
    """,
    # `start` counts the daemon's starts; with mono_s it orders records where the clock was not
    # set or was stepped. `clock` says how UTC ran against mono_s from there on (NULL: not known).
    # An input row holds several, packed; `readings` are those of the state after it, where the
    # rest of the state is as stored. `source` is the row of events or minutes to be worded, an
    # event with the `quality` of the reading then.
    """
    ALTER TABLE inputs ADD COLUMN start INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE inputs ADD COLUMN readings TEXT;
    ALTER TABLE events ADD COLUMN start INTEGER NOT NULL DEFAULT 0;
    CREATE TABLE clock (
        n INTEGER PRIMARY KEY,
        start INTEGER NOT NULL,
        mono_s REAL NOT NULL,
        utc_offset_s REAL
    );
    CREATE TABLE minutes (
        n INTEGER PRIMARY KEY,
        collector TEXT NOT NULL,
        number INTEGER NOT NULL,
        seq INTEGER NOT NULL,
        start INTEGER NOT NULL,
        utc_s REAL,
        mono_s REAL NOT NULL,
        covered_s REAL NOT NULL,
        polls INTEGER NOT NULL,
        good INTEGER NOT NULL,
        dp_min_pa REAL,
        dp_mean_pa REAL,
        dp_max_pa REAL,
        header_min_pa REAL,
        header_mean_pa REAL,
        header_max_pa REAL,
        blower_s REAL NOT NULL
    );
    CREATE TABLE dropped (
        collector TEXT PRIMARY KEY,
        minutes INTEGER NOT NULL
    );
    ALTER TABLE outbox RENAME TO outbox_1;
    DROP INDEX outbox_collector;
    DROP INDEX outbox_latest;
    CREATE TABLE outbox (
        collector TEXT NOT NULL,
        ref INTEGER NOT NULL,
        topic TEXT NOT NULL,
        payload BLOB NOT NULL,
        qos INTEGER NOT NULL,
        retain INTEGER NOT NULL,
        keep TEXT NOT NULL,
        expiry_s INTEGER,
        source INTEGER,
        quality TEXT,
        PRIMARY KEY (collector, ref)
    ) WITHOUT ROWID;
    INSERT INTO outbox (collector, ref, topic, payload, qos, retain, keep, expiry_s)
        SELECT collector, ref, topic, payload, qos, retain, keep, expiry_s FROM outbox_1;
    DROP TABLE outbox_1;
    CREATE UNIQUE INDEX outbox_latest ON outbox (collector, topic) WHERE keep = 'latest';
    """,
    # Hours follow the minutes by themselves, so that a trend of a year need not read half a
    # million rows. From `first_n` to `last_n` lie the minutes of that hour; sums are weighted by
    # `good` readings of dP, and by the `polls` of minutes with header pressure.
    """
    CREATE TABLE hours (
        collector TEXT NOT NULL,
        hour INTEGER NOT NULL,
        first_n INTEGER NOT NULL,
        last_n INTEGER NOT NULL,
        good INTEGER NOT NULL,
        dp_min_pa REAL,
        dp_sum_pa REAL NOT NULL,
        dp_max_pa REAL,
        polls INTEGER NOT NULL,
        header_min_pa REAL,
        header_sum_pa REAL NOT NULL,
        header_max_pa REAL,
        PRIMARY KEY (collector, hour)
    ) WITHOUT ROWID;
    CREATE TRIGGER hours_follow AFTER INSERT ON minutes WHEN typeof(NEW.utc_s) = 'real' BEGIN
        INSERT INTO hours (collector, hour, first_n, last_n, good, dp_sum_pa, polls, header_sum_pa)
            SELECT NEW.collector, CAST(NEW.utc_s / 3600 AS INTEGER), NEW.n, NEW.n, 0, 0, 0, 0
            WHERE NOT EXISTS (
                SELECT 1 FROM hours
                WHERE collector = NEW.collector AND hour = CAST(NEW.utc_s / 3600 AS INTEGER)
            );
        UPDATE hours SET
            last_n = max(last_n, NEW.n),
            good = good + iif(NEW.dp_mean_pa IS NULL, 0, NEW.good),
            dp_min_pa = coalesce(min(dp_min_pa, NEW.dp_min_pa), dp_min_pa, NEW.dp_min_pa),
            dp_sum_pa = dp_sum_pa + coalesce(NEW.dp_mean_pa * NEW.good, 0),
            dp_max_pa = coalesce(max(dp_max_pa, NEW.dp_max_pa), dp_max_pa, NEW.dp_max_pa),
            polls = polls + iif(NEW.header_mean_pa IS NULL, 0, NEW.polls),
            header_min_pa =
                coalesce(min(header_min_pa, NEW.header_min_pa), header_min_pa, NEW.header_min_pa),
            header_sum_pa = header_sum_pa + coalesce(NEW.header_mean_pa * NEW.polls, 0),
            header_max_pa =
                coalesce(max(header_max_pa, NEW.header_max_pa), header_max_pa, NEW.header_max_pa)
        WHERE collector = NEW.collector AND hour = CAST(NEW.utc_s / 3600 AS INTEGER);
    END;
    INSERT INTO hours
        SELECT
            collector, CAST(utc_s / 3600 AS INTEGER), min(n), max(n),
            coalesce(sum(iif(dp_mean_pa IS NULL, 0, good)), 0),
            min(dp_min_pa), total(dp_mean_pa * good), max(dp_max_pa),
            coalesce(sum(iif(header_mean_pa IS NULL, 0, polls)), 0),
            min(header_min_pa), total(header_mean_pa * polls), max(header_max_pa)
        FROM minutes WHERE typeof(utc_s) = 'real' GROUP BY 1, 2;
    """,
)

VERSION = len(MIGRATIONS)

APPLICATION_ID = int.from_bytes(b"dcak", "big")  # marks a journal among SQLite files

# What is carried over from a damaged file, the most precious first.
SALVAGE_ORDER = ("state", "outbox", "events", "clock", "dropped", "minutes")

KEYS = {
    "state": "collector",
    "outbox": "ref",
    "events": "n",
    "clock": "n",
    "dropped": "collector",
    "minutes": "n",
}
"""What puts the rows of a table in order."""


def is_journal(connection: sqlite3.Connection) -> bool:
    """Whether the file is a journal, or still empty."""
    found: int = connection.execute("PRAGMA application_id").fetchone()[0]
    empty: bool = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    return empty or found == APPLICATION_ID


def version_of(connection: sqlite3.Connection) -> int:
    """The schema version of the file; 0 for an empty one."""
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    return version


def migrate(connection: sqlite3.Connection) -> None:
    """Bring the file to ``VERSION``, each step whole or not at all."""
    for number in range(version_of(connection), VERSION):
        connection.executescript(
            f"BEGIN IMMEDIATE; {MIGRATIONS[number]} PRAGMA user_version = {number + 1}; "
            f"PRAGMA application_id = {APPLICATION_ID}; COMMIT;"
        )


def is_as_made(connection: sqlite3.Connection) -> bool:
    """Whether the tables are those that the steps make."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        migrate(fresh)
        return _tables(connection) == _tables(fresh)


def _tables(connection: sqlite3.Connection) -> list[tuple[object, ...]]:
    """Names and columns; not the SQL, which another version of SQLite may write otherwise."""
    return connection.execute(
        "SELECT made.type, made.name, made.tbl_name, has.name, has.type, has.pk "
        "FROM sqlite_master AS made LEFT JOIN pragma_table_info(made.name) AS has "
        "WHERE made.name NOT LIKE 'sqlite\\_%' ESCAPE '\\' ORDER BY made.name, has.cid"
    ).fetchall()
