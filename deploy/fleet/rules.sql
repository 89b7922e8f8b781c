-- What may be done at the centre, and by whom: run after schema.sql, and again at every upgrade of the centre (centre.sh upgrade).
-- It changes no row. Boards of an earlier release go on as they did, so the centre comes first and its boards follow by rings.
BEGIN;

-- Two counts over two spans: 0 where both may well be of one rate, 2.58 where chance makes such a difference once in a hundred
-- (Huffman 1984, An improved approximate two-sample Poisson test, Applied Statistics 33:224-226).
CREATE OR REPLACE FUNCTION rates_differ(count1 float8, span1 float8, count2 float8, span2 float8) RETURNS float8 LANGUAGE sql IMMUTABLE AS $$
    SELECT CASE WHEN span1 > 0 AND span2 > 0
        THEN 2 * (sqrt(count1 + 0.375) - sqrt(span1 / span2 * (count2 + 0.375))) / sqrt(1 + span1 / span2) ELSE 0 END
$$;

-- How each ring stands with the newest release, and what is missing before the next one may take it: a release is a board's, so
-- its pits count together, and a cook on two of them once. A pit that has not been
-- heard since the release was offered is laid up and holds up nobody. Our choices: 300 s of silence, 12 h of cooking (a night's
-- cook) with it by the ring, compared with 30 days before by the pits that have it; 2.58 as above.
CREATE OR REPLACE FUNCTION ring_state() RETURNS TABLE (ring integer, pits bigint, counted bigint, taken bigint, hours float8, missing text[])
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
WITH newest AS (SELECT * FROM releases ORDER BY offered DESC LIMIT 1),
one AS (
    SELECT p.*, p.heard > n.offered OR p.release = n.release AS counts, p.release = n.release AS has, extract(epoch FROM now() - p.heard) AS silent,
        array(SELECT q.pit FROM pits q WHERE q.pit = p.pit OR starts_with(q.pit, p.pit || '.')) AS own
    FROM pits p, newest n WHERE NOT p.revoked AND position('.' IN p.pit) = 0
),
spans AS (
    SELECT pit, own, ring, release_at AS since, now() AS until, true AS after FROM one WHERE has
    UNION ALL SELECT pit, own, ring, release_at - interval '30 days', release_at, false FROM one WHERE has
),
done AS (
    SELECT s.ring, s.after,
        (SELECT coalesce(sum(extract(epoch FROM least(coalesce(c.ended, p.heard), s.until) - greatest(c.started, s.since))), 0) / 3600
         FROM (SELECT DISTINCT id, started, ended FROM cooks WHERE cooks.pit = ANY (s.own)) c
         WHERE c.started < s.until AND coalesce(c.ended, p.heard) > s.since)::float8 AS hours,
        (SELECT count(*) FROM events e WHERE e.pit = ANY (s.own) AND e.name = 'alarm' AND e.at >= s.since AND e.at < s.until AND e.cook <> ''
         AND e.body ->> 'before' = 'normal' AND e.body ->> 'after' = 'unacknowledged') AS alarms,
        (SELECT array[count(*), count(*) FILTER (WHERE e.body ->> 'needed' = 'false')] FROM events e
         WHERE e.pit = ANY (s.own) AND e.name = 'wake-judged' AND e.at >= s.since AND e.at < s.until) AS judged
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
CREATE OR REPLACE FUNCTION my_turn(wanted text) RETURNS text LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
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

-- A board says which pits it has beside its first. Each is a row of its crew, known from then on; one that it has no more is put
-- aside with all that it told. Seven others at once as in a rig file, sixty in all: one that is broken into must not fill the page.
CREATE OR REPLACE FUNCTION my_pits(others text[]) RETURNS void LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    board text := session_user;
BEGIN
    PERFORM FROM pits WHERE pit = board AND NOT revoked FOR UPDATE;
    IF NOT FOUND THEN
        RAISE insufficient_privilege USING MESSAGE = 'the centre knows no such pit';
    END IF;
    IF cardinality(others) > 7 OR EXISTS (SELECT FROM unnest(others) AS id WHERE coalesce(id, '') !~ '^[a-z0-9][a-z0-9-]{0,31}$') THEN
        RAISE check_violation USING MESSAGE = 'these are no names of pits';
    END IF;
    INSERT INTO pits (pit, crew, ring) SELECT DISTINCT board || '.' || id, crew, ring FROM unnest(others) AS id, pits WHERE pit = board
    ON CONFLICT DO NOTHING;
    UPDATE pits SET revoked = NOT revoked WHERE starts_with(pit, board || '.')
        AND revoked = (substr(pit, length(board) + 2) = ANY (others));
    IF (SELECT count(*) FROM pits WHERE starts_with(pit, board || '.')) > 60 THEN
        RAISE check_violation USING MESSAGE = 'this board has named too many pits';
    END IF;
END $$;

ALTER TABLE pits ENABLE ROW LEVEL SECURITY;
ALTER TABLE events ENABLE ROW LEVEL SECURITY;
ALTER TABLE blocks ENABLE ROW LEVEL SECURITY;
ALTER TABLE cooks ENABLE ROW LEVEL SECURITY;
ALTER TABLE lessons ENABLE ROW LEVEL SECURITY;
ALTER TABLE class_figures ENABLE ROW LEVEL SECURITY;

DROP POLICY IF EXISTS own ON pits;
DROP POLICY IF EXISTS own ON events;
DROP POLICY IF EXISTS own ON blocks;
DROP POLICY IF EXISTS own ON cooks;
DROP POLICY IF EXISTS own ON lessons;
DROP POLICY IF EXISTS own ON class_figures;
DROP POLICY IF EXISTS pooled ON pits;
DROP POLICY IF EXISTS pooled ON lessons;
DROP POLICY IF EXISTS pooled ON class_figures;
DROP POLICY IF EXISTS all_pits ON pits;
DROP POLICY IF EXISTS all_pits ON events;
DROP POLICY IF EXISTS all_pits ON blocks;
DROP POLICY IF EXISTS all_pits ON cooks;
CREATE POLICY own ON pits TO pit_board USING (split_part(pit, '.', 1) = current_user AND NOT revoked)
    WITH CHECK (split_part(pit, '.', 1) = current_user);
CREATE POLICY own ON events TO pit_board USING (split_part(pit, '.', 1) = current_user) WITH CHECK (split_part(pit, '.', 1) = current_user);
CREATE POLICY own ON blocks TO pit_board USING (split_part(pit, '.', 1) = current_user) WITH CHECK (split_part(pit, '.', 1) = current_user);
CREATE POLICY own ON cooks TO pit_board USING (split_part(pit, '.', 1) = current_user) WITH CHECK (split_part(pit, '.', 1) = current_user);
CREATE POLICY own ON lessons TO pit_board USING (split_part(pit, '.', 1) = current_user) WITH CHECK (split_part(pit, '.', 1) = current_user);
-- Through the rules of `pits` a board sees its own rows of it.
CREATE POLICY own ON class_figures FOR SELECT TO pit_board USING (class <> '' AND class IN (SELECT pits.class FROM pits));
CREATE POLICY pooled ON pits FOR SELECT TO fleet_pooler USING (true);
CREATE POLICY pooled ON lessons FOR SELECT TO fleet_pooler USING (true);
CREATE POLICY pooled ON class_figures TO fleet_pooler USING (true) WITH CHECK (true);
CREATE POLICY all_pits ON pits FOR SELECT TO fleet_reader USING (true);
CREATE POLICY all_pits ON events FOR SELECT TO fleet_reader USING (true);
CREATE POLICY all_pits ON blocks FOR SELECT TO fleet_reader USING (true);
CREATE POLICY all_pits ON cooks FOR SELECT TO fleet_reader USING (true);

-- A board that is broken into must not take the centre from the others: no store beside its own rows, and no more connections
-- than a board needs, one to send by and a few that a broken line has left behind.
REVOKE EXECUTE ON FUNCTION lo_creat(integer), lo_create(oid), lo_from_bytea(oid, bytea) FROM PUBLIC;
DO $$
DECLARE
    board name;
BEGIN
    EXECUTE format('REVOKE TEMPORARY ON DATABASE %I FROM PUBLIC', current_database());
    FOR board IN SELECT m.rolname FROM pg_auth_members a JOIN pg_roles m ON m.oid = a.member WHERE a.roleid = 'pit_board'::regrole LOOP
        EXECUTE format('ALTER ROLE %I CONNECTION LIMIT 5', board);
    END LOOP;
END $$;

REVOKE ALL ON SCHEMA public FROM PUBLIC;
GRANT USAGE ON SCHEMA public TO pit_board, fleet_reader, fleet_pooler;
REVOKE EXECUTE ON FUNCTION make_month, ring_state, my_turn, my_pits FROM PUBLIC;
GRANT EXECUTE ON FUNCTION ring_state TO fleet_reader;
GRANT EXECUTE ON FUNCTION my_turn, my_pits TO pit_board;
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
