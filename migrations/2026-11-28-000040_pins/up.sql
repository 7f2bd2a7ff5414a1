-- What a signature stands over, what touched it later, and what was decided on that; and the locks under which signatures,
-- corrections, titrations and moves meet.

-- One key for every thing, so that everybody who locks it meets.
CREATE FUNCTION lock_key(thing uuid) RETURNS bigint
    LANGUAGE sql IMMUTABLE STRICT
AS $$ SELECT hashtextextended('thing ' || thing::text, 0) $$;
COMMENT ON FUNCTION lock_key(uuid) IS 'Key of the advisory lock of a thing.';

-- Held until the end of the transaction, by whoever changes what others rest on.
CREATE FUNCTION hold(things uuid[]) RETURNS void
    LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM pg_advisory_xact_lock(key) FROM (SELECT DISTINCT lock_key(thing) AS key FROM unnest(things) thing ORDER BY 1) keys;
END
$$;
COMMENT ON FUNCTION hold(uuid[]) IS 'Takes the exclusive locks of things, in order, until the transaction ends.';

-- Shared until the end of the transaction, by whoever rests on things that must stay as they are meanwhile.
CREATE FUNCTION share(things uuid[]) RETURNS void
    LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM pg_advisory_xact_lock_shared(key) FROM (SELECT DISTINCT lock_key(thing) AS key FROM unnest(things) thing ORDER BY 1) keys;
END
$$;
COMMENT ON FUNCTION share(uuid[]) IS 'Takes the shared locks of things, in order, until the transaction ends.';

CREATE FUNCTION present_state(thing uuid, first_state text) RETURNS text
    LANGUAGE sql STABLE
AS $$
    SELECT coalesce((SELECT to_state FROM state_moves WHERE entity_id = thing ORDER BY position DESC LIMIT 1), first_state)
$$;
COMMENT ON FUNCTION present_state(uuid, text) IS 'Present state of a thing, by its moves.';

-- Identities of records made by the store itself sort by time, as those made by the service do (RFC 9562, version 7).
CREATE FUNCTION uuid_by_time() RETURNS uuid
    LANGUAGE sql VOLATILE
AS $$
    SELECT encode(set_bit(set_bit(overlay(uuid_send(gen_random_uuid())
        PLACING substring(int8send((extract(epoch FROM clock_timestamp()) * 1000)::bigint) FROM 3) FROM 1 FOR 6), 52, 1), 53, 1), 'hex')::uuid
$$;
COMMENT ON FUNCTION uuid_by_time() IS 'A fresh identity that sorts by time.';

CREATE TABLE pins (
    id uuid CONSTRAINT pins_pk PRIMARY KEY,
    sign_off_id uuid NOT NULL CONSTRAINT pins_sign_off_once UNIQUE CONSTRAINT pins_sign_off_id REFERENCES sign_offs (id),
    kinds text[] NOT NULL,
    row_ids uuid[] NOT NULL,
    used_at timestamptz[] NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT pins_recorded_by REFERENCES accounts (id),
    CONSTRAINT pins_whole CHECK (cardinality(row_ids) >= 1 AND cardinality(kinds) = cardinality(row_ids) AND cardinality(used_at) = cardinality(row_ids))
);
COMMENT ON TABLE pins IS 'Rows that signatures stand over: what is signed is read from them alone. One row a signature; its lists go together.';
COMMENT ON COLUMN pins.id IS 'Identity.';
COMMENT ON COLUMN pins.sign_off_id IS 'Signature.';
COMMENT ON COLUMN pins.kinds IS 'Kind of each row, by the name of its table.';
COMMENT ON COLUMN pins.row_ids IS 'Identity of each row.';
COMMENT ON COLUMN pins.used_at IS 'When each was last used for what is signed, bench time.';
COMMENT ON COLUMN pins.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN pins.recorded_by IS 'Account that signed; null where a signature of an earlier release got its pins.';
-- Entered at once: what touches a row is looked up in the transaction that writes it.
CREATE INDEX pins_row_ids_index ON pins USING gin (row_ids) WITH (fastupdate = off);
CREATE INDEX pins_recorded_by_index ON pins (recorded_by);
SELECT make_record_table('pins');

CREATE TABLE unpinned_signatures (
    id uuid CONSTRAINT unpinned_signatures_pk PRIMARY KEY,
    sign_off_id uuid NOT NULL CONSTRAINT unpinned_signatures_once UNIQUE CONSTRAINT unpinned_signatures_sign_off_id REFERENCES sign_offs (id),
    reason text NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT unpinned_signatures_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE unpinned_signatures IS 'Signatures of an earlier release whose digest fits no rows on record: marked, not repaired.';
COMMENT ON COLUMN unpinned_signatures.id IS 'Identity.';
COMMENT ON COLUMN unpinned_signatures.sign_off_id IS 'Signature.';
COMMENT ON COLUMN unpinned_signatures.reason IS 'What does not fit.';
COMMENT ON COLUMN unpinned_signatures.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN unpinned_signatures.recorded_by IS 'Account; null for the service itself.';
CREATE INDEX unpinned_signatures_recorded_by_index ON unpinned_signatures (recorded_by);
SELECT make_record_table('unpinned_signatures');

CREATE TABLE impacts (
    id uuid CONSTRAINT impacts_pk PRIMARY KEY,
    cause_kind text NOT NULL,
    cause_id uuid NOT NULL,
    touched_id uuid NOT NULL,
    since timestamptz,
    figures boolean NOT NULL,
    what text NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT impacts_recorded_by REFERENCES accounts (id),
    CONSTRAINT impacts_once UNIQUE (cause_id, touched_id)
);
COMMENT ON TABLE impacts IS 'Rows that supersede, compete with or invalidate what a signature stands over; written by the store itself with that row. What is touched is a join with the pins.';
COMMENT ON COLUMN impacts.id IS 'Identity.';
COMMENT ON COLUMN impacts.cause_kind IS 'Kind of the row that touches, by the name of its table.';
COMMENT ON COLUMN impacts.cause_id IS 'That row.';
COMMENT ON COLUMN impacts.touched_id IS 'The pinned row it touches.';
COMMENT ON COLUMN impacts.since IS 'Touches only what used the row at or after this bench time; null for all.';
COMMENT ON COLUMN impacts.figures IS 'Whether a figure could come out differently.';
COMMENT ON COLUMN impacts.what IS 'What happened, in words.';
COMMENT ON COLUMN impacts.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN impacts.recorded_by IS 'Account that wrote the cause; null for the service itself.';
CREATE INDEX impacts_touched_id_index ON impacts (touched_id);
CREATE INDEX impacts_recorded_by_index ON impacts (recorded_by);
SELECT make_record_table('impacts');

CREATE TABLE impact_decisions (
    id uuid CONSTRAINT impact_decisions_pk PRIMARY KEY,
    impact_id uuid NOT NULL CONSTRAINT impact_decisions_impact_id REFERENCES impacts (id),
    sign_off_id uuid NOT NULL CONSTRAINT impact_decisions_sign_off_id REFERENCES sign_offs (id),
    decision text NOT NULL CONSTRAINT impact_decisions_decision_rule CHECK (decision IN ('no change','amended')),
    reason text NOT NULL CONSTRAINT impact_decisions_reason_rule CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT impact_decisions_recorded_by REFERENCES accounts (id),
    CONSTRAINT impact_decisions_once UNIQUE (impact_id, sign_off_id)
);
COMMENT ON TABLE impact_decisions IS 'What a manager decided for a signed result that something touched.';
COMMENT ON COLUMN impact_decisions.id IS 'Identity.';
COMMENT ON COLUMN impact_decisions.impact_id IS 'What touched it.';
COMMENT ON COLUMN impact_decisions.sign_off_id IS 'Signature of the author under which the result stands.';
COMMENT ON COLUMN impact_decisions.decision IS 'no change, or amended.';
COMMENT ON COLUMN impact_decisions.reason IS 'Why.';
COMMENT ON COLUMN impact_decisions.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN impact_decisions.recorded_by IS 'Manager who decided.';
CREATE INDEX impact_decisions_sign_off_id_index ON impact_decisions (sign_off_id);
CREATE INDEX impact_decisions_recorded_by_index ON impact_decisions (recorded_by);
SELECT make_record_table('impact_decisions');

-- Tables of their own: with new columns, calibrations and checks already there would no longer be the bytes of their events.
-- The line is written before the row it announces, so that the row's own triggers know what it corrects.
CREATE TABLE calibration_corrections (
    id uuid CONSTRAINT calibration_corrections_pk PRIMARY KEY,
    calibration_id uuid NOT NULL CONSTRAINT calibration_corrections_calibration_once UNIQUE CONSTRAINT calibration_corrections_calibration_id REFERENCES equipment_calibrations (id) DEFERRABLE INITIALLY DEFERRED,
    corrects_id uuid NOT NULL CONSTRAINT calibration_corrections_once UNIQUE CONSTRAINT calibration_corrections_corrects_id REFERENCES equipment_calibrations (id),
    reason text NOT NULL CONSTRAINT calibration_corrections_reason_rule CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT calibration_corrections_recorded_by REFERENCES accounts (id),
    CONSTRAINT calibration_corrections_two CHECK (calibration_id <> corrects_id)
);
COMMENT ON TABLE calibration_corrections IS 'Which calibration corrects which; both stay.';
COMMENT ON COLUMN calibration_corrections.id IS 'Identity.';
COMMENT ON COLUMN calibration_corrections.calibration_id IS 'The calibration as it should be.';
COMMENT ON COLUMN calibration_corrections.corrects_id IS 'The calibration that was wrong; each can be corrected once.';
COMMENT ON COLUMN calibration_corrections.reason IS 'Reason of the correction.';
COMMENT ON COLUMN calibration_corrections.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN calibration_corrections.recorded_by IS 'Account that recorded it.';
CREATE INDEX calibration_corrections_recorded_by_index ON calibration_corrections (recorded_by);
SELECT make_record_table('calibration_corrections');

CREATE TABLE check_corrections (
    id uuid CONSTRAINT check_corrections_pk PRIMARY KEY,
    check_id uuid NOT NULL CONSTRAINT check_corrections_check_once UNIQUE CONSTRAINT check_corrections_check_id REFERENCES equipment_checks (id) DEFERRABLE INITIALLY DEFERRED,
    corrects_id uuid NOT NULL CONSTRAINT check_corrections_once UNIQUE CONSTRAINT check_corrections_corrects_id REFERENCES equipment_checks (id),
    reason text NOT NULL CONSTRAINT check_corrections_reason_rule CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT check_corrections_recorded_by REFERENCES accounts (id),
    CONSTRAINT check_corrections_two CHECK (check_id <> corrects_id)
);
COMMENT ON TABLE check_corrections IS 'Which check of equipment corrects which; both stay.';
COMMENT ON COLUMN check_corrections.id IS 'Identity.';
COMMENT ON COLUMN check_corrections.check_id IS 'The check as it should be.';
COMMENT ON COLUMN check_corrections.corrects_id IS 'The check that was wrong; each can be corrected once.';
COMMENT ON COLUMN check_corrections.reason IS 'Reason of the correction.';
COMMENT ON COLUMN check_corrections.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN check_corrections.recorded_by IS 'Account that recorded it.';
CREATE INDEX check_corrections_recorded_by_index ON check_corrections (recorded_by);
SELECT make_record_table('check_corrections');

-- A day has one calibration that counts; what was corrected does not.
ALTER TABLE equipment_calibrations DROP CONSTRAINT equipment_calibrations_day_once;
CREATE FUNCTION one_calibration_a_day() RETURNS trigger
    LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM hold(array_agg(id)) FROM equipment WHERE record_id = NEW.equipment_id;
    IF EXISTS (SELECT FROM equipment_calibrations c WHERE c.equipment_id = NEW.equipment_id AND c.calibrated_on = NEW.calibrated_on
               AND NOT EXISTS (SELECT FROM calibration_corrections k WHERE k.corrects_id = c.id)) THEN
        RAISE EXCEPTION 'there is a calibration of that day' USING ERRCODE = 'unique_violation', CONSTRAINT = 'equipment_calibrations_day_once';
    END IF;
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION one_calibration_a_day() IS 'Refuses a second calibration of a day, unless it corrects the first; holds the equipment.';
CREATE TRIGGER before_it BEFORE INSERT ON equipment_calibrations FOR EACH ROW EXECUTE FUNCTION one_calibration_a_day();

-- Before a row is written that others may rest on, it holds what it supersedes, competes with or moves: whoever signs shares
-- those, so that the one who comes second sees the first.
CREATE FUNCTION hold_superseded() RETURNS trigger
    LANGUAGE plpgsql
AS $$
BEGIN
    IF NEW.supersedes IS NOT NULL THEN
        PERFORM hold(ARRAY[NEW.supersedes]);
    END IF;
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION hold_superseded() IS 'Holds the version that a new one supersedes.';

CREATE FUNCTION hold_equipment() RETURNS trigger
    LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM hold(array_agg(id)) FROM equipment WHERE record_id = NEW.equipment_id;
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION hold_equipment() IS 'Holds every version of the equipment.';

CREATE FUNCTION hold_titrant() RETURNS trigger
    LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM hold(ARRAY[NEW.titrant_id]);
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION hold_titrant() IS 'Holds the titrant lot.';

CREATE FUNCTION hold_moved() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    of_titration uuid;
BEGIN
    IF NEW.entity_kind = 'titrations' THEN
        SELECT determination_id INTO of_titration FROM titrations WHERE id = NEW.entity_id;
        PERFORM keep_open(of_titration);
    END IF;
    IF NEW.entity_kind = 'primary_standards' THEN
        PERFORM hold(array_agg(id)) FROM primary_standards WHERE record_id = NEW.entity_id;
    ELSE
        PERFORM hold(ARRAY[NEW.entity_id]);
    END IF;
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION hold_moved() IS 'Holds the thing that is moved.';

-- Titrations, moves and signatures of a determination take turns; nothing is added to what is signed.
CREATE FUNCTION keep_open(determination uuid) RETURNS void
    LANGUAGE plpgsql
AS $$
DECLARE
    state text;
BEGIN
    PERFORM hold(ARRAY[determination]);
    state := present_state(determination, 'in progress');
    IF state NOT IN ('in progress', 'returned', 'amended') THEN
        RAISE EXCEPTION 'the determination is %', state USING ERRCODE = 'check_violation', CONSTRAINT = 'titrations_determination_open';
    END IF;
END
$$;
COMMENT ON FUNCTION keep_open(uuid) IS 'Holds a determination, and refuses one whose titrations may not change.';

CREATE FUNCTION run_open(run uuid) RETURNS void
    LANGUAGE plpgsql
AS $$
DECLARE
    state text;
BEGIN
    PERFORM share(ARRAY[run]);
    state := present_state(run, 'open');
    IF state <> 'open' THEN
        RAISE EXCEPTION 'the run is %', state USING ERRCODE = 'check_violation', CONSTRAINT = 'runs_open';
    END IF;
END
$$;
COMMENT ON FUNCTION run_open(uuid) IS 'Shares a run, and refuses one that takes no records.';

CREATE FUNCTION guard_titration() RETURNS trigger
    LANGUAGE plpgsql
AS $$
BEGIN
    IF NEW.supersedes IS NULL THEN
        PERFORM run_open(run_id) FROM determinations WHERE id = NEW.determination_id;
    END IF;
    PERFORM keep_open(NEW.determination_id);
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION guard_titration() IS 'A titration is recorded in an open run for a determination that is not signed.';

CREATE FUNCTION guard_in_run() RETURNS trigger
    LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM run_open(NEW.run_id);
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION guard_in_run() IS 'Blanks and determinations are recorded in an open run.';

CREATE TRIGGER before_it BEFORE INSERT ON titrations FOR EACH ROW EXECUTE FUNCTION guard_titration();
CREATE TRIGGER before_it BEFORE INSERT ON determinations FOR EACH ROW EXECUTE FUNCTION guard_in_run();
CREATE TRIGGER before_it BEFORE INSERT ON blanks FOR EACH ROW EXECUTE FUNCTION guard_in_run();
CREATE TRIGGER before_it_superseded BEFORE INSERT ON blanks FOR EACH ROW EXECUTE FUNCTION hold_superseded();
CREATE TRIGGER before_it BEFORE INSERT ON test_portions FOR EACH ROW EXECUTE FUNCTION hold_superseded();
CREATE TRIGGER before_it BEFORE INSERT ON samples FOR EACH ROW EXECUTE FUNCTION hold_superseded();
CREATE TRIGGER before_it BEFORE INSERT ON equipment FOR EACH ROW EXECUTE FUNCTION hold_superseded();
CREATE TRIGGER before_it BEFORE INSERT ON primary_standards FOR EACH ROW EXECUTE FUNCTION hold_superseded();
CREATE TRIGGER before_it BEFORE INSERT ON titrant_preparations FOR EACH ROW EXECUTE FUNCTION hold_titrant();
CREATE TRIGGER before_it BEFORE INSERT ON titrant_factors FOR EACH ROW EXECUTE FUNCTION hold_titrant();
CREATE TRIGGER before_it BEFORE INSERT ON equipment_checks FOR EACH ROW EXECUTE FUNCTION hold_equipment();
CREATE TRIGGER before_it BEFORE INSERT ON state_moves FOR EACH ROW EXECUTE FUNCTION hold_moved();

-- What a new row touches is written with it: one line for it and each pinned row, whatever path the new row came by.
CREATE FUNCTION touch(cause_of text, cause uuid, touched uuid, used_since timestamptz, changes_figures boolean, words text) RETURNS void
    LANGUAGE plpgsql
AS $$
DECLARE
    act jsonb := nullif(current_setting('ferrotitre.act', true), '')::jsonb;
BEGIN
    IF EXISTS (SELECT FROM pins p WHERE p.row_ids @> ARRAY[touched] AND (used_since IS NULL OR (p.recorded_at >= used_since
               AND EXISTS (SELECT FROM unnest(p.row_ids, p.used_at) u (id, at) WHERE u.id = touched AND u.at >= used_since)))) THEN
        INSERT INTO impacts (id, cause_kind, cause_id, touched_id, since, figures, what, recorded_by)
        VALUES (uuid_by_time(), cause_of, cause, touched, used_since, changes_figures, words, (act ->> 'actor')::uuid)
        ON CONFLICT ON CONSTRAINT impacts_once DO NOTHING;
    END IF;
END
$$;
COMMENT ON FUNCTION touch(text, uuid, uuid, timestamptz, boolean, text) IS 'Notes that a row touches a pinned one, if a signature stands over that.';

CREATE FUNCTION touch_superseded() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    code text := coalesce(' ' || (to_jsonb(NEW) ->> 'code'), '');
BEGIN
    IF NEW.supersedes IS NOT NULL THEN
        PERFORM touch(TG_TABLE_NAME, NEW.id, NEW.supersedes, NULL, true, TG_ARGV[0] || code || ' corrected: ' || NEW.reason);
    END IF;
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION touch_superseded() IS 'A correction touches what stands over the version before; the argument is what people call the thing.';

CREATE FUNCTION touch_by_calibration() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    code text := (SELECT e.code FROM equipment e WHERE e.record_id = NEW.equipment_id ORDER BY version DESC LIMIT 1);
    corrected calibration_corrections := (SELECT k FROM calibration_corrections k WHERE k.calibration_id = NEW.id);
    displaced uuid;
BEGIN
    IF corrected.id IS NOT NULL THEN
        PERFORM touch('equipment_calibrations', NEW.id, corrected.corrects_id, NULL, true,
                      format('calibration %s of %s corrected: %s', NEW.certificate, code, corrected.reason));
    END IF;
    -- What was measured on or after its day with the calibration before it.
    SELECT c.id INTO displaced FROM equipment_calibrations c WHERE c.equipment_id = NEW.equipment_id AND c.calibrated_on < NEW.calibrated_on
        AND NOT EXISTS (SELECT FROM calibration_corrections k WHERE k.corrects_id = c.id) ORDER BY c.calibrated_on DESC LIMIT 1;
    IF displaced IS NOT NULL THEN
        PERFORM touch('equipment_calibrations', NEW.id, displaced, NEW.calibrated_on::timestamp AT TIME ZONE 'UTC', true,
                      format('calibration %s of %s recorded later, valid from %s', NEW.certificate, code, NEW.calibrated_on));
    END IF;
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION touch_by_calibration() IS 'A calibration touches what stands over the one it corrects, or that it would have taken the place of.';

CREATE FUNCTION touch_by_check() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    code text := (SELECT e.code FROM equipment e WHERE e.record_id = NEW.equipment_id ORDER BY version DESC LIMIT 1);
    corrected check_corrections := (SELECT k FROM check_corrections k WHERE k.check_id = NEW.id);
    good timestamptz;
    words text;
    version uuid;
BEGIN
    IF NEW.outcome = 'passed' THEN
        RETURN NULL;
    END IF;
    SELECT max(c.observed_at) INTO good FROM equipment_checks c WHERE c.equipment_id = NEW.equipment_id AND c.outcome = 'passed'
        AND c.observed_at <= NEW.observed_at AND NOT EXISTS (SELECT FROM check_corrections k WHERE k.corrects_id = c.id);
    IF corrected.id IS NULL THEN
        words := format('%s failed its check of %s', code, to_char(NEW.observed_at AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI "UTC"'));
    ELSE
        words := format('the check of %s of %s corrected to failed: %s', code,
                        to_char(NEW.observed_at AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI "UTC"'), corrected.reason);
    END IF;
    FOR version IN SELECT id FROM equipment WHERE record_id = NEW.equipment_id ORDER BY id LOOP
        PERFORM touch('equipment_checks', NEW.id, version, good, false, words);
    END LOOP;
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION touch_by_check() IS 'A failed check touches what was measured with the equipment since its last good one.';

CREATE FUNCTION touch_by_factor() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    displaced uuid;
    code text := (SELECT t.code FROM titrants t WHERE t.id = NEW.titrant_id);
BEGIN
    SELECT f.id INTO displaced FROM titrant_factors f WHERE f.titrant_id = NEW.titrant_id AND f.valid_from < NEW.valid_from
        ORDER BY f.valid_from DESC LIMIT 1;
    IF displaced IS NOT NULL THEN
        PERFORM touch('titrant_factors', NEW.id, displaced, NEW.valid_from, true,
                      format('a factor of %s recorded later, in force from %s', code,
                             to_char(NEW.valid_from AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI "UTC"')));
    END IF;
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION touch_by_factor() IS 'A factor touches what was titrated in its time with the one before it.';

CREATE FUNCTION touch_by_move() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    why text := coalesce(': ' || NEW.reason, '');
    one uuid;
    words text;
BEGIN
    IF NEW.entity_kind = 'titrants' AND NEW.to_state = 'withdrawn' THEN
        SELECT format('titrant lot %s withdrawn', code) INTO words FROM titrants WHERE id = NEW.entity_id;
        PERFORM touch('state_moves', NEW.id, NEW.entity_id, NULL, false, words || why);
    ELSIF NEW.entity_kind = 'primary_standards' AND NEW.to_state = 'withdrawn' THEN
        FOR one, words IN SELECT id, format('primary standard %s withdrawn', code) FROM primary_standards WHERE record_id = NEW.entity_id ORDER BY id LOOP
            PERFORM touch('state_moves', NEW.id, one, NULL, false, words || why);
        END LOOP;
    ELSIF NEW.entity_kind = 'runs' AND NEW.to_state = 'rejected' THEN
        SELECT format('run %s rejected', code) INTO words FROM runs WHERE id = NEW.entity_id;
        PERFORM touch('state_moves', NEW.id, NEW.entity_id, NULL, false, words || why);
    ELSIF NEW.entity_kind = 'blanks' AND NEW.to_state = 'rejected' THEN
        PERFORM touch('state_moves', NEW.id, NEW.entity_id, NULL, true, 'blank rejected' || why);
    ELSIF NEW.entity_kind = 'methods' AND NEW.to_state = 'withdrawn' THEN
        SELECT format('method %s version %s withdrawn', code, version) INTO words FROM methods WHERE id = NEW.entity_id;
        PERFORM touch('state_moves', NEW.id, NEW.entity_id, NULL, false, words || why);
    ELSIF NEW.entity_kind = 'control_values' AND NEW.to_state = 'invalid-with-cause' THEN
        FOR one, words IN SELECT v.run_id, format('control value %s on chart %s found invalid', v.position, c.code)
            FROM control_values v JOIN control_charts c ON c.id = v.chart_id WHERE v.id = NEW.entity_id AND v.run_id IS NOT NULL LOOP
            PERFORM touch('state_moves', NEW.id, one, NULL, false, words || why);
        END LOOP;
    ELSIF NEW.entity_kind = 'determinations' AND NEW.to_state IN ('amended', 'returned') THEN
        FOR one, words IN SELECT s.id, format('determination %s %s', d.code, NEW.to_state)
            FROM sign_offs s JOIN determinations d ON d.id = s.entity_id
            WHERE s.entity_id = NEW.entity_id AND s.meaning = 'authored' ORDER BY s.id LOOP
            PERFORM touch('state_moves', NEW.id, one, NULL, true, words || why);
        END LOOP;
    END IF;
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION touch_by_move() IS 'A withdrawal, rejection, invalidation or amendment touches what stands over the thing.';

CREATE TRIGGER touches AFTER INSERT ON test_portions FOR EACH ROW EXECUTE FUNCTION touch_superseded('test portion');
CREATE TRIGGER touches AFTER INSERT ON samples FOR EACH ROW EXECUTE FUNCTION touch_superseded('sample');
CREATE TRIGGER touches AFTER INSERT ON equipment FOR EACH ROW EXECUTE FUNCTION touch_superseded('equipment');
CREATE TRIGGER touches AFTER INSERT ON primary_standards FOR EACH ROW EXECUTE FUNCTION touch_superseded('certificate of');
CREATE TRIGGER touches AFTER INSERT ON titrant_preparations FOR EACH ROW EXECUTE FUNCTION touch_superseded('preparation');
CREATE TRIGGER touches AFTER INSERT ON blanks FOR EACH ROW EXECUTE FUNCTION touch_superseded('blank');
CREATE TRIGGER touches AFTER INSERT ON equipment_calibrations FOR EACH ROW EXECUTE FUNCTION touch_by_calibration();
CREATE TRIGGER touches AFTER INSERT ON equipment_checks FOR EACH ROW EXECUTE FUNCTION touch_by_check();
CREATE TRIGGER touches AFTER INSERT ON titrant_factors FOR EACH ROW EXECUTE FUNCTION touch_by_factor();
CREATE TRIGGER touches AFTER INSERT ON state_moves FOR EACH ROW EXECUTE FUNCTION touch_by_move();

-- What had happened before signatures of an earlier release got their pins.
CREATE FUNCTION touch_past() RETURNS void
    LANGUAGE plpgsql
AS $$
DECLARE
    act jsonb := nullif(current_setting('ferrotitre.act', true), '')::jsonb;
    past record;
BEGIN
    FOR past IN
        SELECT 'test_portions' AS kind, id, supersedes AS touched, NULL::timestamptz AS since, true AS figures, 'test portion corrected: ' || reason AS words, recorded_at FROM test_portions WHERE supersedes IS NOT NULL
        UNION ALL SELECT 'samples', id, supersedes, NULL, true, format('sample %s corrected: %s', code, reason), recorded_at FROM samples WHERE supersedes IS NOT NULL
        UNION ALL SELECT 'equipment', id, supersedes, NULL, true, format('equipment %s corrected: %s', code, reason), recorded_at FROM equipment WHERE supersedes IS NOT NULL
        UNION ALL SELECT 'primary_standards', id, supersedes, NULL, true, format('certificate of %s corrected: %s', code, reason), recorded_at FROM primary_standards WHERE supersedes IS NOT NULL
        UNION ALL SELECT 'blanks', id, supersedes, NULL, true, 'blank corrected: ' || reason, recorded_at FROM blanks WHERE supersedes IS NOT NULL
        UNION ALL SELECT 'equipment_calibrations', c.id, d.id, c.calibrated_on::timestamp AT TIME ZONE 'UTC', true, format('calibration %s recorded later, valid from %s', c.certificate, c.calibrated_on), c.recorded_at
            FROM equipment_calibrations c JOIN LATERAL (SELECT o.id FROM equipment_calibrations o WHERE o.equipment_id = c.equipment_id AND o.calibrated_on < c.calibrated_on ORDER BY o.calibrated_on DESC LIMIT 1) d ON true
        UNION ALL SELECT 'state_moves', m.id, v.id, NULL, false, format('primary standard %s withdrawn: %s', v.code, m.reason), m.recorded_at
            FROM state_moves m JOIN primary_standards v ON v.record_id = m.entity_id WHERE m.entity_kind = 'primary_standards' AND m.to_state = 'withdrawn'
        UNION ALL SELECT 'state_moves', m.id, t.id, NULL, false, format('titrant lot %s withdrawn: %s', t.code, m.reason), m.recorded_at
            FROM state_moves m JOIN titrants t ON t.id = m.entity_id WHERE m.entity_kind = 'titrants' AND m.to_state = 'withdrawn'
        UNION ALL SELECT 'state_moves', m.id, r.id, NULL, false, format('run %s rejected: %s', r.code, m.reason), m.recorded_at
            FROM state_moves m JOIN runs r ON r.id = m.entity_id WHERE m.entity_kind = 'runs' AND m.to_state = 'rejected'
    LOOP
        IF EXISTS (SELECT FROM pins p JOIN sign_offs s ON s.id = p.sign_off_id CROSS JOIN LATERAL unnest(p.row_ids, p.used_at) u (id, at)
                   WHERE p.row_ids @> ARRAY[past.touched] AND s.recorded_at < past.recorded_at AND u.id = past.touched AND (past.since IS NULL OR u.at >= past.since)) THEN
            INSERT INTO impacts (id, cause_kind, cause_id, touched_id, since, figures, what, recorded_by)
            VALUES (uuid_by_time(), past.kind, past.id, past.touched, past.since, past.figures, coalesce(past.words, 'touched'), (act ->> 'actor')::uuid)
            ON CONFLICT ON CONSTRAINT impacts_once DO NOTHING;
        END IF;
    END LOOP;
END
$$;
COMMENT ON FUNCTION touch_past() IS 'Notes what touched signatures of an earlier release, once they have pins.';

ALTER TABLE nonconformities DROP CONSTRAINT nonconformities_source_rule;
ALTER TABLE nonconformities ADD CONSTRAINT nonconformities_source_rule CHECK (source IN ('rule violation','run rejection','repeated run rejection','failed equipment check','withdrawn lot','negative iron(III)','signed result touched','complaint','audit','proficiency test','other'));
