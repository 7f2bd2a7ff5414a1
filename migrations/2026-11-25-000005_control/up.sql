CREATE SEQUENCE nonconformity_codes;
GRANT USAGE ON nonconformity_codes TO ferrotitre_app;

CREATE TABLE control_materials (
    id uuid CONSTRAINT control_materials_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT control_materials_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT control_materials_supersedes_once UNIQUE CONSTRAINT control_materials_supersedes REFERENCES control_materials (id),
    reason text CONSTRAINT control_materials_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    code text NOT NULL CONSTRAINT control_materials_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$'),
    kind text NOT NULL CONSTRAINT control_materials_kind_rule CHECK (kind IN ('CRM','RM','in-house','spiked')),
    description text NOT NULL,
    matrix text NOT NULL,
    supplier_lot text,
    assigned_value numeric,
    unit text NOT NULL CONSTRAINT control_materials_unit_rule CHECK (unit IN ('mol/L','g/L','mg/L','% m/m','mol/kg')),
    standard_uncertainty numeric CONSTRAINT control_materials_standard_uncertainty_rule CHECK (standard_uncertainty >= 0),
    certificate text,
    certificate_digest text CONSTRAINT control_materials_certificate_digest_rule CHECK (certificate_digest ~ '^[0-9a-f]{64}$'),
    homogeneity text,
    stability text,
    sample_id uuid CONSTRAINT control_materials_sample_id REFERENCES samples (id),
    expires_on date NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT control_materials_recorded_by REFERENCES accounts (id),
    CONSTRAINT control_materials_version_once UNIQUE (record_id, version),
    CONSTRAINT control_materials_code_once UNIQUE (code, version),
    CONSTRAINT control_materials_assigned CHECK ((assigned_value IS NULL) = (standard_uncertainty IS NULL) AND (assigned_value IS NULL OR certificate IS NOT NULL))
);
COMMENT ON TABLE control_materials IS 'Lots of control materials: certified and other reference materials, in-house and spiked ones.';
COMMENT ON COLUMN control_materials.id IS 'Identity.';
COMMENT ON COLUMN control_materials.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN control_materials.version IS 'Version, from 1.';
COMMENT ON COLUMN control_materials.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN control_materials.reason IS 'Reason of the correction.';
COMMENT ON COLUMN control_materials.code IS 'Lot code on the label.';
COMMENT ON COLUMN control_materials.kind IS 'Certified reference material, reference material, in-house material or spiked sample.';
COMMENT ON COLUMN control_materials.description IS 'What it is, in words.';
COMMENT ON COLUMN control_materials.matrix IS 'Matrix.';
COMMENT ON COLUMN control_materials.supplier_lot IS 'Supplier''s lot, if bought.';
COMMENT ON COLUMN control_materials.assigned_value IS 'Assigned value as entered; of a spiked sample the content added. Null until it is certified or studied.';
COMMENT ON COLUMN control_materials.unit IS 'Unit of the assigned value.';
COMMENT ON COLUMN control_materials.standard_uncertainty IS 'Standard uncertainty of the assigned value, in the unit.';
COMMENT ON COLUMN control_materials.certificate IS 'Certificate or study that the assigned value comes from.';
COMMENT ON COLUMN control_materials.certificate_digest IS 'SHA-256 of the certificate''s or study''s file.';
COMMENT ON COLUMN control_materials.homogeneity IS 'Evidence of homogeneity.';
COMMENT ON COLUMN control_materials.stability IS 'Evidence of stability.';
COMMENT ON COLUMN control_materials.sample_id IS 'The lot as registered among the samples, first version: its portions are titrated as controls.';
COMMENT ON COLUMN control_materials.expires_on IS 'Last day of use.';
COMMENT ON COLUMN control_materials.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN control_materials.recorded_by IS 'Account that recorded it.';
CREATE INDEX control_materials_sample_id_index ON control_materials (sample_id);
CREATE INDEX control_materials_recorded_by_index ON control_materials (recorded_by);
SELECT make_record_table('control_materials');

CREATE TABLE control_charts (
    id uuid CONSTRAINT control_charts_pk PRIMARY KEY,
    code text NOT NULL CONSTRAINT control_charts_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$') CONSTRAINT control_charts_code_once UNIQUE,
    title text NOT NULL,
    quantity text NOT NULL CONSTRAINT control_charts_quantity_rule CHECK (quantity IN ('x','range','difference','blank','recovery','titrant factor','cusum','ewma','discarded reductions','reading')),
    material_id uuid CONSTRAINT control_charts_material_id REFERENCES control_materials (id),
    method_id uuid CONSTRAINT control_charts_method_id REFERENCES methods (id),
    titrant_id uuid CONSTRAINT control_charts_titrant_id REFERENCES titrants (id),
    unit text NOT NULL,
    resolution numeric CONSTRAINT control_charts_resolution_rule CHECK (resolution > 0),
    replicates integer CONSTRAINT control_charts_replicates_rule CHECK (replicates BETWEEN 2 AND 10),
    rules jsonb NOT NULL,
    design jsonb,
    baseline_minimum integer NOT NULL CONSTRAINT control_charts_baseline_minimum_rule CHECK (baseline_minimum BETWEEN 10 AND 1000),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT control_charts_recorded_by REFERENCES accounts (id),
    CONSTRAINT control_charts_subject CHECK ((quantity = 'titrant factor') = (titrant_id IS NOT NULL) AND (method_id IS NOT NULL OR quantity IN ('titrant factor', 'reading'))),
    CONSTRAINT control_charts_material CHECK (material_id IS NOT NULL OR quantity NOT IN ('x', 'recovery', 'cusum', 'ewma')),
    CONSTRAINT control_charts_replicates CHECK ((replicates IS NOT NULL) = (quantity = 'range')),
    CONSTRAINT control_charts_design CHECK ((design IS NOT NULL) = (quantity IN ('cusum', 'ewma')))
);
COMMENT ON TABLE control_charts IS 'Control charts: one quantity, one material lot, rules chosen before data.';
COMMENT ON COLUMN control_charts.id IS 'Identity.';
COMMENT ON COLUMN control_charts.code IS 'Code.';
COMMENT ON COLUMN control_charts.title IS 'Title.';
COMMENT ON COLUMN control_charts.quantity IS 'What is charted.';
COMMENT ON COLUMN control_charts.material_id IS 'Control material lot, first version.';
COMMENT ON COLUMN control_charts.method_id IS 'Method, first version.';
COMMENT ON COLUMN control_charts.titrant_id IS 'Titrant lot, for its factor.';
COMMENT ON COLUMN control_charts.unit IS 'Unit of the values; % for relative ranges, differences and recoveries; 1 for a ratio.';
COMMENT ON COLUMN control_charts.resolution IS 'Rounding step of the values, in the unit.';
COMMENT ON COLUMN control_charts.replicates IS 'Values in a range.';
COMMENT ON COLUMN control_charts.rules IS 'Run rules: an array, in the order of their numbers.';
COMMENT ON COLUMN control_charts.design IS 'Design of a cumulative sum (k, h, head start) or of a moving average (lambda, L).';
COMMENT ON COLUMN control_charts.baseline_minimum IS 'Fewest baseline points of limits without the label preliminary.';
COMMENT ON COLUMN control_charts.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN control_charts.recorded_by IS 'Account that recorded it.';
CREATE INDEX control_charts_material_id_index ON control_charts (material_id);
CREATE INDEX control_charts_method_id_index ON control_charts (method_id);
CREATE INDEX control_charts_titrant_id_index ON control_charts (titrant_id);
CREATE INDEX control_charts_recorded_by_index ON control_charts (recorded_by);
SELECT make_record_table('control_charts');

CREATE TABLE chart_phases (
    id uuid CONSTRAINT chart_phases_pk PRIMARY KEY,
    chart_id uuid NOT NULL CONSTRAINT chart_phases_chart_id REFERENCES control_charts (id),
    number integer NOT NULL CONSTRAINT chart_phases_number_rule CHECK (number >= 1),
    label text NOT NULL CONSTRAINT chart_phases_label_rule CHECK (label IN ('preliminary','established')),
    origin text NOT NULL CONSTRAINT chart_phases_origin_rule CHECK (origin IN ('target','reference','baseline')),
    spread text CONSTRAINT chart_phases_spread_rule CHECK (spread IN ('standard deviation','moving range')),
    centre numeric NOT NULL,
    s numeric CONSTRAINT chart_phases_s_rule CHECK (s > 0),
    lower_action numeric,
    lower_warning numeric,
    upper_warning numeric,
    upper_action numeric,
    n integer CONSTRAINT chart_phases_n_rule CHECK (n >= 2),
    valid_from timestamptz NOT NULL,
    reason text NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT chart_phases_recorded_by REFERENCES accounts (id),
    CONSTRAINT chart_phases_number_once UNIQUE (chart_id, number),
    CONSTRAINT chart_phases_limits CHECK ((s IS NULL AND coalesce(lower_action, lower_warning, upper_warning, upper_action) IS NULL) OR (s IS NOT NULL AND centre < upper_warning AND upper_warning < upper_action AND (lower_warning IS NULL OR lower_warning < centre) AND (lower_action IS NULL OR lower_action < lower_warning))),
    CONSTRAINT chart_phases_baseline CHECK (origin <> 'baseline' OR n IS NOT NULL)
);
COMMENT ON TABLE chart_phases IS 'Phases of charts: limits that hold from a moment on, proposed by one person and approved by another.';
COMMENT ON COLUMN chart_phases.id IS 'Identity.';
COMMENT ON COLUMN chart_phases.chart_id IS 'Chart.';
COMMENT ON COLUMN chart_phases.number IS 'Which phase of the chart, from 1.';
COMMENT ON COLUMN chart_phases.label IS 'Preliminary or established.';
COMMENT ON COLUMN chart_phases.origin IS 'Where the limits come from: a target, a reference value as centre, or a baseline.';
COMMENT ON COLUMN chart_phases.spread IS 'How s was estimated from a baseline.';
COMMENT ON COLUMN chart_phases.centre IS 'Centre line.';
COMMENT ON COLUMN chart_phases.s IS 'Standard deviation of the plotted quantity; null for a proportion.';
COMMENT ON COLUMN chart_phases.lower_action IS 'Lower action limit; null where it cannot be passed.';
COMMENT ON COLUMN chart_phases.lower_warning IS 'Lower warning limit; null where it cannot be passed.';
COMMENT ON COLUMN chart_phases.upper_warning IS 'Upper warning limit; null for a proportion.';
COMMENT ON COLUMN chart_phases.upper_action IS 'Upper action limit; null for a proportion, whose limits depend on the trials.';
COMMENT ON COLUMN chart_phases.n IS 'Baseline points used; null for a target.';
COMMENT ON COLUMN chart_phases.valid_from IS 'Values observed from here on are judged by it.';
COMMENT ON COLUMN chart_phases.reason IS 'Why.';
COMMENT ON COLUMN chart_phases.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN chart_phases.recorded_by IS 'Account that recorded it.';
CREATE INDEX chart_phases_recorded_by_index ON chart_phases (recorded_by);
SELECT make_record_table('chart_phases');

CREATE TABLE control_values (
    id uuid CONSTRAINT control_values_pk PRIMARY KEY,
    chart_id uuid NOT NULL CONSTRAINT control_values_chart_id REFERENCES control_charts (id),
    position integer NOT NULL CONSTRAINT control_values_position_rule CHECK (position >= 1),
    source text NOT NULL CONSTRAINT control_values_source_rule CHECK (source IN ('determination','duplicates','run','factor','entered','imported')),
    run_id uuid CONSTRAINT control_values_run_id REFERENCES runs (id),
    determination_id uuid CONSTRAINT control_values_determination_id REFERENCES determinations (id),
    second_determination_id uuid CONSTRAINT control_values_second_determination_id REFERENCES determinations (id),
    factor_id uuid CONSTRAINT control_values_factor_id REFERENCES titrant_factors (id),
    value numeric NOT NULL,
    events integer CONSTRAINT control_values_events_rule CHECK (events >= 0),
    trials integer CONSTRAINT control_values_trials_rule CHECK (trials >= 1),
    history text,
    note text,
    observed_at timestamptz NOT NULL,
    phase_id uuid CONSTRAINT control_values_phase_id REFERENCES chart_phases (id),
    hits integer[] NOT NULL,
    verdict text NOT NULL CONSTRAINT control_values_verdict_rule CHECK (verdict IN ('not judged','in control','investigate','out of control')),
    statistic jsonb,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT control_values_recorded_by REFERENCES accounts (id),
    CONSTRAINT control_values_position_once UNIQUE (chart_id, position),
    CONSTRAINT control_values_judged CHECK ((phase_id IS NULL) = (verdict = 'not judged')),
    CONSTRAINT control_values_counts CHECK ((events IS NULL) = (trials IS NULL) AND (events IS NULL OR events <= trials)),
    CONSTRAINT control_values_history CHECK ((source = 'imported') = (history IS NOT NULL))
);
COMMENT ON TABLE control_values IS 'Control values with the verdict they got when they were recorded; never removed, never judged anew.';
COMMENT ON COLUMN control_values.id IS 'Identity.';
COMMENT ON COLUMN control_values.chart_id IS 'Chart.';
COMMENT ON COLUMN control_values.position IS 'Order on the chart, from 1.';
COMMENT ON COLUMN control_values.source IS 'Computed from a determination, from two, from a run or a factor; entered; or imported history.';
COMMENT ON COLUMN control_values.run_id IS 'Run.';
COMMENT ON COLUMN control_values.determination_id IS 'Determination it was computed from.';
COMMENT ON COLUMN control_values.second_determination_id IS 'Second determination of a pair.';
COMMENT ON COLUMN control_values.factor_id IS 'Titrant factor it was computed from.';
COMMENT ON COLUMN control_values.value IS 'Value, unrounded or as entered.';
COMMENT ON COLUMN control_values.events IS 'Counted events of a proportion.';
COMMENT ON COLUMN control_values.trials IS 'Trials of a proportion.';
COMMENT ON COLUMN control_values.history IS 'Where imported history was written down.';
COMMENT ON COLUMN control_values.note IS 'Note.';
COMMENT ON COLUMN control_values.observed_at IS 'Bench time.';
COMMENT ON COLUMN control_values.phase_id IS 'Phase in force at the bench time, which judged it; null before the first.';
COMMENT ON COLUMN control_values.hits IS 'Numbers of the rules this value completed.';
COMMENT ON COLUMN control_values.verdict IS 'Verdict at insertion.';
COMMENT ON COLUMN control_values.statistic IS 'Cumulative sums or moving average after this value, in s.';
COMMENT ON COLUMN control_values.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN control_values.recorded_by IS 'Account that recorded it.';
CREATE INDEX control_values_run_id_index ON control_values (run_id);
CREATE INDEX control_values_determination_id_index ON control_values (determination_id);
CREATE INDEX control_values_second_determination_id_index ON control_values (second_determination_id);
CREATE INDEX control_values_factor_id_index ON control_values (factor_id);
CREATE INDEX control_values_recorded_by_index ON control_values (recorded_by);
CREATE INDEX control_values_phase ON control_values (phase_id, position);
CREATE INDEX control_values_time ON control_values (chart_id, observed_at);
CREATE UNIQUE INDEX control_values_determination_once ON control_values (chart_id, determination_id) WHERE determination_id IS NOT NULL;
CREATE UNIQUE INDEX control_values_run_once ON control_values (chart_id, run_id) WHERE source = 'run';
CREATE UNIQUE INDEX control_values_factor_once ON control_values (chart_id, factor_id) WHERE factor_id IS NOT NULL;
SELECT make_record_table('control_values');

CREATE TABLE chart_baseline_points (
    id uuid CONSTRAINT chart_baseline_points_pk PRIMARY KEY,
    phase_id uuid NOT NULL CONSTRAINT chart_baseline_points_phase_id REFERENCES chart_phases (id),
    value_id uuid NOT NULL CONSTRAINT chart_baseline_points_value_id REFERENCES control_values (id),
    excluded boolean NOT NULL,
    cause text,
    reason text,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT chart_baseline_points_recorded_by REFERENCES accounts (id),
    CONSTRAINT chart_baseline_points_once UNIQUE (phase_id, value_id),
    CONSTRAINT chart_baseline_points_cause CHECK (excluded = (cause IS NOT NULL) AND excluded = (reason IS NOT NULL))
);
COMMENT ON TABLE chart_baseline_points IS 'Values a phase was made from, and those it left out with a cause.';
COMMENT ON COLUMN chart_baseline_points.id IS 'Identity.';
COMMENT ON COLUMN chart_baseline_points.phase_id IS 'Phase.';
COMMENT ON COLUMN chart_baseline_points.value_id IS 'Control value.';
COMMENT ON COLUMN chart_baseline_points.excluded IS 'Whether it was left out of the limits.';
COMMENT ON COLUMN chart_baseline_points.cause IS 'Assignable cause of the exclusion.';
COMMENT ON COLUMN chart_baseline_points.reason IS 'Evidence for the cause, in words.';
COMMENT ON COLUMN chart_baseline_points.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN chart_baseline_points.recorded_by IS 'Account that recorded it.';
CREATE INDEX chart_baseline_points_value_id_index ON chart_baseline_points (value_id);
CREATE INDEX chart_baseline_points_recorded_by_index ON chart_baseline_points (recorded_by);
SELECT make_record_table('chart_baseline_points');

CREATE TABLE qc_plans (
    id uuid CONSTRAINT qc_plans_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT qc_plans_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT qc_plans_supersedes_once UNIQUE CONSTRAINT qc_plans_supersedes REFERENCES qc_plans (id),
    reason text CONSTRAINT qc_plans_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    method_id uuid NOT NULL CONSTRAINT qc_plans_method_id REFERENCES methods (id),
    charts jsonb NOT NULL,
    blanks integer NOT NULL CONSTRAINT qc_plans_blanks_rule CHECK (blanks BETWEEN 0 AND 20),
    duplicates integer NOT NULL CONSTRAINT qc_plans_duplicates_rule CHECK (duplicates BETWEEN 0 AND 50),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT qc_plans_recorded_by REFERENCES accounts (id),
    CONSTRAINT qc_plans_version_once UNIQUE (record_id, version)
);
COMMENT ON TABLE qc_plans IS 'Quality control that every run of a method version needs.';
COMMENT ON COLUMN qc_plans.id IS 'Identity.';
COMMENT ON COLUMN qc_plans.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN qc_plans.version IS 'Version, from 1.';
COMMENT ON COLUMN qc_plans.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN qc_plans.reason IS 'Reason of the correction.';
COMMENT ON COLUMN qc_plans.method_id IS 'Method version.';
COMMENT ON COLUMN qc_plans.charts IS 'Charts of which every run needs so many values: an array of {"chart", "values"}.';
COMMENT ON COLUMN qc_plans.blanks IS 'Fewest blanks.';
COMMENT ON COLUMN qc_plans.duplicates IS 'Fewest samples determined in duplicate.';
COMMENT ON COLUMN qc_plans.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN qc_plans.recorded_by IS 'Account that recorded it.';
CREATE INDEX qc_plans_method_id_index ON qc_plans (method_id);
CREATE INDEX qc_plans_recorded_by_index ON qc_plans (recorded_by);
CREATE UNIQUE INDEX qc_plans_method_once ON qc_plans (method_id) WHERE version = 1;
SELECT make_record_table('qc_plans');

CREATE TABLE run_repeats (
    id uuid CONSTRAINT run_repeats_pk PRIMARY KEY,
    run_id uuid NOT NULL CONSTRAINT run_repeats_run_once UNIQUE CONSTRAINT run_repeats_run_id REFERENCES runs (id),
    repeats_id uuid NOT NULL CONSTRAINT run_repeats_repeats_id REFERENCES runs (id),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT run_repeats_recorded_by REFERENCES accounts (id),
    CONSTRAINT run_repeats_two CHECK (run_id <> repeats_id)
);
COMMENT ON TABLE run_repeats IS 'Which rejected run a run repeats; both stay.';
COMMENT ON COLUMN run_repeats.id IS 'Identity.';
COMMENT ON COLUMN run_repeats.run_id IS 'The repetition.';
COMMENT ON COLUMN run_repeats.repeats_id IS 'The rejected run.';
COMMENT ON COLUMN run_repeats.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN run_repeats.recorded_by IS 'Account that recorded it.';
CREATE INDEX run_repeats_repeats_id_index ON run_repeats (repeats_id);
CREATE INDEX run_repeats_recorded_by_index ON run_repeats (recorded_by);
SELECT make_record_table('run_repeats');

CREATE TABLE nonconformities (
    id uuid CONSTRAINT nonconformities_pk PRIMARY KEY,
    code text NOT NULL CONSTRAINT nonconformities_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$') CONSTRAINT nonconformities_code_once UNIQUE,
    source text NOT NULL CONSTRAINT nonconformities_source_rule CHECK (source IN ('rule violation','run rejection','repeated run rejection','failed equipment check','withdrawn lot','negative iron(III)','complaint','audit','proficiency test','other')),
    severity text NOT NULL CONSTRAINT nonconformities_severity_rule CHECK (severity IN ('minor','major','critical')),
    title text NOT NULL,
    scope text NOT NULL,
    automatic boolean NOT NULL,
    owner_id uuid NOT NULL CONSTRAINT nonconformities_owner_id REFERENCES accounts (id),
    due_on date NOT NULL,
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT nonconformities_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE nonconformities IS 'Nonconformities, opened by a person or by what happened.';
COMMENT ON COLUMN nonconformities.id IS 'Identity.';
COMMENT ON COLUMN nonconformities.code IS 'Code.';
COMMENT ON COLUMN nonconformities.source IS 'What brought it up.';
COMMENT ON COLUMN nonconformities.severity IS 'Severity.';
COMMENT ON COLUMN nonconformities.title IS 'Title.';
COMMENT ON COLUMN nonconformities.scope IS 'What is concerned.';
COMMENT ON COLUMN nonconformities.automatic IS 'Opened by the service because of what happened.';
COMMENT ON COLUMN nonconformities.owner_id IS 'Who sees to it; somebody else closes it.';
COMMENT ON COLUMN nonconformities.due_on IS 'Day by which it is to be closed.';
COMMENT ON COLUMN nonconformities.observed_at IS 'When it came up.';
COMMENT ON COLUMN nonconformities.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN nonconformities.recorded_by IS 'Account that recorded it.';
CREATE INDEX nonconformities_owner_id_index ON nonconformities (owner_id);
CREATE INDEX nonconformities_recorded_by_index ON nonconformities (recorded_by);
SELECT make_record_table('nonconformities');

CREATE TABLE nonconformity_steps (
    id uuid CONSTRAINT nonconformity_steps_pk PRIMARY KEY,
    nonconformity_id uuid NOT NULL CONSTRAINT nonconformity_steps_nonconformity_id REFERENCES nonconformities (id),
    kind text NOT NULL CONSTRAINT nonconformity_steps_kind_rule CHECK (kind IN ('containment','impact','cause','action','effectiveness')),
    words text NOT NULL,
    effective boolean,
    due_on date,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT nonconformity_steps_recorded_by REFERENCES accounts (id),
    CONSTRAINT nonconformity_steps_effective CHECK ((kind = 'effectiveness') = (effective IS NOT NULL))
);
COMMENT ON TABLE nonconformity_steps IS 'What was found and done about a nonconformity.';
COMMENT ON COLUMN nonconformity_steps.id IS 'Identity.';
COMMENT ON COLUMN nonconformity_steps.nonconformity_id IS 'Nonconformity.';
COMMENT ON COLUMN nonconformity_steps.kind IS 'Containment, impact assessment, root cause, corrective action or effectiveness check.';
COMMENT ON COLUMN nonconformity_steps.words IS 'In words.';
COMMENT ON COLUMN nonconformity_steps.effective IS 'Whether the action was found effective.';
COMMENT ON COLUMN nonconformity_steps.due_on IS 'Day by which an action is to be done.';
COMMENT ON COLUMN nonconformity_steps.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN nonconformity_steps.recorded_by IS 'Account that recorded it.';
CREATE INDEX nonconformity_steps_nonconformity_id_index ON nonconformity_steps (nonconformity_id);
CREATE INDEX nonconformity_steps_recorded_by_index ON nonconformity_steps (recorded_by);
SELECT make_record_table('nonconformity_steps');

CREATE TABLE nonconformity_links (
    id uuid CONSTRAINT nonconformity_links_pk PRIMARY KEY,
    nonconformity_id uuid NOT NULL CONSTRAINT nonconformity_links_nonconformity_id REFERENCES nonconformities (id),
    entity_kind text NOT NULL,
    entity_id uuid NOT NULL,
    relation text NOT NULL CONSTRAINT nonconformity_links_relation_rule CHECK (relation IN ('origin','affected','look-back')),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT nonconformity_links_recorded_by REFERENCES accounts (id),
    CONSTRAINT nonconformity_links_once UNIQUE (nonconformity_id, entity_id, relation)
);
COMMENT ON TABLE nonconformity_links IS 'Records a nonconformity concerns.';
COMMENT ON COLUMN nonconformity_links.id IS 'Identity.';
COMMENT ON COLUMN nonconformity_links.nonconformity_id IS 'Nonconformity.';
COMMENT ON COLUMN nonconformity_links.entity_kind IS 'Kind of record, by the name of its table.';
COMMENT ON COLUMN nonconformity_links.entity_id IS 'The record.';
COMMENT ON COLUMN nonconformity_links.relation IS 'What it came from, what it affects, or what was determined since the last good control.';
COMMENT ON COLUMN nonconformity_links.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN nonconformity_links.recorded_by IS 'Account that recorded it.';
CREATE INDEX nonconformity_links_nonconformity_id_index ON nonconformity_links (nonconformity_id);
CREATE INDEX nonconformity_links_recorded_by_index ON nonconformity_links (recorded_by);
CREATE INDEX nonconformity_links_entity ON nonconformity_links (entity_id);
SELECT make_record_table('nonconformity_links');
