CREATE SEQUENCE run_codes;
GRANT USAGE ON run_codes TO ferrotitre_app;
CREATE SEQUENCE determination_codes;
GRANT USAGE ON determination_codes TO ferrotitre_app;

CREATE TABLE concessions (
    id uuid CONSTRAINT concessions_pk PRIMARY KEY,
    item_kind text NOT NULL CONSTRAINT concessions_item_kind_rule CHECK (item_kind IN ('titrants','primary_standards','reagents','equipment')),
    item_id uuid NOT NULL,
    reason text NOT NULL CONSTRAINT concessions_reason_rule CHECK (length(btrim(reason)) >= 5),
    valid_from timestamptz NOT NULL,
    valid_to timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT concessions_recorded_by REFERENCES accounts (id),
    CONSTRAINT concessions_window CHECK (valid_to > valid_from)
);
COMMENT ON TABLE concessions IS 'Requests to use an expired or overdue item; in force once two managers have approved, and printed on the report.';
COMMENT ON COLUMN concessions.id IS 'Identity.';
COMMENT ON COLUMN concessions.item_kind IS 'Kind of item, by the name of its table.';
COMMENT ON COLUMN concessions.item_id IS 'The item.';
COMMENT ON COLUMN concessions.reason IS 'Why it may be used all the same.';
COMMENT ON COLUMN concessions.valid_from IS 'From when.';
COMMENT ON COLUMN concessions.valid_to IS 'Until when.';
COMMENT ON COLUMN concessions.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN concessions.recorded_by IS 'Account that recorded it.';
CREATE INDEX concessions_recorded_by_index ON concessions (recorded_by);
CREATE INDEX concessions_item ON concessions (item_id);
SELECT make_record_table('concessions');

CREATE TABLE runs (
    id uuid CONSTRAINT runs_pk PRIMARY KEY,
    code text NOT NULL CONSTRAINT runs_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$') CONSTRAINT runs_code_once UNIQUE,
    method_id uuid NOT NULL CONSTRAINT runs_method_id REFERENCES methods (id),
    bench text NOT NULL,
    environment_temperature numeric,
    note text,
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT runs_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE runs IS 'Analytical runs: the unit of acceptance.';
COMMENT ON COLUMN runs.id IS 'Identity.';
COMMENT ON COLUMN runs.code IS 'Code.';
COMMENT ON COLUMN runs.method_id IS 'Version of the method.';
COMMENT ON COLUMN runs.bench IS 'Bench.';
COMMENT ON COLUMN runs.environment_temperature IS 'Room temperature, C.';
COMMENT ON COLUMN runs.note IS 'Note.';
COMMENT ON COLUMN runs.observed_at IS 'Bench time, as the person or instrument gave it.';
COMMENT ON COLUMN runs.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN runs.recorded_by IS 'Account that recorded it.';
CREATE INDEX runs_method_id_index ON runs (method_id);
CREATE INDEX runs_recorded_by_index ON runs (recorded_by);
SELECT make_record_table('runs');

CREATE TABLE blanks (
    id uuid CONSTRAINT blanks_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT blanks_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT blanks_supersedes_once UNIQUE CONSTRAINT blanks_supersedes REFERENCES blanks (id),
    reason text CONSTRAINT blanks_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    run_id uuid NOT NULL CONSTRAINT blanks_run_id REFERENCES runs (id),
    kind text NOT NULL CONSTRAINT blanks_kind_rule CHECK (kind IN ('reagent','reagent with iron(II)','indicator')),
    titrant_id uuid NOT NULL CONSTRAINT blanks_titrant_id REFERENCES titrants (id),
    factor_id uuid NOT NULL CONSTRAINT blanks_factor_id REFERENCES titrant_factors (id),
    burette_id uuid NOT NULL CONSTRAINT blanks_burette_id REFERENCES equipment (id),
    calibration_id uuid NOT NULL CONSTRAINT blanks_calibration_id REFERENCES equipment_calibrations (id),
    initial_readings numeric[] NOT NULL,
    final_readings numeric[] NOT NULL CONSTRAINT blanks_final_readings_rule CHECK (cardinality(final_readings) = cardinality(initial_readings) AND cardinality(final_readings) >= 1),
    solution_temperature numeric,
    indicator text NOT NULL,
    indicator_drops integer CONSTRAINT blanks_indicator_drops_rule CHECK (indicator_drops >= 0),
    end_point text NOT NULL,
    iron_equivalent_ml numeric CONSTRAINT blanks_iron_equivalent_ml_rule CHECK (iron_equivalent_ml > 0),
    concession_id uuid CONSTRAINT blanks_concession_id REFERENCES concessions (id),
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT blanks_recorded_by REFERENCES accounts (id),
    CONSTRAINT blanks_version_once UNIQUE (record_id, version),
    CONSTRAINT blanks_iron CHECK ((kind = 'reagent with iron(II)') = (iron_equivalent_ml IS NOT NULL))
);
COMMENT ON TABLE blanks IS 'Blank titrations of a run.';
COMMENT ON COLUMN blanks.id IS 'Identity.';
COMMENT ON COLUMN blanks.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN blanks.version IS 'Version, from 1.';
COMMENT ON COLUMN blanks.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN blanks.reason IS 'Reason of the correction.';
COMMENT ON COLUMN blanks.run_id IS 'Run.';
COMMENT ON COLUMN blanks.kind IS 'Kind of blank.';
COMMENT ON COLUMN blanks.titrant_id IS 'Titrant lot.';
COMMENT ON COLUMN blanks.factor_id IS 'Factor in force at the time.';
COMMENT ON COLUMN blanks.burette_id IS 'Burette, first version.';
COMMENT ON COLUMN blanks.calibration_id IS 'Burette calibration in force at the time.';
COMMENT ON COLUMN blanks.initial_readings IS 'Burette readings before each segment, mL, as entered; a refill begins a new segment.';
COMMENT ON COLUMN blanks.final_readings IS 'Burette readings after each segment, mL, as entered.';
COMMENT ON COLUMN blanks.solution_temperature IS 'Temperature of the titrant, C.';
COMMENT ON COLUMN blanks.indicator IS 'Indicator, by its code.';
COMMENT ON COLUMN blanks.indicator_drops IS 'Drops of indicator.';
COMMENT ON COLUMN blanks.end_point IS 'End point as seen, in words.';
COMMENT ON COLUMN blanks.iron_equivalent_ml IS 'Titrant volume equivalent to the added iron(II), mL.';
COMMENT ON COLUMN blanks.concession_id IS 'Concession under which an expired or overdue item was used.';
COMMENT ON COLUMN blanks.observed_at IS 'Bench time, as the person or instrument gave it.';
COMMENT ON COLUMN blanks.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN blanks.recorded_by IS 'Account that recorded it.';
CREATE INDEX blanks_run_id_index ON blanks (run_id);
CREATE INDEX blanks_titrant_id_index ON blanks (titrant_id);
CREATE INDEX blanks_factor_id_index ON blanks (factor_id);
CREATE INDEX blanks_burette_id_index ON blanks (burette_id);
CREATE INDEX blanks_calibration_id_index ON blanks (calibration_id);
CREATE INDEX blanks_concession_id_index ON blanks (concession_id);
CREATE INDEX blanks_recorded_by_index ON blanks (recorded_by);
SELECT make_record_table('blanks');

CREATE TABLE determinations (
    id uuid CONSTRAINT determinations_pk PRIMARY KEY,
    code text NOT NULL CONSTRAINT determinations_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$') CONSTRAINT determinations_code_once UNIQUE,
    run_id uuid NOT NULL CONSTRAINT determinations_run_id REFERENCES runs (id),
    method_id uuid NOT NULL CONSTRAINT determinations_method_id REFERENCES methods (id),
    sample_id uuid NOT NULL CONSTRAINT determinations_sample_id REFERENCES samples (id),
    portion_id uuid NOT NULL CONSTRAINT determinations_portion_id REFERENCES test_portions (id),
    purpose text NOT NULL CONSTRAINT determinations_purpose_rule CHECK (purpose IN ('sample','control')),
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT determinations_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE determinations IS 'Determinations of one analyte in one test portion.';
COMMENT ON COLUMN determinations.id IS 'Identity.';
COMMENT ON COLUMN determinations.code IS 'Code.';
COMMENT ON COLUMN determinations.run_id IS 'Run.';
COMMENT ON COLUMN determinations.method_id IS 'Version of the method.';
COMMENT ON COLUMN determinations.sample_id IS 'First version of the sample.';
COMMENT ON COLUMN determinations.portion_id IS 'First version of the test portion.';
COMMENT ON COLUMN determinations.purpose IS 'Sample or control material.';
COMMENT ON COLUMN determinations.observed_at IS 'Bench time, as the person or instrument gave it.';
COMMENT ON COLUMN determinations.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN determinations.recorded_by IS 'Account that recorded it.';
CREATE INDEX determinations_run_id_index ON determinations (run_id);
CREATE INDEX determinations_method_id_index ON determinations (method_id);
CREATE INDEX determinations_sample_id_index ON determinations (sample_id);
CREATE INDEX determinations_portion_id_index ON determinations (portion_id);
CREATE INDEX determinations_recorded_by_index ON determinations (recorded_by);
SELECT make_record_table('determinations');

CREATE TABLE titrations (
    id uuid CONSTRAINT titrations_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT titrations_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT titrations_supersedes_once UNIQUE CONSTRAINT titrations_supersedes REFERENCES titrations (id),
    reason text CONSTRAINT titrations_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    determination_id uuid NOT NULL CONSTRAINT titrations_determination_id REFERENCES determinations (id),
    position integer NOT NULL CONSTRAINT titrations_position_rule CHECK (position >= 1),
    kind text NOT NULL CONSTRAINT titrations_kind_rule CHECK (kind IN ('rough','accurate')),
    titrant_id uuid NOT NULL CONSTRAINT titrations_titrant_id REFERENCES titrants (id),
    factor_id uuid NOT NULL CONSTRAINT titrations_factor_id REFERENCES titrant_factors (id),
    burette_id uuid NOT NULL CONSTRAINT titrations_burette_id REFERENCES equipment (id),
    calibration_id uuid NOT NULL CONSTRAINT titrations_calibration_id REFERENCES equipment_calibrations (id),
    initial_readings numeric[] NOT NULL,
    final_readings numeric[] NOT NULL CONSTRAINT titrations_final_readings_rule CHECK (cardinality(final_readings) = cardinality(initial_readings) AND cardinality(final_readings) >= 1),
    solution_temperature numeric,
    indicator text NOT NULL,
    indicator_drops integer CONSTRAINT titrations_indicator_drops_rule CHECK (indicator_drops >= 0),
    end_point text NOT NULL,
    end_point_note text,
    reduction jsonb,
    oxidant_factor_id uuid CONSTRAINT titrations_oxidant_factor_id REFERENCES titrant_factors (id),
    oxidant_pipette_id uuid CONSTRAINT titrations_oxidant_pipette_id REFERENCES equipment (id),
    waste_stream text NOT NULL,
    concession_id uuid CONSTRAINT titrations_concession_id REFERENCES concessions (id),
    late boolean NOT NULL DEFAULT false,
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT titrations_recorded_by REFERENCES accounts (id),
    CONSTRAINT titrations_version_once UNIQUE (record_id, version),
    CONSTRAINT titrations_oxidant CHECK ((oxidant_factor_id IS NULL) = (oxidant_pipette_id IS NULL))
);
COMMENT ON TABLE titrations IS 'Titrations: every one made, with its readings as entered.';
COMMENT ON COLUMN titrations.id IS 'Identity.';
COMMENT ON COLUMN titrations.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN titrations.version IS 'Version, from 1.';
COMMENT ON COLUMN titrations.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN titrations.reason IS 'Reason of the correction.';
COMMENT ON COLUMN titrations.determination_id IS 'Determination.';
COMMENT ON COLUMN titrations.position IS 'Order of recording, from 1; kept by corrections.';
COMMENT ON COLUMN titrations.kind IS 'Rough or accurate; a rough titre never enters a mean.';
COMMENT ON COLUMN titrations.titrant_id IS 'Titrant lot.';
COMMENT ON COLUMN titrations.factor_id IS 'Factor in force at the time.';
COMMENT ON COLUMN titrations.burette_id IS 'Burette, first version.';
COMMENT ON COLUMN titrations.calibration_id IS 'Burette calibration in force at the time.';
COMMENT ON COLUMN titrations.initial_readings IS 'Burette readings before each segment, mL, as entered; a refill begins a new segment.';
COMMENT ON COLUMN titrations.final_readings IS 'Burette readings after each segment, mL, as entered.';
COMMENT ON COLUMN titrations.solution_temperature IS 'Temperature of the titrant, C.';
COMMENT ON COLUMN titrations.indicator IS 'Indicator, by its code.';
COMMENT ON COLUMN titrations.indicator_drops IS 'Drops of indicator.';
COMMENT ON COLUMN titrations.end_point IS 'End point as seen, in words.';
COMMENT ON COLUMN titrations.end_point_note IS 'Persistence, overrun, half-drops and anything else seen.';
COMMENT ON COLUMN titrations.reduction IS 'Reduction record: what was added, seen and waited, decimals as text; null for a direct titration.';
COMMENT ON COLUMN titrations.oxidant_factor_id IS 'Back-titration: factor of the oxidant added in excess.';
COMMENT ON COLUMN titrations.oxidant_pipette_id IS 'Back-titration: pipette that delivered it, first version.';
COMMENT ON COLUMN titrations.waste_stream IS 'Waste stream the titrated solution went to.';
COMMENT ON COLUMN titrations.concession_id IS 'Concession under which an expired or overdue item was used.';
COMMENT ON COLUMN titrations.late IS 'Saved more than the configured delay after it was observed.';
COMMENT ON COLUMN titrations.observed_at IS 'Bench time, as the person or instrument gave it.';
COMMENT ON COLUMN titrations.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN titrations.recorded_by IS 'Account that recorded it.';
CREATE INDEX titrations_determination_id_index ON titrations (determination_id);
CREATE INDEX titrations_titrant_id_index ON titrations (titrant_id);
CREATE INDEX titrations_factor_id_index ON titrations (factor_id);
CREATE INDEX titrations_burette_id_index ON titrations (burette_id);
CREATE INDEX titrations_calibration_id_index ON titrations (calibration_id);
CREATE INDEX titrations_oxidant_factor_id_index ON titrations (oxidant_factor_id);
CREATE INDEX titrations_oxidant_pipette_id_index ON titrations (oxidant_pipette_id);
CREATE INDEX titrations_concession_id_index ON titrations (concession_id);
CREATE INDEX titrations_recorded_by_index ON titrations (recorded_by);
CREATE UNIQUE INDEX titrations_order ON titrations (determination_id, position) WHERE version = 1;
SELECT make_record_table('titrations');

CREATE TABLE iron_results (
    id uuid CONSTRAINT iron_results_pk PRIMARY KEY,
    code text NOT NULL CONSTRAINT iron_results_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$') CONSTRAINT iron_results_code_once UNIQUE,
    sample_id uuid NOT NULL CONSTRAINT iron_results_sample_id REFERENCES samples (id),
    total_id uuid NOT NULL CONSTRAINT iron_results_total_id REFERENCES determinations (id),
    iron2_id uuid NOT NULL CONSTRAINT iron_results_iron2_id REFERENCES determinations (id),
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT iron_results_recorded_by REFERENCES accounts (id),
    CONSTRAINT iron_results_two CHECK (total_id <> iron2_id)
);
COMMENT ON TABLE iron_results IS 'Iron(III) by difference of total iron and iron(II) of one sample.';
COMMENT ON COLUMN iron_results.id IS 'Identity.';
COMMENT ON COLUMN iron_results.code IS 'Code.';
COMMENT ON COLUMN iron_results.sample_id IS 'First version of the sample.';
COMMENT ON COLUMN iron_results.total_id IS 'Determination of total iron.';
COMMENT ON COLUMN iron_results.iron2_id IS 'Determination of iron(II).';
COMMENT ON COLUMN iron_results.observed_at IS 'Bench time, as the person or instrument gave it.';
COMMENT ON COLUMN iron_results.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN iron_results.recorded_by IS 'Account that recorded it.';
CREATE INDEX iron_results_sample_id_index ON iron_results (sample_id);
CREATE INDEX iron_results_total_id_index ON iron_results (total_id);
CREATE INDEX iron_results_iron2_id_index ON iron_results (iron2_id);
CREATE INDEX iron_results_recorded_by_index ON iron_results (recorded_by);
SELECT make_record_table('iron_results');

CREATE TABLE sign_offs (
    id uuid CONSTRAINT sign_offs_pk PRIMARY KEY,
    entity_kind text NOT NULL,
    entity_id uuid NOT NULL,
    meaning text NOT NULL CONSTRAINT sign_offs_meaning_rule CHECK (meaning IN ('authored','reviewed','approved','rejected','witnessed')),
    printed_name text NOT NULL,
    statement text NOT NULL,
    content_digest text NOT NULL CONSTRAINT sign_offs_content_digest_rule CHECK (content_digest ~ '^[0-9a-f]{64}$'),
    evaluation text,
    formula_set text NOT NULL,
    reason text,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT sign_offs_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE sign_offs IS 'Signatures: what was signed, with what meaning, and the evaluation as it stood.';
COMMENT ON COLUMN sign_offs.id IS 'Identity.';
COMMENT ON COLUMN sign_offs.entity_kind IS 'Kind of thing, by the name of its table.';
COMMENT ON COLUMN sign_offs.entity_id IS 'The thing.';
COMMENT ON COLUMN sign_offs.meaning IS 'Meaning of the signature.';
COMMENT ON COLUMN sign_offs.printed_name IS 'Name of the signer as printed.';
COMMENT ON COLUMN sign_offs.statement IS 'The sentence signed.';
COMMENT ON COLUMN sign_offs.content_digest IS 'SHA-256 of the canonical text of what was signed.';
COMMENT ON COLUMN sign_offs.evaluation IS 'The evaluation as JSON text, bit for bit as it stood.';
COMMENT ON COLUMN sign_offs.formula_set IS 'Version of the formulae.';
COMMENT ON COLUMN sign_offs.reason IS 'Reason, where one is asked for.';
COMMENT ON COLUMN sign_offs.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN sign_offs.recorded_by IS 'Account that recorded it.';
CREATE INDEX sign_offs_recorded_by_index ON sign_offs (recorded_by);
CREATE INDEX sign_offs_entity ON sign_offs (entity_id, recorded_at);
SELECT make_record_table('sign_offs');
