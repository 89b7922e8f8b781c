-- The centre of a fleet: PostgreSQL 15 or later, run once by its owner in an empty database; rules.sql comes after it. A board is a
-- role of its own in `pit_board`, named as its certificate; it reads and writes its own rows and nobody else's. A crew's reader
-- is in `fleet_reader`.
BEGIN;

CREATE ROLE pit_board NOLOGIN;
CREATE ROLE fleet_reader NOLOGIN;
CREATE ROLE fleet_pooler NOLOGIN;

-- What a board may claim of itself is bounded: one that is broken into must not take the page from the whole crew. A year that a
-- page cannot show, a row that fills a disk and a number that is none are refused; so is the rest of that batch, and the board says so.
CREATE DOMAIN moment AS timestamptz CHECK (VALUE >= '1969-12-31' AND VALUE < '2200-01-01');
CREATE DOMAIN word AS text CHECK (length(VALUE) <= 200);
CREATE DOMAIN document AS jsonb CHECK (octet_length(VALUE::text) <= 4000000);

CREATE TABLE pits (
    pit text PRIMARY KEY,                -- a board's first pit: the board's role and the common name of its certificate; another
                                         -- pit of it: the same, a full stop and the pit's id, which no role's name can be
    crew text NOT NULL DEFAULT '',
    class text NOT NULL DEFAULT '',      -- pits that are built alike
    revoked boolean NOT NULL DEFAULT false, -- its certificate was, or its board has no such pit any more
    heard moment,                        -- the newest word, by the centre's clock
    now document NOT NULL DEFAULT '{}' CHECK (octet_length(now::text) <= 100000), -- stage, cook, alarms that stand
    event bigint NOT NULL DEFAULT 0,     -- the cursor: what of this pit is here
    event_time double precision NOT NULL DEFAULT 0,
    block bigint NOT NULL DEFAULT -1,
    ring integer NOT NULL DEFAULT 2 CHECK (ring BETWEEN 1 AND 9), -- who takes a release first, who next
    release word NOT NULL DEFAULT '',    -- what its board runs, as install.sh calls it
    release_at moment,                   -- since when, by the centre's clock
    restart bigint NOT NULL DEFAULT 0,   -- the newest start in a hurry, as after a crash: its number in the pit's journal
    restart_known bigint NOT NULL DEFAULT 0 -- up to which one it is not the release's doing
);

-- Releases on offer; the newest counts.
CREATE TABLE releases (
    release text PRIMARY KEY,
    offered timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE events (
    pit text NOT NULL REFERENCES pits,
    at timestamptz NOT NULL,
    seq bigint NOT NULL,
    name word NOT NULL,
    cook word NOT NULL,
    body document NOT NULL,
    CHECK (at >= '1969-12-31' AND at < '2200-01-01'),
    PRIMARY KEY (pit, at, seq)
) PARTITION BY RANGE (at);
CREATE INDEX events_named ON events (pit, name, at);

CREATE TABLE blocks (
    pit text NOT NULL REFERENCES pits,
    at timestamptz NOT NULL,             -- first second of ten minutes
    body bytea NOT NULL CHECK (octet_length(body) <= 1000000), -- zlib of JSON: channel -> degrees Celsius, one a minute
    CHECK (at >= '1969-12-31' AND at < '2200-01-01'),
    PRIMARY KEY (pit, at)
) PARTITION BY RANGE (at);

CREATE TABLE cooks (
    pit text NOT NULL REFERENCES pits,
    id word NOT NULL,
    name word NOT NULL,
    started moment NOT NULL,
    ended moment,
    settings document NOT NULL,
    notes document NOT NULL,
    figures document,
    digest word NOT NULL,                -- of what the pit sent: it sends a cook again only when this differs
    PRIMARY KEY (pit, id)
);

-- What pits have learned of their fires and share: per figure the mean of the logarithms, their variance, their number.
CREATE TABLE lessons (
    pit text NOT NULL REFERENCES pits,
    figure word NOT NULL,
    mean double precision NOT NULL CHECK (mean BETWEEN -10 AND 10),
    spread double precision NOT NULL CHECK (spread BETWEEN 0 AND 100),
    fires integer NOT NULL CHECK (fires BETWEEN 1 AND 100000),
    PRIMARY KEY (pit, figure)
);

-- What a class of pits has in common, written by `pitvigil pool`; a board may read its own class's rows.
CREATE TABLE class_figures (
    class text NOT NULL,
    figure text NOT NULL,
    middle double precision NOT NULL,
    fires double precision NOT NULL,
    PRIMARY KEY (class, figure)
);

-- What no month has been made for; a row is never refused for its date.
CREATE TABLE events_other PARTITION OF events DEFAULT;
CREATE TABLE blocks_other PARTITION OF blocks DEFAULT;

-- One month of both tables. Done ahead of time by whoever owns the database; what lies in `..._other` stays there.
CREATE FUNCTION make_month(first date) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    begins timestamptz := date_trunc('month', first::timestamp) AT TIME ZONE 'UTC';
    ends timestamptz := (date_trunc('month', first::timestamp) + interval '1 month') AT TIME ZONE 'UTC';
    part text;
BEGIN
    FOREACH part IN ARRAY ARRAY['events', 'blocks'] LOOP
        EXECUTE format('CREATE TABLE IF NOT EXISTS %I PARTITION OF %I FOR VALUES FROM (%L) TO (%L)',
                       part || to_char(first, '_YYYY_MM'), part, begins, ends);
    END LOOP;
END $$;
SELECT make_month((date_trunc('month', now() AT TIME ZONE 'UTC') + make_interval(months => ahead))::date)
FROM generate_series(0, 24) AS ahead;

COMMIT;
