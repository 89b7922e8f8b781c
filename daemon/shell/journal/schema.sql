-- The journal: what the watch was told and what it said, in order. One writer, WAL, synchronous=FULL:
-- a committed row survives a power cut. Readings are packed, a minute to a row.
CREATE TABLE IF NOT EXISTS starts (
    input INTEGER PRIMARY KEY,        -- seq of the first input of this start
    time REAL NOT NULL,               -- engine time, s
    boot TEXT NOT NULL,               -- boot id
    boot_seconds REAL NOT NULL,       -- s since boot at `time`
    rig TEXT NOT NULL,                -- text of the rig file
    cook TEXT                         -- text of the cook file, if one was given
) STRICT;
CREATE TABLE IF NOT EXISTS inputs (
    seq INTEGER PRIMARY KEY,
    time REAL NOT NULL,
    kind TEXT NOT NULL,
    body BLOB NOT NULL
) STRICT;
DROP INDEX IF EXISTS inputs_time;     -- of early versions: time rises with seq, and an index costs a page a minute
CREATE TABLE IF NOT EXISTS events (
    seq INTEGER PRIMARY KEY,
    time REAL NOT NULL,
    wall_offset REAL NOT NULL,        -- UTC = time + wall_offset
    name TEXT NOT NULL,
    cook TEXT NOT NULL,
    body TEXT NOT NULL                -- JSON
) STRICT;
CREATE INDEX IF NOT EXISTS events_cook ON events (cook, time);
CREATE TABLE IF NOT EXISTS checkpoints (
    input INTEGER PRIMARY KEY,        -- seq of the last input it contains
    time REAL NOT NULL,
    event INTEGER NOT NULL,           -- seq of the last event it contains
    body BLOB NOT NULL                -- zlib JSON
) STRICT;
CREATE TABLE IF NOT EXISTS outbox (
    id TEXT NOT NULL,                 -- notification id: the receiver's key against doubles
    channel TEXT NOT NULL,
    alarm TEXT NOT NULL,
    time REAL NOT NULL,
    not_after REAL NOT NULL,
    state TEXT NOT NULL,              -- waiting, sending, sent, failed, expired, collapsed
    attempts INTEGER NOT NULL DEFAULT 0,
    next_try REAL NOT NULL,
    body TEXT NOT NULL,               -- JSON message
    detail TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (id, channel)
) STRICT;
CREATE TABLE IF NOT EXISTS notes (
    key TEXT PRIMARY KEY,             -- small things that outlive a cook: pit profile, announced topics
    body TEXT NOT NULL
) STRICT;
DROP TABLE IF EXISTS cooks;           -- an early form that nothing ever wrote
CREATE TABLE IF NOT EXISTS kept_cooks (
    id TEXT PRIMARY KEY,              -- date of the start and cook id, unique
    cook TEXT NOT NULL,               -- cook id, as in events.cook
    name TEXT NOT NULL,
    pit TEXT NOT NULL,
    started REAL NOT NULL,            -- engine time, s
    ended REAL,                       -- NULL while it runs
    wall_offset REAL NOT NULL,
    settings TEXT NOT NULL,           -- JSON of the cook as it was started
    channels TEXT NOT NULL,           -- JSON
    first_input INTEGER NOT NULL,     -- seq of the input that started it
    notes TEXT NOT NULL DEFAULT '{}', -- JSON: verdict, weather, photos, wood, weights
    figures TEXT                      -- JSON, once it has ended
) STRICT;
