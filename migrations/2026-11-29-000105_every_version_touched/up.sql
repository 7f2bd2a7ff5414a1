-- A correction of a correction touches what stands over every version before it, not only the last: a result may have been signed
-- over the first, and left as it was when the second came.
CREATE OR REPLACE FUNCTION touch_superseded() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    code text := coalesce(' ' || (to_jsonb(NEW) ->> 'code'), '');
    one uuid;
BEGIN
    IF NEW.supersedes IS NOT NULL THEN
        FOR one IN EXECUTE format('SELECT id FROM %I.%I WHERE record_id = $1 AND version < $2 ORDER BY version', TG_TABLE_SCHEMA, TG_TABLE_NAME)
                   USING NEW.record_id, NEW.version LOOP
            PERFORM touch(TG_TABLE_NAME, NEW.id, one, NULL, true, TG_ARGV[0] || code || ' corrected: ' || NEW.reason);
        END LOOP;
    END IF;
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION touch_superseded() IS 'A correction touches what stands over any version before; the argument is what people call the thing.';

CREATE FUNCTION calibrations_before(calibration uuid) RETURNS SETOF uuid
    LANGUAGE sql STABLE
AS $$
    WITH RECURSIVE before AS (SELECT k.corrects_id AS id FROM calibration_corrections k WHERE k.calibration_id = calibration
        UNION SELECT k.corrects_id FROM calibration_corrections k JOIN before b ON k.calibration_id = b.id)
    SELECT id FROM before
$$;
COMMENT ON FUNCTION calibrations_before(uuid) IS 'Calibrations whose place this one took, however often they were corrected.';

CREATE OR REPLACE FUNCTION touch_by_calibration() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    code text := (SELECT e.code FROM equipment e WHERE e.record_id = NEW.equipment_id ORDER BY version DESC LIMIT 1);
    corrected calibration_corrections := (SELECT k FROM calibration_corrections k WHERE k.calibration_id = NEW.id);
    displaced uuid;
    one uuid;
BEGIN
    IF corrected.id IS NOT NULL THEN
        FOR one IN SELECT calibrations_before(NEW.id) LOOP
            PERFORM touch('equipment_calibrations', NEW.id, one, NULL, true,
                          format('calibration %s of %s corrected: %s', NEW.certificate, code, corrected.reason));
        END LOOP;
    END IF;
    -- What was measured on or after its day with the calibration before it, in whichever version.
    SELECT c.id INTO displaced FROM equipment_calibrations c WHERE c.equipment_id = NEW.equipment_id AND c.calibrated_on < NEW.calibrated_on
        AND NOT EXISTS (SELECT FROM calibration_corrections k WHERE k.corrects_id = c.id) ORDER BY c.calibrated_on DESC LIMIT 1;
    IF displaced IS NOT NULL THEN
        FOR one IN SELECT displaced UNION ALL SELECT calibrations_before(displaced) LOOP
            PERFORM touch('equipment_calibrations', NEW.id, one, NEW.calibrated_on::timestamp AT TIME ZONE 'UTC', true,
                          format('calibration %s of %s recorded later, valid from %s', NEW.certificate, code, NEW.calibrated_on));
        END LOOP;
    END IF;
    RETURN NULL;
END
$$;

CREATE OR REPLACE FUNCTION touch_by_move() RETURNS trigger
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
        FOR one IN SELECT v.id FROM blanks b JOIN blanks v ON v.record_id = b.record_id AND v.version <= b.version
                   WHERE b.id = NEW.entity_id ORDER BY v.version LOOP
            PERFORM touch('state_moves', NEW.id, one, NULL, true, 'blank rejected' || why);
        END LOOP;
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

-- What was not noted so far, because the signature stands over an earlier version than the last before the correction.
SELECT set_config('ferrotitre.act', '{"kind": "system", "action": "migrate"}', true);
SELECT touch('test_portions', n.id, o.id, NULL, true, 'test portion corrected: ' || n.reason)
    FROM test_portions n JOIN test_portions o ON o.record_id = n.record_id AND o.version < n.version - 1;
SELECT touch('samples', n.id, o.id, NULL, true, format('sample %s corrected: %s', n.code, n.reason))
    FROM samples n JOIN samples o ON o.record_id = n.record_id AND o.version < n.version - 1;
SELECT touch('equipment', n.id, o.id, NULL, true, format('equipment %s corrected: %s', n.code, n.reason))
    FROM equipment n JOIN equipment o ON o.record_id = n.record_id AND o.version < n.version - 1;
SELECT touch('primary_standards', n.id, o.id, NULL, true, format('certificate of %s corrected: %s', n.code, n.reason))
    FROM primary_standards n JOIN primary_standards o ON o.record_id = n.record_id AND o.version < n.version - 1;
SELECT touch('titrant_preparations', n.id, o.id, NULL, true, 'preparation corrected: ' || n.reason)
    FROM titrant_preparations n JOIN titrant_preparations o ON o.record_id = n.record_id AND o.version < n.version - 1;
SELECT touch('blanks', n.id, o.id, NULL, true, 'blank corrected: ' || n.reason)
    FROM blanks n JOIN blanks o ON o.record_id = n.record_id AND o.version < n.version - 1;
SELECT touch('equipment_calibrations', c.id, before, NULL, true,
             format('calibration %s corrected: %s', c.certificate, k.reason))
    FROM equipment_calibrations c JOIN calibration_corrections k ON k.calibration_id = c.id CROSS JOIN LATERAL calibrations_before(k.corrects_id) before;
SELECT set_config('ferrotitre.act', '', true);
