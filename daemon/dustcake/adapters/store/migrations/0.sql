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
