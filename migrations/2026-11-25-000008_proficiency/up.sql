CREATE TABLE proficiency_rounds (
    id uuid CONSTRAINT proficiency_rounds_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT proficiency_rounds_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT proficiency_rounds_supersedes_once UNIQUE CONSTRAINT proficiency_rounds_supersedes REFERENCES proficiency_rounds (id),
    reason text CONSTRAINT proficiency_rounds_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    code text NOT NULL CONSTRAINT proficiency_rounds_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$'),
    series text NOT NULL,
    provider text NOT NULL CONSTRAINT proficiency_rounds_provider_rule CHECK (provider IN ('accredited provider','provider','reference laboratory','other laboratory')),
    material text NOT NULL,
    quantity text NOT NULL,
    unit text NOT NULL CONSTRAINT proficiency_rounds_unit_rule CHECK (unit IN ('mol/L','g/L','mg/L','% m/m','mol/kg')),
    assigned_value numeric NOT NULL,
    assigned_u numeric NOT NULL CONSTRAINT proficiency_rounds_assigned_u_rule CHECK (assigned_u >= 0),
    assigned_k numeric NOT NULL CONSTRAINT proficiency_rounds_assigned_k_rule CHECK (assigned_k >= 1 AND assigned_k <= 5),
    sigma_pt numeric NOT NULL CONSTRAINT proficiency_rounds_sigma_pt_rule CHECK (sigma_pt > 0),
    determination_id uuid CONSTRAINT proficiency_rounds_determination_id REFERENCES determinations (id),
    own_value numeric,
    own_u numeric CONSTRAINT proficiency_rounds_own_u_rule CHECK (own_u >= 0),
    own_k numeric CONSTRAINT proficiency_rounds_own_k_rule CHECK (own_k >= 1 AND own_k <= 5),
    own_basis text,
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT proficiency_rounds_recorded_by REFERENCES accounts (id),
    CONSTRAINT proficiency_rounds_version_once UNIQUE (record_id, version),
    CONSTRAINT proficiency_rounds_code_once UNIQUE (code, version),
    CONSTRAINT proficiency_rounds_own CHECK ((own_value IS NULL) = (own_u IS NULL) AND (own_value IS NULL) = (own_k IS NULL) AND (own_value IS NOT NULL OR determination_id IS NOT NULL) AND (determination_id IS NOT NULL OR length(btrim(own_basis)) >= 5))
);
COMMENT ON TABLE proficiency_rounds IS 'Rounds of proficiency tests and comparisons, with the laboratory''s own result.';
COMMENT ON COLUMN proficiency_rounds.id IS 'Identity.';
COMMENT ON COLUMN proficiency_rounds.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN proficiency_rounds.version IS 'Version, from 1.';
COMMENT ON COLUMN proficiency_rounds.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN proficiency_rounds.reason IS 'Reason of the correction.';
COMMENT ON COLUMN proficiency_rounds.code IS 'Code of the round.';
COMMENT ON COLUMN proficiency_rounds.series IS 'Rounds of one series are one history: material and quantity as the laboratory calls them.';
COMMENT ON COLUMN proficiency_rounds.provider IS 'Who assigned the value, by role only.';
COMMENT ON COLUMN proficiency_rounds.material IS 'Material of the round.';
COMMENT ON COLUMN proficiency_rounds.quantity IS 'What was determined.';
COMMENT ON COLUMN proficiency_rounds.unit IS 'Unit of all values.';
COMMENT ON COLUMN proficiency_rounds.assigned_value IS 'Assigned value.';
COMMENT ON COLUMN proficiency_rounds.assigned_u IS 'Standard uncertainty of the assigned value.';
COMMENT ON COLUMN proficiency_rounds.assigned_k IS 'Coverage factor of the assigned value''s expanded uncertainty.';
COMMENT ON COLUMN proficiency_rounds.sigma_pt IS 'Standard deviation for proficiency assessment.';
COMMENT ON COLUMN proficiency_rounds.determination_id IS 'Determination that the own result comes from.';
COMMENT ON COLUMN proficiency_rounds.own_value IS 'Own result, where it was entered.';
COMMENT ON COLUMN proficiency_rounds.own_u IS 'Its standard uncertainty.';
COMMENT ON COLUMN proficiency_rounds.own_k IS 'Its coverage factor.';
COMMENT ON COLUMN proficiency_rounds.own_basis IS 'Why the own result was entered, and where it comes from.';
COMMENT ON COLUMN proficiency_rounds.observed_at IS 'When the provider reported the round.';
COMMENT ON COLUMN proficiency_rounds.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN proficiency_rounds.recorded_by IS 'Account that recorded it.';
CREATE INDEX proficiency_rounds_determination_id_index ON proficiency_rounds (determination_id);
CREATE INDEX proficiency_rounds_recorded_by_index ON proficiency_rounds (recorded_by);
CREATE INDEX proficiency_rounds_series_index ON proficiency_rounds (series, observed_at);
SELECT make_record_table('proficiency_rounds');

CREATE TABLE exports (
    id uuid CONSTRAINT exports_pk PRIMARY KEY,
    what text NOT NULL,
    query text NOT NULL,
    format text NOT NULL CONSTRAINT exports_format_rule CHECK (format IN ('json','csv','xlsx')),
    digest text NOT NULL CONSTRAINT exports_digest_rule CHECK (digest ~ '^[0-9a-f]{64}$'),
    records bigint NOT NULL CONSTRAINT exports_records_rule CHECK (records >= 0),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT exports_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE exports IS 'What was handed out of the service, to whom, and the digest of its content.';
COMMENT ON COLUMN exports.id IS 'Identity.';
COMMENT ON COLUMN exports.what IS 'What was exported.';
COMMENT ON COLUMN exports.query IS 'What it was narrowed to.';
COMMENT ON COLUMN exports.format IS 'Format.';
COMMENT ON COLUMN exports.digest IS 'SHA-256 of the content, the same in every format.';
COMMENT ON COLUMN exports.records IS 'Number of records.';
COMMENT ON COLUMN exports.recorded_at IS 'Server time of the export.';
COMMENT ON COLUMN exports.recorded_by IS 'Account that got it.';
CREATE INDEX exports_recorded_by_index ON exports (recorded_by);
SELECT make_record_table('exports');
