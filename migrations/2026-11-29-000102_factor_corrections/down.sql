CREATE OR REPLACE FUNCTION touch_by_factor() RETURNS trigger
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
DROP TRIGGER before_it ON titrant_factors;
CREATE TRIGGER before_it BEFORE INSERT ON titrant_factors FOR EACH ROW EXECUTE FUNCTION hold_titrant();
DROP FUNCTION one_factor_a_moment();
DROP INDEX titrant_factors_start_index;
-- A factor that was corrected and the one from the same moment that took its place both stay; the rule goes on for all others
-- under the name that the release before knows.
DO $$
DECLARE
    corrected text := (SELECT array_agg(corrects_id ORDER BY corrects_id)::text FROM factor_corrections);
BEGIN
    IF corrected IS NULL THEN
        ALTER TABLE titrant_factors ADD CONSTRAINT titrant_factors_start_once UNIQUE (titrant_id, valid_from);
    ELSE
        EXECUTE format('ALTER TABLE titrant_factors ADD CONSTRAINT titrant_factors_start_once EXCLUDE '
            'USING btree (titrant_id WITH =, valid_from WITH =) WHERE (id <> ALL (%L::uuid[]))', corrected);
    END IF;
END
$$;
DROP TABLE factor_corrections;
