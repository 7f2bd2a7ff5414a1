-- What was noted meanwhile stays.
CREATE OR REPLACE FUNCTION touch_superseded() RETURNS trigger
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

CREATE OR REPLACE FUNCTION touch_by_calibration() RETURNS trigger
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
DROP FUNCTION calibrations_before(uuid);
