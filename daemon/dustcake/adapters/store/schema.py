"""The tables, and how an older file is brought up to them."""

import sqlite3

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
)

VERSION = len(MIGRATIONS)

APPLICATION_ID = int.from_bytes(b"dcak", "big")  # tells a journal from any other SQLite file

# What is worth carrying over from a damaged file, the most precious first.
PRECIOUS = ("state", "outbox", "events")


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
