-- The centre of a fleet: PostgreSQL 15 or later, run once by its owner in an empty database. A board is a role of its own
-- in `pit_board`, named as its certificate; it reads and writes its own rows and nobody else's. A crew's reader is in `fleet_reader`.
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
    pit text PRIMARY KEY,                -- the board's role and the common name of its certificate
    crew text NOT NULL DEFAULT '',
    class text NOT NULL DEFAULT '',      -- pits that are built alike
    revoked boolean NOT NULL DEFAULT false,
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

-- Two counts over two spans: 0 where both may well be of one rate, 2.58 where chance makes such a difference once in a hundred
-- (Huffman 1984, An improved approximate two-sample Poisson test, Applied Statistics 33:224-226).
CREATE FUNCTION rates_differ(count1 float8, span1 float8, count2 float8, span2 float8) RETURNS float8 LANGUAGE sql IMMUTABLE AS $$
    SELECT CASE WHEN span1 > 0 AND span2 > 0
        THEN 2 * (sqrt(count1 + 0.375) - sqrt(span1 / span2 * (count2 + 0.375))) / sqrt(1 + span1 / span2) ELSE 0 END
$$;

-- How each ring stands with the newest release, and what is missing before the next one may take it. A pit that has not been
-- heard since the release was offered is laid up and holds up nobody. Our choices: 300 s of silence, 12 h of cooking (a night's
-- cook) with it by the ring, compared with 30 days before by the pits that have it; 2.58 as above.
CREATE FUNCTION ring_state() RETURNS TABLE (ring integer, pits bigint, counted bigint, taken bigint, hours float8, missing text[])
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
WITH newest AS (SELECT * FROM releases ORDER BY offered DESC LIMIT 1),
one AS (
    SELECT p.*, p.heard > n.offered OR p.release = n.release AS counts, p.release = n.release AS has, extract(epoch FROM now() - p.heard) AS silent
    FROM pits p, newest n WHERE NOT p.revoked
),
spans AS (
    SELECT pit, ring, release_at AS since, now() AS until, true AS after FROM one WHERE has
    UNION ALL SELECT pit, ring, release_at - interval '30 days', release_at, false FROM one WHERE has
),
done AS (
    SELECT s.ring, s.after,
        (SELECT coalesce(sum(extract(epoch FROM least(coalesce(c.ended, p.heard), s.until) - greatest(c.started, s.since))), 0) / 3600
         FROM cooks c WHERE c.pit = s.pit AND c.started < s.until AND coalesce(c.ended, p.heard) > s.since)::float8 AS hours,
        (SELECT count(*) FROM events e WHERE e.pit = s.pit AND e.name = 'alarm' AND e.at >= s.since AND e.at < s.until AND e.cook <> ''
         AND e.body ->> 'before' = 'normal' AND e.body ->> 'after' = 'unacknowledged') AS alarms,
        (SELECT array[count(*), count(*) FILTER (WHERE e.body ->> 'needed' = 'false')] FROM events e
         WHERE e.pit = s.pit AND e.name = 'wake-judged' AND e.at >= s.since AND e.at < s.until) AS judged
    FROM spans s JOIN one p USING (pit)
),
seen AS (
    SELECT ring, coalesce(sum(hours) FILTER (WHERE after), 0) AS hours, coalesce(sum(hours) FILTER (WHERE NOT after), 0) AS hours_before,
        coalesce(sum(alarms) FILTER (WHERE after), 0) AS alarms, coalesce(sum(alarms) FILTER (WHERE NOT after), 0) AS alarms_before,
        coalesce(sum(judged[1]) FILTER (WHERE after), 0) AS judged, coalesce(sum(judged[1]) FILTER (WHERE NOT after), 0) AS judged_before,
        coalesce(sum(judged[2]) FILTER (WHERE after), 0) AS vain, coalesce(sum(judged[2]) FILTER (WHERE NOT after), 0) AS vain_before
    FROM done GROUP BY ring
),
rings AS (
    SELECT ring, count(*) AS pits, count(*) FILTER (WHERE counts) AS counted, count(*) FILTER (WHERE has) AS taken,
        coalesce(array_agg(format('%s has %s', pit, CASE release WHEN '' THEN 'told no release' ELSE release END) ORDER BY pit)
            FILTER (WHERE counts AND NOT has), '{}')
        || coalesce(array_agg(format('%s is silent for %s min', pit, round(silent / 60)) ORDER BY pit) FILTER (WHERE counts AND silent > 300), '{}')
        || coalesce(array_agg(format('%s was started anew', pit) ORDER BY pit) FILTER (WHERE has AND restart > restart_known), '{}') AS trouble
    FROM one GROUP BY ring
)
SELECT r.ring, r.pits, r.counted, r.taken, coalesce(s.hours, 0),
    CASE WHEN r.taken = 0 THEN array['no pit of it has the release yet'] ELSE '{}' END || r.trouble
    || CASE WHEN r.taken > 0 AND s.hours < 12 THEN array[format('%s of 12 h of cooking', round(s.hours::numeric, 1))] ELSE '{}' END
    || CASE WHEN abs(rates_differ(s.alarms, s.hours, s.alarms_before, s.hours_before)) > 2.58 THEN array[format(
        '%s alarms in %s h, %s in %s h before', s.alarms, round(s.hours::numeric), s.alarms_before, round(s.hours_before::numeric))] ELSE '{}' END
    || CASE WHEN rates_differ(s.vain, s.judged, s.vain_before, s.judged_before) > 2.58 THEN array[format(
        '%s of %s calls judged not needed, %s of %s before', s.vain, s.judged, s.vain_before, s.judged_before)] ELSE '{}' END
FROM rings r LEFT JOIN seen s USING (ring) ORDER BY r.ring
$$;

-- What a board asks before it takes a release: '' when it is its turn, or why not. It changes nothing but that the pit was
-- heard, so that one that asks, upgrades and is never heard again holds up the next ring.
CREATE FUNCTION my_turn(wanted text) RETURNS text LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    mine integer;
    offer text := (SELECT release FROM releases ORDER BY offered DESC LIMIT 1);
    earlier record;
BEGIN
    UPDATE pits SET heard = now() WHERE pit = session_user AND NOT revoked RETURNING ring INTO mine;
    IF mine IS NULL THEN
        RETURN 'the centre knows no such pit';
    ELSIF offer IS NULL OR offer <> wanted THEN
        RETURN format('the centre offers %s', coalesce(offer, 'no release'));
    END IF;
    SELECT * INTO earlier FROM ring_state() AS state WHERE state.ring < mine AND cardinality(state.missing) > 0 ORDER BY state.ring LIMIT 1;
    IF FOUND THEN
        RETURN format('ring %s comes first, of %s pits %s have it; the crew''s page says what is missing', earlier.ring, earlier.pits, earlier.taken);
    END IF;
    RETURN '';
END $$;

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
REVOKE EXECUTE ON FUNCTION make_month, ring_state, my_turn FROM PUBLIC;
GRANT EXECUTE ON FUNCTION ring_state TO fleet_reader;
GRANT EXECUTE ON FUNCTION my_turn TO pit_board;
GRANT SELECT, UPDATE (heard, now, event, event_time, block, release, release_at, restart, restart_known) ON pits TO pit_board;
GRANT SELECT, INSERT ON events, blocks TO pit_board;
GRANT SELECT, INSERT, UPDATE (name, started, ended, settings, notes, figures, digest) ON cooks TO pit_board;
GRANT SELECT ON pits, events, blocks, cooks, releases TO fleet_reader;
GRANT SELECT, INSERT, DELETE ON lessons TO pit_board;
GRANT SELECT ON class_figures TO pit_board;
GRANT SELECT (pit, class, revoked) ON pits TO fleet_pooler;
GRANT SELECT ON lessons TO fleet_pooler;
GRANT SELECT, INSERT, DELETE ON class_figures TO fleet_pooler;

COMMIT;
