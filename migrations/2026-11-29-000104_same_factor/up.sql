-- A corrected factor that comes to the same as one before changes no figure of what stands over that one.
CREATE OR REPLACE FUNCTION touch_by_factor() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    corrected factor_corrections := (SELECT k FROM factor_corrections k WHERE k.factor_id = NEW.id);
    code text := (SELECT t.code FROM titrants t WHERE t.id = NEW.titrant_id);
    one titrant_factors;
BEGIN
    IF corrected.id IS NOT NULL THEN
        -- Signatures stand over whichever factor of them all was in force when they were made.
        FOR one IN WITH RECURSIVE before AS (SELECT corrected.corrects_id AS id
                   UNION SELECT k.corrects_id FROM factor_corrections k JOIN before b ON k.factor_id = b.id)
                   SELECT f.* FROM titrant_factors f JOIN before b ON b.id = f.id LOOP
            PERFORM touch('titrant_factors', NEW.id, one.id, NULL,
                          (NEW.concentration, NEW.standard_uncertainty, NEW.degrees_of_freedom)
                              IS DISTINCT FROM (one.concentration, one.standard_uncertainty, one.degrees_of_freedom),
                          format('factor of %s corrected: %s', code, corrected.reason));
        END LOOP;
        RETURN NULL;
    END IF;
    -- What was titrated in its time with the one before it, in whichever version.
    FOR one IN SELECT f.* FROM titrant_factors f WHERE f.titrant_id = NEW.titrant_id AND f.valid_from =
               (SELECT max(e.valid_from) FROM titrant_factors e WHERE e.titrant_id = NEW.titrant_id AND e.valid_from < NEW.valid_from) LOOP
        PERFORM touch('titrant_factors', NEW.id, one.id, NEW.valid_from, true,
                      format('a factor of %s recorded later, in force from %s', code,
                             to_char(NEW.valid_from AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI "UTC"')));
    END LOOP;
    RETURN NULL;
END
$$;
