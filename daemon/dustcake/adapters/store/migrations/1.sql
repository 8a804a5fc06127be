-- `start` counts the daemon's starts; with mono_s it orders records where the clock was not
-- set or was stepped. `clock` says how UTC ran against mono_s from there on (NULL: not known).
-- An input row holds several, packed; `readings` are those of the state after it, where the
-- rest of the state is as stored. `source` is the row of events or minutes to be worded, an
-- event with the `quality` of the reading then.
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
