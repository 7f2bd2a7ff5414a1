CREATE TABLE decision_rules (
    id uuid CONSTRAINT decision_rules_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT decision_rules_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT decision_rules_supersedes_once UNIQUE CONSTRAINT decision_rules_supersedes REFERENCES decision_rules (id),
    reason text CONSTRAINT decision_rules_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    code text NOT NULL CONSTRAINT decision_rules_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$'),
    title text NOT NULL,
    kind text NOT NULL CONSTRAINT decision_rules_kind_rule CHECK (kind IN ('simple acceptance','guard band of U','guard band of u','conformance probability')),
    multiple numeric CONSTRAINT decision_rules_multiple_rule CHECK (multiple > 0),
    one_sided_level numeric CONSTRAINT decision_rules_one_sided_level_rule CHECK (one_sided_level > 0 AND one_sided_level < 1),
    least_probability numeric CONSTRAINT decision_rules_least_probability_rule CHECK (least_probability > 0 AND least_probability < 1),
    compared text NOT NULL CONSTRAINT decision_rules_compared_rule CHECK (compared IN ('unrounded','reported')),
    conforms text NOT NULL,
    conditional text NOT NULL,
    does_not_conform text NOT NULL,
    risk text NOT NULL,
    source text NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT decision_rules_recorded_by REFERENCES accounts (id),
    CONSTRAINT decision_rules_version_once UNIQUE (record_id, version),
    CONSTRAINT decision_rules_code_once UNIQUE (code, version),
    CONSTRAINT decision_rules_figures CHECK ((multiple IS NOT NULL) = (kind IN ('guard band of U','guard band of u')) AND (one_sided_level IS NOT NULL) = (kind = 'guard band of u') AND (least_probability IS NOT NULL) = (kind = 'conformance probability'))
);
COMMENT ON TABLE decision_rules IS 'Rules by which results are judged against specifications, version by version.';
COMMENT ON COLUMN decision_rules.id IS 'Identity.';
COMMENT ON COLUMN decision_rules.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN decision_rules.version IS 'Version, from 1.';
COMMENT ON COLUMN decision_rules.supersedes IS 'Version this one follows; each can be followed once.';
COMMENT ON COLUMN decision_rules.reason IS 'Reason of the new version.';
COMMENT ON COLUMN decision_rules.code IS 'Code.';
COMMENT ON COLUMN decision_rules.title IS 'Title.';
COMMENT ON COLUMN decision_rules.kind IS 'How the acceptance limits follow from the tolerance limits.';
COMMENT ON COLUMN decision_rules.multiple IS 'Length of the guard band, in U or in u.';
COMMENT ON COLUMN decision_rules.one_sided_level IS 'Level that a multiple of u stands for at a single limit.';
COMMENT ON COLUMN decision_rules.least_probability IS 'Least conformance probability of what is accepted.';
COMMENT ON COLUMN decision_rules.compared IS 'Whether the result is compared unrounded or as reported.';
COMMENT ON COLUMN decision_rules.conforms IS 'What an accepted result is called.';
COMMENT ON COLUMN decision_rules.conditional IS 'What a result between acceptance limit and tolerance limit is called.';
COMMENT ON COLUMN decision_rules.does_not_conform IS 'What a result outside the tolerance is called.';
COMMENT ON COLUMN decision_rules.risk IS 'Risk that goes with the rule, in words.';
COMMENT ON COLUMN decision_rules.source IS 'Where the rule comes from.';
COMMENT ON COLUMN decision_rules.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN decision_rules.recorded_by IS 'Author of the version.';
CREATE INDEX decision_rules_recorded_by_index ON decision_rules (recorded_by);
SELECT make_record_table('decision_rules');

CREATE TABLE specifications (
    id uuid CONSTRAINT specifications_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT specifications_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT specifications_supersedes_once UNIQUE CONSTRAINT specifications_supersedes REFERENCES specifications (id),
    reason text CONSTRAINT specifications_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    code text NOT NULL CONSTRAINT specifications_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$'),
    title text NOT NULL,
    scope text NOT NULL,
    client_reference text,
    matrix text,
    analyte text NOT NULL CONSTRAINT specifications_analyte_rule CHECK (analyte IN ('iron(II)','total iron','iron(III)')),
    expressed text NOT NULL CONSTRAINT specifications_expressed_rule CHECK (expressed IN ('Fe','FeO','Fe2O3')),
    unit text NOT NULL CONSTRAINT specifications_unit_rule CHECK (unit IN ('mol/L','g/L','mg/L','% m/m','mol/kg')),
    lower_limit numeric,
    upper_limit numeric,
    decision_rule_id uuid NOT NULL CONSTRAINT specifications_decision_rule_id REFERENCES decision_rules (id),
    effective_from timestamptz NOT NULL,
    effective_to timestamptz,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT specifications_recorded_by REFERENCES accounts (id),
    CONSTRAINT specifications_version_once UNIQUE (record_id, version),
    CONSTRAINT specifications_code_once UNIQUE (code, version),
    CONSTRAINT specifications_limits CHECK ((lower_limit IS NOT NULL OR upper_limit IS NOT NULL) AND (lower_limit IS NULL OR upper_limit IS NULL OR lower_limit < upper_limit)),
    CONSTRAINT specifications_effective CHECK (effective_to IS NULL OR effective_to > effective_from)
);
COMMENT ON TABLE specifications IS 'Limits that results are judged by, for a client or a matrix, version by version.';
COMMENT ON COLUMN specifications.id IS 'Identity.';
COMMENT ON COLUMN specifications.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN specifications.version IS 'Version, from 1.';
COMMENT ON COLUMN specifications.supersedes IS 'Version this one follows; each can be followed once.';
COMMENT ON COLUMN specifications.reason IS 'Reason of the new version.';
COMMENT ON COLUMN specifications.code IS 'Code.';
COMMENT ON COLUMN specifications.title IS 'Title.';
COMMENT ON COLUMN specifications.scope IS 'For whom and for what it is, in words.';
COMMENT ON COLUMN specifications.client_reference IS 'Client that it was agreed with.';
COMMENT ON COLUMN specifications.matrix IS 'Matrix that it is for.';
COMMENT ON COLUMN specifications.analyte IS 'What is judged.';
COMMENT ON COLUMN specifications.expressed IS 'As what the limits are expressed.';
COMMENT ON COLUMN specifications.unit IS 'Unit of the limits.';
COMMENT ON COLUMN specifications.lower_limit IS 'Lower tolerance limit, as entered.';
COMMENT ON COLUMN specifications.upper_limit IS 'Upper tolerance limit, as entered.';
COMMENT ON COLUMN specifications.decision_rule_id IS 'Version of the decision rule.';
COMMENT ON COLUMN specifications.effective_from IS 'From when samples can be given it.';
COMMENT ON COLUMN specifications.effective_to IS 'Until when.';
COMMENT ON COLUMN specifications.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN specifications.recorded_by IS 'Author of the version.';
CREATE INDEX specifications_recorded_by_index ON specifications (recorded_by);
CREATE INDEX specifications_decision_rule_id_index ON specifications (decision_rule_id);
SELECT make_record_table('specifications');

CREATE TABLE sample_specifications (
    id uuid CONSTRAINT sample_specifications_pk PRIMARY KEY,
    sample_id uuid NOT NULL CONSTRAINT sample_specifications_sample_id REFERENCES samples (id),
    specification_id uuid NOT NULL CONSTRAINT sample_specifications_specification_id REFERENCES specifications (id),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT sample_specifications_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE sample_specifications IS 'Specifications that samples are judged by.';
COMMENT ON COLUMN sample_specifications.id IS 'Identity.';
COMMENT ON COLUMN sample_specifications.sample_id IS 'First version of the sample.';
COMMENT ON COLUMN sample_specifications.specification_id IS 'Version of the specification.';
COMMENT ON COLUMN sample_specifications.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN sample_specifications.recorded_by IS 'Account that assigned it.';
CREATE INDEX sample_specifications_sample_id_index ON sample_specifications (sample_id);
CREATE INDEX sample_specifications_specification_id_index ON sample_specifications (specification_id);
CREATE INDEX sample_specifications_recorded_by_index ON sample_specifications (recorded_by);
SELECT make_record_table('sample_specifications');

CREATE TABLE specification_removals (
    id uuid CONSTRAINT specification_removals_pk PRIMARY KEY,
    sample_specification_id uuid NOT NULL CONSTRAINT specification_removals_once UNIQUE CONSTRAINT specification_removals_sample_specification_id REFERENCES sample_specifications (id),
    reason text NOT NULL CONSTRAINT specification_removals_reason_rule CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT specification_removals_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE specification_removals IS 'Specifications that were taken off samples; the assignment stays on record.';
COMMENT ON COLUMN specification_removals.id IS 'Identity.';
COMMENT ON COLUMN specification_removals.sample_specification_id IS 'What was taken off.';
COMMENT ON COLUMN specification_removals.reason IS 'Why.';
COMMENT ON COLUMN specification_removals.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN specification_removals.recorded_by IS 'Account that took it off.';
CREATE INDEX specification_removals_recorded_by_index ON specification_removals (recorded_by);
SELECT make_record_table('specification_removals');
