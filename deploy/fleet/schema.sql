-- The centre of a fleet: PostgreSQL 15 or later, run once by its owner in an empty database. A board is a role of its own
-- in `pit_board`, named as its certificate; it reads and writes its own rows and nobody else's. A crew's reader is in `fleet_reader`.
BEGIN;

CREATE ROLE pit_board NOLOGIN;
CREATE ROLE fleet_reader NOLOGIN;
CREATE ROLE fleet_pooler NOLOGIN;

CREATE TABLE pits (
    pit text PRIMARY KEY,                -- the board's role and the common name of its certificate
    crew text NOT NULL DEFAULT '',
    class text NOT NULL DEFAULT '',      -- pits that are built alike
    revoked boolean NOT NULL DEFAULT false,
    heard timestamptz,                   -- the newest word, by the centre's clock
    now jsonb NOT NULL DEFAULT '{}',     -- stage, cook, alarms that stand
    event bigint NOT NULL DEFAULT 0,     -- the cursor: what of this pit is here
    event_time double precision NOT NULL DEFAULT 0,
    block bigint NOT NULL DEFAULT -1
);

CREATE TABLE events (
    pit text NOT NULL REFERENCES pits,
    at timestamptz NOT NULL,
    seq bigint NOT NULL,
    name text NOT NULL,
    cook text NOT NULL,
    body jsonb NOT NULL,
    PRIMARY KEY (pit, at, seq)
) PARTITION BY RANGE (at);
CREATE INDEX events_named ON events (pit, name, at);

CREATE TABLE blocks (
    pit text NOT NULL REFERENCES pits,
    at timestamptz NOT NULL,             -- first second of ten minutes
    body bytea NOT NULL,                 -- zlib of JSON: channel -> degrees Celsius, one a minute
    PRIMARY KEY (pit, at)
) PARTITION BY RANGE (at);

CREATE TABLE cooks (
    pit text NOT NULL REFERENCES pits,
    id text NOT NULL,
    name text NOT NULL,
    started timestamptz NOT NULL,
    ended timestamptz,
    settings jsonb NOT NULL,
    notes jsonb NOT NULL,
    figures jsonb,
    digest text NOT NULL,                -- of what the pit sent: it sends a cook again only when this differs
    PRIMARY KEY (pit, id)
);

-- What pits have learned of their fires and share: per figure the mean of the logarithms, their variance, their number.
CREATE TABLE lessons (
    pit text NOT NULL REFERENCES pits,
    figure text NOT NULL,
    mean double precision NOT NULL,
    spread double precision NOT NULL CHECK (spread >= 0),
    fires integer NOT NULL CHECK (fires > 0),
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

ALTER TABLE pits ENABLE ROW LEVEL SECURITY;
ALTER TABLE events ENABLE ROW LEVEL SECURITY;
ALTER TABLE blocks ENABLE ROW LEVEL SECURITY;
ALTER TABLE cooks ENABLE ROW LEVEL SECURITY;
ALTER TABLE lessons ENABLE ROW LEVEL SECURITY;
ALTER TABLE class_figures ENABLE ROW LEVEL SECURITY;

CREATE POLICY own ON pits TO pit_board USING (pit = current_user AND NOT revoked) WITH CHECK (pit = current_user);
CREATE POLICY own ON events TO pit_board USING (pit = current_user) WITH CHECK (pit = current_user);
CREATE POLICY own ON blocks TO pit_board USING (pit = current_user) WITH CHECK (pit = current_user);
CREATE POLICY own ON cooks TO pit_board USING (pit = current_user) WITH CHECK (pit = current_user);
CREATE POLICY own ON lessons TO pit_board USING (pit = current_user) WITH CHECK (pit = current_user);
-- Through the rules of `pits` a board sees one row of it, its own.
CREATE POLICY own ON class_figures FOR SELECT TO pit_board USING (class <> '' AND class IN (SELECT pits.class FROM pits));
CREATE POLICY pooled ON pits FOR SELECT TO fleet_pooler USING (true);
CREATE POLICY pooled ON lessons FOR SELECT TO fleet_pooler USING (true);
CREATE POLICY pooled ON class_figures TO fleet_pooler USING (true) WITH CHECK (true);
CREATE POLICY all_pits ON pits FOR SELECT TO fleet_reader USING (true);
CREATE POLICY all_pits ON events FOR SELECT TO fleet_reader USING (true);
CREATE POLICY all_pits ON blocks FOR SELECT TO fleet_reader USING (true);
CREATE POLICY all_pits ON cooks FOR SELECT TO fleet_reader USING (true);

REVOKE ALL ON SCHEMA public FROM PUBLIC;
GRANT USAGE ON SCHEMA public TO pit_board, fleet_reader, fleet_pooler;
REVOKE EXECUTE ON FUNCTION make_month FROM PUBLIC;
GRANT SELECT, UPDATE (heard, now, event, event_time, block) ON pits TO pit_board;
GRANT SELECT, INSERT ON events, blocks TO pit_board;
GRANT SELECT, INSERT, UPDATE (name, started, ended, settings, notes, figures, digest) ON cooks TO pit_board;
GRANT SELECT ON pits, events, blocks, cooks TO fleet_reader;
GRANT SELECT, INSERT, DELETE ON lessons TO pit_board;
GRANT SELECT ON class_figures TO pit_board;
GRANT SELECT (pit, class, revoked) ON pits TO fleet_pooler;
GRANT SELECT ON lessons TO fleet_pooler;
GRANT SELECT, INSERT, DELETE ON class_figures TO fleet_pooler;

COMMIT;
