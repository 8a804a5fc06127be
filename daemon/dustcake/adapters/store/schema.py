"""The tables, and how an older file is brought up to them."""

import sqlite3
from contextlib import closing
from importlib import resources

VERSION = 3
"""``migrations/<i>.sql`` brings a file from version i to i + 1, the first one an empty file. A
step, once released, is never changed."""

APPLICATION_ID = int.from_bytes(b"dcak", "big")  # marks a journal among SQLite files

KEYS = {
    "state": "collector",
    "outbox": "ref",
    "events": "n",
    "clock": "n",
    "dropped": "collector",
    "minutes": "n",
}
"""The tables that are carried over from a damaged file, the most precious first, each with what
puts its rows in order."""


def number_of(connection: sqlite3.Connection, query: str, *values: object) -> int:
    """The one number that ``query`` gives; 0 where that is none."""
    found: int | None = connection.execute(query, values).fetchone()[0]
    return found or 0


def is_journal(connection: sqlite3.Connection) -> bool:
    """Whether the file is a journal, or still empty."""
    is_marked = number_of(connection, "PRAGMA application_id") == APPLICATION_ID
    return is_marked or not number_of(connection, "SELECT count(*) FROM sqlite_master")


def version_of(connection: sqlite3.Connection) -> int:
    """The schema version of the file; 0 for an empty one."""
    return number_of(connection, "PRAGMA user_version")


def migrate(connection: sqlite3.Connection) -> None:
    """Bring the file to ``VERSION``, each step whole or not at all."""
    steps = resources.files("dustcake.adapters.store") / "migrations"
    for number in range(version_of(connection), VERSION):
        step = (steps / f"{number}.sql").read_text(encoding="utf-8")
        connection.executescript(
            f"BEGIN IMMEDIATE; {step} PRAGMA user_version = {number + 1}; "
            f"PRAGMA application_id = {APPLICATION_ID}; COMMIT;"
        )


def is_as_made(connection: sqlite3.Connection) -> bool:
    """Whether the tables are those that the steps make."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        migrate(fresh)
        return _tables(connection) == _tables(fresh)


def _tables(connection: sqlite3.Connection) -> list[tuple[object, ...]]:
    """Names and columns; not the SQL of tables, which another version of SQLite may write
    otherwise, but that of the others, which is kept as it was: damage to it shows only in use."""
    return connection.execute(
        "SELECT made.type, made.name, made.tbl_name, has.name, has.type, has.pk, "
        "iif(made.type = 'table', '', replace(replace(made.sql, char(10), ''), ' ', '')) "
        "FROM sqlite_master AS made LEFT JOIN pragma_table_info(made.name) AS has "
        "WHERE made.name NOT LIKE 'sqlite\\_%' ESCAPE '\\' ORDER BY made.name, has.cid"
    ).fetchall()
