-- A factor that comes out differently once something it rests on was corrected takes the place of the one before, from the same
-- moment. What was signed stands over the one before and stays; what is not signed reads the one in its place.

-- The line is written before the factor it announces, so that the factor's own triggers know what it corrects.
CREATE TABLE factor_corrections (
    id uuid CONSTRAINT factor_corrections_pk PRIMARY KEY,
    factor_id uuid NOT NULL CONSTRAINT factor_corrections_factor_once UNIQUE CONSTRAINT factor_corrections_factor_id REFERENCES titrant_factors (id) DEFERRABLE INITIALLY DEFERRED,
    corrects_id uuid NOT NULL CONSTRAINT factor_corrections_once UNIQUE CONSTRAINT factor_corrections_corrects_id REFERENCES titrant_factors (id),
    reason text NOT NULL CONSTRAINT factor_corrections_reason_rule CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT factor_corrections_recorded_by REFERENCES accounts (id),
    CONSTRAINT factor_corrections_two CHECK (factor_id <> corrects_id)
);
COMMENT ON TABLE factor_corrections IS 'Which factor takes the place of which; both stay.';
COMMENT ON COLUMN factor_corrections.id IS 'Identity.';
COMMENT ON COLUMN factor_corrections.factor_id IS 'The factor as it should be.';
COMMENT ON COLUMN factor_corrections.corrects_id IS 'The factor whose place it takes; each can be corrected once.';
COMMENT ON COLUMN factor_corrections.reason IS 'Why its preparation or standardisation was amended.';
COMMENT ON COLUMN factor_corrections.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN factor_corrections.recorded_by IS 'Manager who released or approved it.';
CREATE INDEX factor_corrections_recorded_by_index ON factor_corrections (recorded_by);
SELECT make_record_table('factor_corrections');

-- A moment has one factor that counts; what was corrected does not.
ALTER TABLE titrant_factors DROP CONSTRAINT titrant_factors_start_once;
CREATE INDEX titrant_factors_start_index ON titrant_factors (titrant_id, valid_from);
CREATE FUNCTION one_factor_a_moment() RETURNS trigger
    LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM hold(ARRAY[NEW.titrant_id]);
    IF EXISTS (SELECT FROM titrant_factors f WHERE f.titrant_id = NEW.titrant_id AND f.valid_from = NEW.valid_from
               AND NOT EXISTS (SELECT FROM factor_corrections k WHERE k.corrects_id = f.id)) THEN
        RAISE EXCEPTION 'a factor begins at that moment' USING ERRCODE = 'unique_violation', CONSTRAINT = 'titrant_factors_start_once';
    END IF;
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION one_factor_a_moment() IS 'Refuses a second factor of a moment, unless it corrects the first; holds the titrant lot.';
DROP TRIGGER before_it ON titrant_factors;
CREATE TRIGGER before_it BEFORE INSERT ON titrant_factors FOR EACH ROW EXECUTE FUNCTION one_factor_a_moment();

CREATE OR REPLACE FUNCTION touch_by_factor() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    corrected factor_corrections := (SELECT k FROM factor_corrections k WHERE k.factor_id = NEW.id);
    code text := (SELECT t.code FROM titrants t WHERE t.id = NEW.titrant_id);
    one uuid;
BEGIN
    IF corrected.id IS NOT NULL THEN
        -- Signatures stand over whichever factor of them all was in force when they were made.
        FOR one IN WITH RECURSIVE before AS (SELECT corrected.corrects_id AS id
                   UNION SELECT k.corrects_id FROM factor_corrections k JOIN before b ON k.factor_id = b.id) SELECT id FROM before LOOP
            PERFORM touch('titrant_factors', NEW.id, one, NULL, true, format('factor of %s corrected: %s', code, corrected.reason));
        END LOOP;
        RETURN NULL;
    END IF;
    -- What was titrated in its time with the one before it, in whichever version.
    FOR one IN SELECT f.id FROM titrant_factors f WHERE f.titrant_id = NEW.titrant_id AND f.valid_from =
               (SELECT max(e.valid_from) FROM titrant_factors e WHERE e.titrant_id = NEW.titrant_id AND e.valid_from < NEW.valid_from) LOOP
        PERFORM touch('titrant_factors', NEW.id, one, NEW.valid_from, true,
                      format('a factor of %s recorded later, in force from %s', code,
                             to_char(NEW.valid_from AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI "UTC"')));
    END LOOP;
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION touch_by_factor() IS 'A factor touches what stands over the ones it corrects, or what was titrated in its time with the one before it.';
