CREATE TABLE validation_studies (
    id uuid CONSTRAINT validation_studies_pk PRIMARY KEY,
    code text NOT NULL CONSTRAINT validation_studies_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$') CONSTRAINT validation_studies_code_once UNIQUE,
    title text NOT NULL,
    purpose text NOT NULL,
    method_id uuid NOT NULL CONSTRAINT validation_studies_method_id REFERENCES methods (id),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT validation_studies_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE validation_studies IS 'Validation studies: the plan of one method version, written before its data.';
COMMENT ON COLUMN validation_studies.id IS 'Identity.';
COMMENT ON COLUMN validation_studies.code IS 'Code.';
COMMENT ON COLUMN validation_studies.title IS 'Title.';
COMMENT ON COLUMN validation_studies.purpose IS 'What the method shall be good for.';
COMMENT ON COLUMN validation_studies.method_id IS 'Method version under study.';
COMMENT ON COLUMN validation_studies.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN validation_studies.recorded_by IS 'Author of the plan.';
CREATE INDEX validation_studies_method_id_index ON validation_studies (method_id);
CREATE INDEX validation_studies_recorded_by_index ON validation_studies (recorded_by);
SELECT make_record_table('validation_studies');

CREATE TABLE validation_characteristics (
    id uuid CONSTRAINT validation_characteristics_pk PRIMARY KEY,
    study_id uuid NOT NULL CONSTRAINT validation_characteristics_study_id REFERENCES validation_studies (id),
    position integer NOT NULL CONSTRAINT validation_characteristics_position_rule CHECK (position BETWEEN 1 AND 100),
    kind text NOT NULL CONSTRAINT validation_characteristics_kind_rule CHECK (kind IN ('repeatability','intermediate precision','trueness','recovery','linearity','detection','detection by difference','ruggedness','selectivity','stability','method comparison','competence','uncertainty')),
    title text NOT NULL,
    unit text NOT NULL CONSTRAINT validation_characteristics_unit_rule CHECK (unit IN ('mol/L','g/L','mg/L','% m/m','mol/kg','mL','%')),
    planned_n integer NOT NULL CONSTRAINT validation_characteristics_planned_n_rule CHECK (planned_n BETWEEN 1 AND 10000),
    design jsonb NOT NULL,
    limits jsonb NOT NULL CONSTRAINT validation_characteristics_limits_rule CHECK (jsonb_typeof(limits) = 'array' AND jsonb_array_length(limits) >= 1),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT validation_characteristics_recorded_by REFERENCES accounts (id),
    CONSTRAINT validation_characteristics_position_once UNIQUE (study_id, position)
);
COMMENT ON TABLE validation_characteristics IS 'Performance characteristics of a plan: design, size and limits of acceptance, set before the data.';
COMMENT ON COLUMN validation_characteristics.id IS 'Identity.';
COMMENT ON COLUMN validation_characteristics.study_id IS 'Study.';
COMMENT ON COLUMN validation_characteristics.position IS 'Which of the plan, from 1.';
COMMENT ON COLUMN validation_characteristics.kind IS 'What is studied.';
COMMENT ON COLUMN validation_characteristics.title IS 'What is studied, in words.';
COMMENT ON COLUMN validation_characteristics.unit IS 'Unit of the data.';
COMMENT ON COLUMN validation_characteristics.planned_n IS 'Data planned.';
COMMENT ON COLUMN validation_characteristics.design IS 'Factors, levels, sizes and settings of the design.';
COMMENT ON COLUMN validation_characteristics.limits IS 'Limits of acceptance: statistic, what must lie between them, limits and unit.';
COMMENT ON COLUMN validation_characteristics.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN validation_characteristics.recorded_by IS 'Account that recorded it.';
CREATE INDEX validation_characteristics_recorded_by_index ON validation_characteristics (recorded_by);
SELECT make_record_table('validation_characteristics');

CREATE TABLE validation_amendments (
    id uuid CONSTRAINT validation_amendments_pk PRIMARY KEY,
    characteristic_id uuid NOT NULL CONSTRAINT validation_amendments_characteristic_id REFERENCES validation_characteristics (id),
    number integer NOT NULL CONSTRAINT validation_amendments_number_rule CHECK (number >= 1),
    old_limits jsonb NOT NULL,
    limits jsonb NOT NULL CONSTRAINT validation_amendments_limits_rule CHECK (jsonb_typeof(limits) = 'array' AND jsonb_array_length(limits) >= 1),
    reason text NOT NULL CONSTRAINT validation_amendments_reason_rule CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT validation_amendments_recorded_by REFERENCES accounts (id),
    CONSTRAINT validation_amendments_number_once UNIQUE (characteristic_id, number)
);
COMMENT ON TABLE validation_amendments IS 'Late changes of limits of acceptance: proposed by one person, approved by another, shown in every reading.';
COMMENT ON COLUMN validation_amendments.id IS 'Identity.';
COMMENT ON COLUMN validation_amendments.characteristic_id IS 'Characteristic.';
COMMENT ON COLUMN validation_amendments.number IS 'Which amendment of the characteristic, from 1.';
COMMENT ON COLUMN validation_amendments.old_limits IS 'Limits in force when it was proposed.';
COMMENT ON COLUMN validation_amendments.limits IS 'Limits proposed.';
COMMENT ON COLUMN validation_amendments.reason IS 'Why.';
COMMENT ON COLUMN validation_amendments.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN validation_amendments.recorded_by IS 'Account that recorded it.';
CREATE INDEX validation_amendments_recorded_by_index ON validation_amendments (recorded_by);
SELECT make_record_table('validation_amendments');

CREATE TABLE validation_data (
    id uuid CONSTRAINT validation_data_pk PRIMARY KEY,
    characteristic_id uuid NOT NULL CONSTRAINT validation_data_characteristic_id REFERENCES validation_characteristics (id),
    position integer NOT NULL CONSTRAINT validation_data_position_rule CHECK (position >= 1),
    value numeric NOT NULL,
    standard_uncertainty numeric CONSTRAINT validation_data_standard_uncertainty_rule CHECK (standard_uncertainty >= 0),
    labels jsonb NOT NULL,
    source text NOT NULL CONSTRAINT validation_data_source_rule CHECK (source IN ('determination','table','person')),
    determination_id uuid CONSTRAINT validation_data_determination_id REFERENCES determinations (id),
    content_digest text CONSTRAINT validation_data_content_digest_rule CHECK (content_digest ~ '^[0-9a-f]{64}$'),
    file_id uuid CONSTRAINT validation_data_file_id REFERENCES imported_files (id),
    line integer CONSTRAINT validation_data_line_rule CHECK (line >= 3),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT validation_data_recorded_by REFERENCES accounts (id),
    CONSTRAINT validation_data_position_once UNIQUE (characteristic_id, position),
    CONSTRAINT validation_data_determination_once UNIQUE (characteristic_id, determination_id),
    CONSTRAINT validation_data_origin CHECK ((source = 'determination') = (determination_id IS NOT NULL) AND (source = 'determination') = (content_digest IS NOT NULL) AND (source = 'table') = (file_id IS NOT NULL) AND (source = 'table') = (line IS NOT NULL))
);
COMMENT ON TABLE validation_data IS 'Data of validation studies, each with where it comes from; never removed.';
COMMENT ON COLUMN validation_data.id IS 'Identity.';
COMMENT ON COLUMN validation_data.characteristic_id IS 'Characteristic.';
COMMENT ON COLUMN validation_data.position IS 'Which of the characteristic, from 1.';
COMMENT ON COLUMN validation_data.value IS 'Value in the unit of the characteristic.';
COMMENT ON COLUMN validation_data.standard_uncertainty IS 'Standard uncertainty of the value, if known, in the unit.';
COMMENT ON COLUMN validation_data.labels IS 'Where it belongs in the design: group, taken, added, hours, pair, arm, run, analyst, burette, lot, note.';
COMMENT ON COLUMN validation_data.source IS 'A determination of the record, a row of an imported table, or a person.';
COMMENT ON COLUMN validation_data.determination_id IS 'Determination whose evaluation gave the value.';
COMMENT ON COLUMN validation_data.content_digest IS 'Digest of that evaluation''s content when the value was taken.';
COMMENT ON COLUMN validation_data.file_id IS 'Imported file.';
COMMENT ON COLUMN validation_data.line IS 'Line of the file.';
COMMENT ON COLUMN validation_data.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN validation_data.recorded_by IS 'Account that recorded it.';
CREATE INDEX validation_data_determination_id_index ON validation_data (determination_id);
CREATE INDEX validation_data_file_id_index ON validation_data (file_id);
CREATE INDEX validation_data_recorded_by_index ON validation_data (recorded_by);
SELECT make_record_table('validation_data');

CREATE TABLE validation_exclusions (
    id uuid CONSTRAINT validation_exclusions_pk PRIMARY KEY,
    datum_id uuid NOT NULL CONSTRAINT validation_exclusions_datum_id REFERENCES validation_data (id),
    cause text NOT NULL,
    evidence text NOT NULL CONSTRAINT validation_exclusions_evidence_rule CHECK (length(btrim(evidence)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT validation_exclusions_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE validation_exclusions IS 'Data left out with an assigned cause: proposed by one person, signed by another.';
COMMENT ON COLUMN validation_exclusions.id IS 'Identity.';
COMMENT ON COLUMN validation_exclusions.datum_id IS 'Datum.';
COMMENT ON COLUMN validation_exclusions.cause IS 'Assigned cause.';
COMMENT ON COLUMN validation_exclusions.evidence IS 'What shows it.';
COMMENT ON COLUMN validation_exclusions.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN validation_exclusions.recorded_by IS 'Account that recorded it.';
CREATE INDEX validation_exclusions_datum_id_index ON validation_exclusions (datum_id);
CREATE INDEX validation_exclusions_recorded_by_index ON validation_exclusions (recorded_by);
SELECT make_record_table('validation_exclusions');

CREATE TABLE validation_conclusions (
    id uuid CONSTRAINT validation_conclusions_pk PRIMARY KEY,
    study_id uuid NOT NULL CONSTRAINT validation_conclusions_study_id REFERENCES validation_studies (id),
    number integer NOT NULL CONSTRAINT validation_conclusions_number_rule CHECK (number >= 1),
    fit boolean NOT NULL,
    words text NOT NULL,
    validated_low numeric NOT NULL,
    validated_high numeric NOT NULL,
    unit text NOT NULL CONSTRAINT validation_conclusions_unit_rule CHECK (unit IN ('mol/L','g/L','mg/L','% m/m','mol/kg')),
    matrix text NOT NULL,
    limitations text NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT validation_conclusions_recorded_by REFERENCES accounts (id),
    CONSTRAINT validation_conclusions_number_once UNIQUE (study_id, number),
    CONSTRAINT validation_conclusions_range CHECK (validated_low < validated_high)
);
COMMENT ON TABLE validation_conclusions IS 'Conclusions of validation studies, signed by their authors.';
COMMENT ON COLUMN validation_conclusions.id IS 'Identity.';
COMMENT ON COLUMN validation_conclusions.study_id IS 'Study.';
COMMENT ON COLUMN validation_conclusions.number IS 'Which conclusion of the study, from 1; an earlier one was returned.';
COMMENT ON COLUMN validation_conclusions.fit IS 'Whether the method is fit for the purpose.';
COMMENT ON COLUMN validation_conclusions.words IS 'The conclusion.';
COMMENT ON COLUMN validation_conclusions.validated_low IS 'Lower end of the validated range.';
COMMENT ON COLUMN validation_conclusions.validated_high IS 'Upper end of the validated range.';
COMMENT ON COLUMN validation_conclusions.unit IS 'Unit of the range.';
COMMENT ON COLUMN validation_conclusions.matrix IS 'Validated matrix.';
COMMENT ON COLUMN validation_conclusions.limitations IS 'Residual limitations.';
COMMENT ON COLUMN validation_conclusions.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN validation_conclusions.recorded_by IS 'Author of the conclusion.';
CREATE INDEX validation_conclusions_recorded_by_index ON validation_conclusions (recorded_by);
SELECT make_record_table('validation_conclusions');

-- The plan is frozen before its first datum by the store itself, not only by the service: whoever writes with the service's
-- role can neither add to an approved plan nor record data for one that is not approved.
CREATE FUNCTION validation_state(study uuid) RETURNS text
    LANGUAGE sql STABLE
AS $$
    SELECT coalesce((SELECT to_state FROM state_moves WHERE entity_id = study ORDER BY position DESC LIMIT 1), 'planned')
$$;
COMMENT ON FUNCTION validation_state(uuid) IS 'Present state of a validation study.';

CREATE FUNCTION refuse_after_approval() RETURNS trigger
    LANGUAGE plpgsql
AS $$
BEGIN
    IF validation_state(NEW.study_id) <> 'planned' THEN
        RAISE EXCEPTION 'the plan of the study is frozen: a late change of its limits is an amendment'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'validation_plan_frozen';
    END IF;
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION refuse_after_approval() IS 'Refuses additions to a plan that was decided on.';

CREATE FUNCTION refuse_unless_running() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    state text := (SELECT validation_state(study_id) FROM validation_characteristics WHERE id = NEW.characteristic_id);
BEGIN
    IF state IS DISTINCT FROM 'running' THEN
        RAISE EXCEPTION 'the study is %, not running', state
            USING ERRCODE = 'check_violation', CONSTRAINT = 'validation_study_running';
    END IF;
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION refuse_unless_running() IS 'Refuses data and amendments unless the plan is approved and the study not concluded.';

CREATE FUNCTION refuse_exclusion_unless_running() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    state text := (SELECT validation_state(c.study_id) FROM validation_data d JOIN validation_characteristics c ON c.id = d.characteristic_id WHERE d.id = NEW.datum_id);
BEGIN
    IF state IS DISTINCT FROM 'running' THEN
        RAISE EXCEPTION 'the study is %, not running', state
            USING ERRCODE = 'check_violation', CONSTRAINT = 'validation_study_running';
    END IF;
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION refuse_exclusion_unless_running() IS 'Refuses exclusions unless the study is running.';

CREATE TRIGGER plan_frozen BEFORE INSERT ON validation_characteristics FOR EACH ROW EXECUTE FUNCTION refuse_after_approval();
CREATE TRIGGER study_running BEFORE INSERT ON validation_data FOR EACH ROW EXECUTE FUNCTION refuse_unless_running();
CREATE TRIGGER study_running BEFORE INSERT ON validation_exclusions FOR EACH ROW EXECUTE FUNCTION refuse_exclusion_unless_running();
CREATE TRIGGER study_running BEFORE INSERT ON validation_amendments FOR EACH ROW EXECUTE FUNCTION refuse_unless_running();

ALTER TABLE imported_files DROP CONSTRAINT imported_files_purpose_rule;
ALTER TABLE imported_files ADD CONSTRAINT imported_files_purpose_rule CHECK (purpose IN ('control values','validation data'));
COMMENT ON COLUMN imported_files.subject_id IS 'What they belong to: the chart, or the characteristic of a validation study.';
