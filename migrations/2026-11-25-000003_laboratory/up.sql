CREATE TABLE equipment (
    id uuid CONSTRAINT equipment_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT equipment_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT equipment_supersedes_once UNIQUE CONSTRAINT equipment_supersedes REFERENCES equipment (id),
    reason text CONSTRAINT equipment_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    code text NOT NULL CONSTRAINT equipment_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$'),
    kind text NOT NULL CONSTRAINT equipment_kind_rule CHECK (kind IN ('balance','burette','piston burette','pipette','flask','thermometer')),
    description text NOT NULL,
    accuracy_class text,
    serial_number text,
    location text,
    range_low numeric NOT NULL,
    range_high numeric NOT NULL CONSTRAINT equipment_range_high_rule CHECK (range_high > range_low),
    resolution numeric CONSTRAINT equipment_resolution_rule CHECK (resolution > 0),
    unit text NOT NULL CONSTRAINT equipment_unit_rule CHECK (unit IN ('mL','g','C')),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT equipment_recorded_by REFERENCES accounts (id),
    CONSTRAINT equipment_version_once UNIQUE (record_id, version),
    CONSTRAINT equipment_code_once UNIQUE (code, version)
);
COMMENT ON TABLE equipment IS 'Measuring equipment: balances, burettes, pipettes, flasks, thermometers, piston burettes.';
COMMENT ON COLUMN equipment.id IS 'Identity.';
COMMENT ON COLUMN equipment.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN equipment.version IS 'Version, from 1.';
COMMENT ON COLUMN equipment.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN equipment.reason IS 'Reason of the correction.';
COMMENT ON COLUMN equipment.code IS 'Code on the label.';
COMMENT ON COLUMN equipment.kind IS 'Kind of equipment.';
COMMENT ON COLUMN equipment.description IS 'What it is, in words.';
COMMENT ON COLUMN equipment.accuracy_class IS 'Class as marked, such as A or AS.';
COMMENT ON COLUMN equipment.serial_number IS 'Serial number.';
COMMENT ON COLUMN equipment.location IS 'Where it stands.';
COMMENT ON COLUMN equipment.range_low IS 'Lowest usable reading, in the unit.';
COMMENT ON COLUMN equipment.range_high IS 'Highest usable reading, in the unit; of a pipette or flask its nominal volume.';
COMMENT ON COLUMN equipment.resolution IS 'Smallest step that is read, in the unit; null for a pipette or flask.';
COMMENT ON COLUMN equipment.unit IS 'Unit of range and resolution.';
COMMENT ON COLUMN equipment.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN equipment.recorded_by IS 'Account that recorded it.';
CREATE INDEX equipment_recorded_by_index ON equipment (recorded_by);
SELECT make_record_table('equipment');

CREATE TABLE equipment_calibrations (
    id uuid CONSTRAINT equipment_calibrations_pk PRIMARY KEY,
    equipment_id uuid NOT NULL CONSTRAINT equipment_calibrations_equipment_id REFERENCES equipment (id),
    certificate text NOT NULL,
    certificate_digest text CONSTRAINT equipment_calibrations_certificate_digest_rule CHECK (certificate_digest ~ '^[0-9a-f]{64}$'),
    calibrated_on date NOT NULL,
    due_on date NOT NULL,
    corrections jsonb NOT NULL DEFAULT '[]',
    calibrated_value numeric,
    standard_uncertainty numeric NOT NULL CONSTRAINT equipment_calibrations_standard_uncertainty_rule CHECK (standard_uncertainty >= 0),
    degrees_of_freedom numeric CONSTRAINT equipment_calibrations_degrees_of_freedom_rule CHECK (degrees_of_freedom > 0),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT equipment_calibrations_recorded_by REFERENCES accounts (id),
    CONSTRAINT equipment_calibrations_window CHECK (due_on > calibrated_on),
    CONSTRAINT equipment_calibrations_day_once UNIQUE (equipment_id, calibrated_on)
);
COMMENT ON TABLE equipment_calibrations IS 'Calibrations; the newest that is valid at a time counts.';
COMMENT ON COLUMN equipment_calibrations.id IS 'Identity.';
COMMENT ON COLUMN equipment_calibrations.equipment_id IS 'First version of the equipment.';
COMMENT ON COLUMN equipment_calibrations.certificate IS 'Certificate number.';
COMMENT ON COLUMN equipment_calibrations.certificate_digest IS 'SHA-256 of the certificate''s file.';
COMMENT ON COLUMN equipment_calibrations.calibrated_on IS 'Day of calibration; valid from its beginning (UTC).';
COMMENT ON COLUMN equipment_calibrations.due_on IS 'Last day of validity.';
COMMENT ON COLUMN equipment_calibrations.corrections IS 'Corrections table: an array of {"reading", "correction"}, decimals as text, rising readings.';
COMMENT ON COLUMN equipment_calibrations.calibrated_value IS 'Calibrated volume of a pipette or flask at 20 C, mL.';
COMMENT ON COLUMN equipment_calibrations.standard_uncertainty IS 'Standard uncertainty of a volume or mass, in the unit.';
COMMENT ON COLUMN equipment_calibrations.degrees_of_freedom IS 'Degrees of freedom of that uncertainty; null for unlimited.';
COMMENT ON COLUMN equipment_calibrations.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN equipment_calibrations.recorded_by IS 'Account that recorded it.';
CREATE INDEX equipment_calibrations_equipment_id_index ON equipment_calibrations (equipment_id);
CREATE INDEX equipment_calibrations_recorded_by_index ON equipment_calibrations (recorded_by);
SELECT make_record_table('equipment_calibrations');

CREATE TABLE equipment_checks (
    id uuid CONSTRAINT equipment_checks_pk PRIMARY KEY,
    equipment_id uuid NOT NULL CONSTRAINT equipment_checks_equipment_id REFERENCES equipment (id),
    outcome text NOT NULL CONSTRAINT equipment_checks_outcome_rule CHECK (outcome IN ('passed','failed')),
    reading numeric,
    reference numeric,
    note text,
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT equipment_checks_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE equipment_checks IS 'Checks between calibrations; a failed one takes the equipment out of service.';
COMMENT ON COLUMN equipment_checks.id IS 'Identity.';
COMMENT ON COLUMN equipment_checks.equipment_id IS 'First version of the equipment.';
COMMENT ON COLUMN equipment_checks.outcome IS 'passed or failed.';
COMMENT ON COLUMN equipment_checks.reading IS 'Reading of the check, as entered.';
COMMENT ON COLUMN equipment_checks.reference IS 'Reference value.';
COMMENT ON COLUMN equipment_checks.note IS 'What was seen.';
COMMENT ON COLUMN equipment_checks.observed_at IS 'Bench time, as the person or instrument gave it.';
COMMENT ON COLUMN equipment_checks.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN equipment_checks.recorded_by IS 'Account that recorded it.';
CREATE INDEX equipment_checks_equipment_id_index ON equipment_checks (equipment_id);
CREATE INDEX equipment_checks_recorded_by_index ON equipment_checks (recorded_by);
SELECT make_record_table('equipment_checks');

CREATE TABLE primary_standards (
    id uuid CONSTRAINT primary_standards_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT primary_standards_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT primary_standards_supersedes_once UNIQUE CONSTRAINT primary_standards_supersedes REFERENCES primary_standards (id),
    reason text CONSTRAINT primary_standards_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    code text NOT NULL CONSTRAINT primary_standards_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$'),
    substance text NOT NULL,
    supplier text NOT NULL,
    supplier_lot text NOT NULL,
    certificate text NOT NULL,
    certificate_digest text CONSTRAINT primary_standards_certificate_digest_rule CHECK (certificate_digest ~ '^[0-9a-f]{64}$'),
    mass_fraction numeric NOT NULL CONSTRAINT primary_standards_mass_fraction_rule CHECK (mass_fraction > 0 AND mass_fraction <= 1.0005),
    expanded_uncertainty numeric NOT NULL CONSTRAINT primary_standards_expanded_uncertainty_rule CHECK (expanded_uncertainty >= 0),
    coverage_factor numeric NOT NULL CONSTRAINT primary_standards_coverage_factor_rule CHECK (coverage_factor >= 1),
    basis text NOT NULL,
    density numeric CONSTRAINT primary_standards_density_rule CHECK (density > 0),
    drying text,
    received_g numeric CONSTRAINT primary_standards_received_g_rule CHECK (received_g > 0),
    opened_on date,
    expires_on date NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT primary_standards_recorded_by REFERENCES accounts (id),
    CONSTRAINT primary_standards_version_once UNIQUE (record_id, version),
    CONSTRAINT primary_standards_code_once UNIQUE (code, version)
);
COMMENT ON TABLE primary_standards IS 'Lots of primary standards and iron reference materials with their certificates.';
COMMENT ON COLUMN primary_standards.id IS 'Identity.';
COMMENT ON COLUMN primary_standards.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN primary_standards.version IS 'Version, from 1.';
COMMENT ON COLUMN primary_standards.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN primary_standards.reason IS 'Reason of the correction.';
COMMENT ON COLUMN primary_standards.code IS 'Lot code of the laboratory.';
COMMENT ON COLUMN primary_standards.substance IS 'Substance, by its code in the chemistry data.';
COMMENT ON COLUMN primary_standards.supplier IS 'Supplier.';
COMMENT ON COLUMN primary_standards.supplier_lot IS 'Supplier''s lot.';
COMMENT ON COLUMN primary_standards.certificate IS 'Certificate number.';
COMMENT ON COLUMN primary_standards.certificate_digest IS 'SHA-256 of the certificate''s file.';
COMMENT ON COLUMN primary_standards.mass_fraction IS 'Certified mass fraction (purity, or iron content of an iron reference material).';
COMMENT ON COLUMN primary_standards.expanded_uncertainty IS 'Expanded uncertainty of the mass fraction.';
COMMENT ON COLUMN primary_standards.coverage_factor IS 'Its coverage factor k.';
COMMENT ON COLUMN primary_standards.basis IS 'What the mass fraction expresses, such as oxidising capacity.';
COMMENT ON COLUMN primary_standards.density IS 'Density for the buoyancy correction, g/cm3.';
COMMENT ON COLUMN primary_standards.drying IS 'Drying programme.';
COMMENT ON COLUMN primary_standards.received_g IS 'Amount received, g.';
COMMENT ON COLUMN primary_standards.opened_on IS 'Day opened.';
COMMENT ON COLUMN primary_standards.expires_on IS 'Last day of use.';
COMMENT ON COLUMN primary_standards.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN primary_standards.recorded_by IS 'Account that recorded it.';
CREATE INDEX primary_standards_recorded_by_index ON primary_standards (recorded_by);
SELECT make_record_table('primary_standards');

CREATE TABLE reagents (
    id uuid CONSTRAINT reagents_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT reagents_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT reagents_supersedes_once UNIQUE CONSTRAINT reagents_supersedes REFERENCES reagents (id),
    reason text CONSTRAINT reagents_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    code text NOT NULL CONSTRAINT reagents_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$'),
    substance text NOT NULL,
    concentration text NOT NULL,
    supplier_lot text,
    prepared_on date NOT NULL,
    expires_on date NOT NULL,
    hazard_class text NOT NULL,
    sds_reference text NOT NULL,
    waste_stream text NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT reagents_recorded_by REFERENCES accounts (id),
    CONSTRAINT reagents_version_once UNIQUE (record_id, version),
    CONSTRAINT reagents_code_once UNIQUE (code, version),
    CONSTRAINT reagents_window CHECK (expires_on >= prepared_on)
);
COMMENT ON TABLE reagents IS 'Reagent lots.';
COMMENT ON COLUMN reagents.id IS 'Identity.';
COMMENT ON COLUMN reagents.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN reagents.version IS 'Version, from 1.';
COMMENT ON COLUMN reagents.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN reagents.reason IS 'Reason of the correction.';
COMMENT ON COLUMN reagents.code IS 'Lot code of the laboratory.';
COMMENT ON COLUMN reagents.substance IS 'Substance.';
COMMENT ON COLUMN reagents.concentration IS 'Concentration, in words and units.';
COMMENT ON COLUMN reagents.supplier_lot IS 'Supplier''s lot, if bought.';
COMMENT ON COLUMN reagents.prepared_on IS 'Day prepared or received.';
COMMENT ON COLUMN reagents.expires_on IS 'Last day of use.';
COMMENT ON COLUMN reagents.hazard_class IS 'Hazard classes from the supplier''s SDS.';
COMMENT ON COLUMN reagents.sds_reference IS 'Where the SDS is kept.';
COMMENT ON COLUMN reagents.waste_stream IS 'Waste stream by the laboratory''s own plan.';
COMMENT ON COLUMN reagents.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN reagents.recorded_by IS 'Account that recorded it.';
CREATE INDEX reagents_recorded_by_index ON reagents (recorded_by);
SELECT make_record_table('reagents');

CREATE TABLE methods (
    id uuid CONSTRAINT methods_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT methods_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT methods_supersedes_once UNIQUE CONSTRAINT methods_supersedes REFERENCES methods (id),
    reason text CONSTRAINT methods_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    code text NOT NULL CONSTRAINT methods_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$'),
    title text NOT NULL,
    principle text NOT NULL,
    analyte text NOT NULL CONSTRAINT methods_analyte_rule CHECK (analyte IN ('iron(II)','total iron')),
    matrix text NOT NULL,
    chemistry text NOT NULL,
    reduction text NOT NULL,
    indicator text NOT NULL,
    rules jsonb NOT NULL,
    mercury_reason text,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT methods_recorded_by REFERENCES accounts (id),
    CONSTRAINT methods_version_once UNIQUE (record_id, version),
    CONSTRAINT methods_code_once UNIQUE (code, version),
    CONSTRAINT methods_mercury CHECK (reduction NOT LIKE '%mercury(II)%' OR length(btrim(mercury_reason)) >= 5)
);
COMMENT ON TABLE methods IS 'Method versions. An approved version is pinned by every determination made under it.';
COMMENT ON COLUMN methods.id IS 'Identity.';
COMMENT ON COLUMN methods.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN methods.version IS 'Version, from 1.';
COMMENT ON COLUMN methods.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN methods.reason IS 'Reason of the correction.';
COMMENT ON COLUMN methods.code IS 'Code of the method.';
COMMENT ON COLUMN methods.title IS 'Title.';
COMMENT ON COLUMN methods.principle IS 'Principle, in words.';
COMMENT ON COLUMN methods.analyte IS 'What is determined.';
COMMENT ON COLUMN methods.matrix IS 'Matrix it is validated for.';
COMMENT ON COLUMN methods.chemistry IS 'Titration chemistry, by its code.';
COMMENT ON COLUMN methods.reduction IS 'Reduction procedure, by its code; none for a direct titration.';
COMMENT ON COLUMN methods.indicator IS 'Indicator, by its code.';
COMMENT ON COLUMN methods.rules IS 'Concordance, replicates, corrections, blank policy, rounding, coverage, QC plan and limits; decimals as text.';
COMMENT ON COLUMN methods.mercury_reason IS 'Why a mercury reduction was chosen over a mercury-free one.';
COMMENT ON COLUMN methods.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN methods.recorded_by IS 'Account that recorded it.';
CREATE INDEX methods_recorded_by_index ON methods (recorded_by);
SELECT make_record_table('methods');

CREATE TABLE samples (
    id uuid CONSTRAINT samples_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT samples_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT samples_supersedes_once UNIQUE CONSTRAINT samples_supersedes REFERENCES samples (id),
    reason text CONSTRAINT samples_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    code text NOT NULL CONSTRAINT samples_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$'),
    client_reference text NOT NULL,
    description text NOT NULL,
    matrix text NOT NULL,
    sampled_at timestamptz,
    received_at timestamptz NOT NULL,
    condition text NOT NULL,
    preservation text NOT NULL,
    container text NOT NULL,
    storage text NOT NULL,
    iron2_deadline timestamptz,
    retained_until date NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT samples_recorded_by REFERENCES accounts (id),
    CONSTRAINT samples_version_once UNIQUE (record_id, version),
    CONSTRAINT samples_code_once UNIQUE (code, version)
);
COMMENT ON TABLE samples IS 'Samples as received.';
COMMENT ON COLUMN samples.id IS 'Identity.';
COMMENT ON COLUMN samples.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN samples.version IS 'Version, from 1.';
COMMENT ON COLUMN samples.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN samples.reason IS 'Reason of the correction.';
COMMENT ON COLUMN samples.code IS 'Code on the label.';
COMMENT ON COLUMN samples.client_reference IS 'Client''s reference.';
COMMENT ON COLUMN samples.description IS 'Description.';
COMMENT ON COLUMN samples.matrix IS 'Matrix.';
COMMENT ON COLUMN samples.sampled_at IS 'When it was taken, if known.';
COMMENT ON COLUMN samples.received_at IS 'When it was received.';
COMMENT ON COLUMN samples.condition IS 'Condition on receipt.';
COMMENT ON COLUMN samples.preservation IS 'Preservation: acidified, headspace, temperature.';
COMMENT ON COLUMN samples.container IS 'Container.';
COMMENT ON COLUMN samples.storage IS 'Where it is stored.';
COMMENT ON COLUMN samples.iron2_deadline IS 'Until when iron(II) may be titrated.';
COMMENT ON COLUMN samples.retained_until IS 'Day until which it is kept.';
COMMENT ON COLUMN samples.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN samples.recorded_by IS 'Account that recorded it.';
CREATE INDEX samples_recorded_by_index ON samples (recorded_by);
SELECT make_record_table('samples');

CREATE TABLE test_portions (
    id uuid CONSTRAINT test_portions_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT test_portions_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT test_portions_supersedes_once UNIQUE CONSTRAINT test_portions_supersedes REFERENCES test_portions (id),
    reason text CONSTRAINT test_portions_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    sample_id uuid NOT NULL CONSTRAINT test_portions_sample_id REFERENCES samples (id),
    taken_by text NOT NULL CONSTRAINT test_portions_taken_by_rule CHECK (taken_by IN ('volume','mass')),
    mass_g numeric CONSTRAINT test_portions_mass_g_rule CHECK (mass_g > 0),
    balance_id uuid CONSTRAINT test_portions_balance_id REFERENCES equipment (id),
    pipette_id uuid CONSTRAINT test_portions_pipette_id REFERENCES equipment (id),
    aliquot_pipette_id uuid CONSTRAINT test_portions_aliquot_pipette_id REFERENCES equipment (id),
    density numeric CONSTRAINT test_portions_density_rule CHECK (density > 0),
    density_u numeric CONSTRAINT test_portions_density_u_rule CHECK (density_u >= 0),
    temperature numeric,
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT test_portions_recorded_by REFERENCES accounts (id),
    CONSTRAINT test_portions_version_once UNIQUE (record_id, version),
    CONSTRAINT test_portions_mass CHECK (taken_by <> 'mass' OR (mass_g IS NOT NULL AND balance_id IS NOT NULL)),
    CONSTRAINT test_portions_volume CHECK (taken_by <> 'volume' OR (pipette_id IS NOT NULL AND mass_g IS NULL))
);
COMMENT ON TABLE test_portions IS 'Test portions: what was taken of a sample and how it was diluted.';
COMMENT ON COLUMN test_portions.id IS 'Identity.';
COMMENT ON COLUMN test_portions.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN test_portions.version IS 'Version, from 1.';
COMMENT ON COLUMN test_portions.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN test_portions.reason IS 'Reason of the correction.';
COMMENT ON COLUMN test_portions.sample_id IS 'First version of the sample.';
COMMENT ON COLUMN test_portions.taken_by IS 'Whether the portion is a volume or a mass.';
COMMENT ON COLUMN test_portions.mass_g IS 'Mass of the portion, g, as read.';
COMMENT ON COLUMN test_portions.balance_id IS 'Balance, first version.';
COMMENT ON COLUMN test_portions.pipette_id IS 'Pipette that took a volume portion into the first flask or, without dilution, into the titration vessel.';
COMMENT ON COLUMN test_portions.aliquot_pipette_id IS 'Pipette that took the titrated aliquot of the last solution; null when the portion is titrated whole.';
COMMENT ON COLUMN test_portions.density IS 'Density of the sample, g/cm3, where a conversion between mass and volume is wanted.';
COMMENT ON COLUMN test_portions.density_u IS 'Standard uncertainty of the density.';
COMMENT ON COLUMN test_portions.temperature IS 'Temperature of the solutions, C.';
COMMENT ON COLUMN test_portions.observed_at IS 'Bench time, as the person or instrument gave it.';
COMMENT ON COLUMN test_portions.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN test_portions.recorded_by IS 'Account that recorded it.';
CREATE INDEX test_portions_sample_id_index ON test_portions (sample_id);
CREATE INDEX test_portions_balance_id_index ON test_portions (balance_id);
CREATE INDEX test_portions_pipette_id_index ON test_portions (pipette_id);
CREATE INDEX test_portions_aliquot_pipette_id_index ON test_portions (aliquot_pipette_id);
CREATE INDEX test_portions_recorded_by_index ON test_portions (recorded_by);
SELECT make_record_table('test_portions');

CREATE TABLE dilution_steps (
    id uuid CONSTRAINT dilution_steps_pk PRIMARY KEY,
    portion_id uuid NOT NULL CONSTRAINT dilution_steps_portion_id REFERENCES test_portions (id),
    position integer NOT NULL CONSTRAINT dilution_steps_position_rule CHECK (position >= 1),
    pipette_id uuid CONSTRAINT dilution_steps_pipette_id REFERENCES equipment (id),
    flask_id uuid NOT NULL CONSTRAINT dilution_steps_flask_id REFERENCES equipment (id),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT dilution_steps_recorded_by REFERENCES accounts (id),
    CONSTRAINT dilution_steps_order UNIQUE (portion_id, position),
    CONSTRAINT dilution_steps_first CHECK ((position = 1) = (pipette_id IS NULL))
);
COMMENT ON TABLE dilution_steps IS 'Steps of a dilution chain, in order.';
COMMENT ON COLUMN dilution_steps.id IS 'Identity.';
COMMENT ON COLUMN dilution_steps.portion_id IS 'Version of the test portion.';
COMMENT ON COLUMN dilution_steps.position IS 'Order, from 1.';
COMMENT ON COLUMN dilution_steps.pipette_id IS 'Pipette that filled this flask; null in the first step, which the portion itself fills.';
COMMENT ON COLUMN dilution_steps.flask_id IS 'Flask made up to the mark.';
COMMENT ON COLUMN dilution_steps.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN dilution_steps.recorded_by IS 'Account that recorded it.';
CREATE INDEX dilution_steps_portion_id_index ON dilution_steps (portion_id);
CREATE INDEX dilution_steps_pipette_id_index ON dilution_steps (pipette_id);
CREATE INDEX dilution_steps_flask_id_index ON dilution_steps (flask_id);
CREATE INDEX dilution_steps_recorded_by_index ON dilution_steps (recorded_by);
SELECT make_record_table('dilution_steps');

CREATE TABLE titrants (
    id uuid CONSTRAINT titrants_pk PRIMARY KEY,
    code text NOT NULL CONSTRAINT titrants_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$') CONSTRAINT titrants_code_once UNIQUE,
    chemistry text NOT NULL,
    nominal_concentration numeric NOT NULL CONSTRAINT titrants_nominal_concentration_rule CHECK (nominal_concentration > 0),
    concentration_unit text NOT NULL CONSTRAINT titrants_concentration_unit_rule CHECK (concentration_unit IN ('mol/L','eq/L')),
    nominal_mol_per_l numeric NOT NULL CONSTRAINT titrants_nominal_mol_per_l_rule CHECK (nominal_mol_per_l > 0),
    route text NOT NULL CONSTRAINT titrants_route_rule CHECK (route IN ('direct preparation','standardisation')),
    factor_low numeric NOT NULL,
    factor_high numeric NOT NULL CONSTRAINT titrants_factor_high_rule CHECK (factor_high > factor_low),
    storage text NOT NULL,
    container text NOT NULL,
    expires_at timestamptz NOT NULL,
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT titrants_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE titrants IS 'Titrant lots.';
COMMENT ON COLUMN titrants.id IS 'Identity.';
COMMENT ON COLUMN titrants.code IS 'Lot code.';
COMMENT ON COLUMN titrants.chemistry IS 'Titrant species, by its code in the chemistry data.';
COMMENT ON COLUMN titrants.nominal_concentration IS 'Nominal concentration as entered.';
COMMENT ON COLUMN titrants.concentration_unit IS 'Unit of that entry: mol/L or equivalents per litre.';
COMMENT ON COLUMN titrants.nominal_mol_per_l IS 'Nominal amount concentration, mol/L.';
COMMENT ON COLUMN titrants.route IS 'How its concentration is known.';
COMMENT ON COLUMN titrants.factor_low IS 'Lowest acceptable factor.';
COMMENT ON COLUMN titrants.factor_high IS 'Highest acceptable factor.';
COMMENT ON COLUMN titrants.storage IS 'Storage.';
COMMENT ON COLUMN titrants.container IS 'Container.';
COMMENT ON COLUMN titrants.expires_at IS 'End of use.';
COMMENT ON COLUMN titrants.observed_at IS 'Bench time, as the person or instrument gave it.';
COMMENT ON COLUMN titrants.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN titrants.recorded_by IS 'Account that recorded it.';
CREATE INDEX titrants_recorded_by_index ON titrants (recorded_by);
SELECT make_record_table('titrants');

CREATE TABLE titrant_preparations (
    id uuid CONSTRAINT titrant_preparations_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT titrant_preparations_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT titrant_preparations_supersedes_once UNIQUE CONSTRAINT titrant_preparations_supersedes REFERENCES titrant_preparations (id),
    reason text CONSTRAINT titrant_preparations_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    titrant_id uuid NOT NULL CONSTRAINT titrant_preparations_titrant_id REFERENCES titrants (id),
    primary_standard_id uuid NOT NULL CONSTRAINT titrant_preparations_primary_standard_id REFERENCES primary_standards (id),
    mass_g numeric NOT NULL CONSTRAINT titrant_preparations_mass_g_rule CHECK (mass_g > 0),
    balance_id uuid NOT NULL CONSTRAINT titrant_preparations_balance_id REFERENCES equipment (id),
    flask_id uuid NOT NULL CONSTRAINT titrant_preparations_flask_id REFERENCES equipment (id),
    solution_temperature numeric NOT NULL,
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT titrant_preparations_recorded_by REFERENCES accounts (id),
    CONSTRAINT titrant_preparations_version_once UNIQUE (record_id, version)
);
COMMENT ON TABLE titrant_preparations IS 'Direct preparations of titrant lots by mass.';
COMMENT ON COLUMN titrant_preparations.id IS 'Identity.';
COMMENT ON COLUMN titrant_preparations.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN titrant_preparations.version IS 'Version, from 1.';
COMMENT ON COLUMN titrant_preparations.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN titrant_preparations.reason IS 'Reason of the correction.';
COMMENT ON COLUMN titrant_preparations.titrant_id IS 'Titrant lot.';
COMMENT ON COLUMN titrant_preparations.primary_standard_id IS 'Version of the primary-standard lot.';
COMMENT ON COLUMN titrant_preparations.mass_g IS 'Mass weighed, g, as read.';
COMMENT ON COLUMN titrant_preparations.balance_id IS 'Balance, first version.';
COMMENT ON COLUMN titrant_preparations.flask_id IS 'Flask, first version.';
COMMENT ON COLUMN titrant_preparations.solution_temperature IS 'Temperature at which the flask was made up, C.';
COMMENT ON COLUMN titrant_preparations.observed_at IS 'Bench time, as the person or instrument gave it.';
COMMENT ON COLUMN titrant_preparations.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN titrant_preparations.recorded_by IS 'Account that recorded it.';
CREATE INDEX titrant_preparations_titrant_id_index ON titrant_preparations (titrant_id);
CREATE INDEX titrant_preparations_primary_standard_id_index ON titrant_preparations (primary_standard_id);
CREATE INDEX titrant_preparations_balance_id_index ON titrant_preparations (balance_id);
CREATE INDEX titrant_preparations_flask_id_index ON titrant_preparations (flask_id);
CREATE INDEX titrant_preparations_recorded_by_index ON titrant_preparations (recorded_by);
CREATE UNIQUE INDEX titrant_preparations_one_per_lot ON titrant_preparations (titrant_id) WHERE version = 1;
SELECT make_record_table('titrant_preparations');

CREATE TABLE standardisations (
    id uuid CONSTRAINT standardisations_pk PRIMARY KEY,
    code text NOT NULL CONSTRAINT standardisations_code_rule CHECK (code ~ '^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$') CONSTRAINT standardisations_code_once UNIQUE,
    titrant_id uuid NOT NULL CONSTRAINT standardisations_titrant_id REFERENCES titrants (id),
    against text NOT NULL CONSTRAINT standardisations_against_rule CHECK (against IN ('primary standard','titrant')),
    primary_standard_id uuid CONSTRAINT standardisations_primary_standard_id REFERENCES primary_standards (id),
    reference_factor_id uuid,
    balance_id uuid CONSTRAINT standardisations_balance_id REFERENCES equipment (id),
    pipette_id uuid CONSTRAINT standardisations_pipette_id REFERENCES equipment (id),
    burette_id uuid NOT NULL CONSTRAINT standardisations_burette_id REFERENCES equipment (id),
    indicator text NOT NULL,
    valid_days integer NOT NULL CONSTRAINT standardisations_valid_days_rule CHECK (valid_days BETWEEN 1 AND 3660),
    correct_burette boolean NOT NULL,
    correct_temperature boolean NOT NULL,
    correct_buoyancy boolean NOT NULL,
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT standardisations_recorded_by REFERENCES accounts (id),
    CONSTRAINT standardisations_reference CHECK ((against = 'primary standard') = (primary_standard_id IS NOT NULL AND balance_id IS NOT NULL)),
    CONSTRAINT standardisations_titrant CHECK ((against = 'titrant') = (reference_factor_id IS NOT NULL AND pipette_id IS NOT NULL))
);
COMMENT ON TABLE standardisations IS 'Standardisations of a titrant lot.';
COMMENT ON COLUMN standardisations.id IS 'Identity.';
COMMENT ON COLUMN standardisations.code IS 'Code.';
COMMENT ON COLUMN standardisations.titrant_id IS 'Titrant lot that is standardised.';
COMMENT ON COLUMN standardisations.against IS 'Against what.';
COMMENT ON COLUMN standardisations.primary_standard_id IS 'Version of the primary-standard lot.';
COMMENT ON COLUMN standardisations.reference_factor_id IS 'Factor of the titrant that serves as reference.';
COMMENT ON COLUMN standardisations.balance_id IS 'Balance, first version.';
COMMENT ON COLUMN standardisations.pipette_id IS 'Pipette that took the reference titrant, first version.';
COMMENT ON COLUMN standardisations.burette_id IS 'Burette, first version.';
COMMENT ON COLUMN standardisations.indicator IS 'Indicator, by its code.';
COMMENT ON COLUMN standardisations.valid_days IS 'For how many days the factor shall hold.';
COMMENT ON COLUMN standardisations.correct_burette IS 'Whether burette corrections are applied.';
COMMENT ON COLUMN standardisations.correct_temperature IS 'Whether volumes are corrected to 20 C.';
COMMENT ON COLUMN standardisations.correct_buoyancy IS 'Whether masses are corrected for air buoyancy.';
COMMENT ON COLUMN standardisations.observed_at IS 'Bench time, as the person or instrument gave it.';
COMMENT ON COLUMN standardisations.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN standardisations.recorded_by IS 'Account that recorded it.';
CREATE INDEX standardisations_titrant_id_index ON standardisations (titrant_id);
CREATE INDEX standardisations_primary_standard_id_index ON standardisations (primary_standard_id);
CREATE INDEX standardisations_balance_id_index ON standardisations (balance_id);
CREATE INDEX standardisations_pipette_id_index ON standardisations (pipette_id);
CREATE INDEX standardisations_burette_id_index ON standardisations (burette_id);
CREATE INDEX standardisations_recorded_by_index ON standardisations (recorded_by);
SELECT make_record_table('standardisations');

CREATE TABLE standardisation_titrations (
    id uuid CONSTRAINT standardisation_titrations_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT standardisation_titrations_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT standardisation_titrations_supersedes_once UNIQUE CONSTRAINT standardisation_titrations_supersedes REFERENCES standardisation_titrations (id),
    reason text CONSTRAINT standardisation_titrations_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    standardisation_id uuid NOT NULL CONSTRAINT standardisation_titrations_standardisation_id REFERENCES standardisations (id),
    position integer NOT NULL CONSTRAINT standardisation_titrations_position_rule CHECK (position >= 1),
    kind text NOT NULL CONSTRAINT standardisation_titrations_kind_rule CHECK (kind IN ('replicate','blank')),
    mass_g numeric CONSTRAINT standardisation_titrations_mass_g_rule CHECK (mass_g > 0),
    initial_readings numeric[] NOT NULL,
    final_readings numeric[] NOT NULL CONSTRAINT standardisation_titrations_final_readings_rule CHECK (cardinality(final_readings) = cardinality(initial_readings) AND cardinality(final_readings) >= 1),
    solution_temperature numeric,
    end_point text NOT NULL,
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT standardisation_titrations_recorded_by REFERENCES accounts (id),
    CONSTRAINT standardisation_titrations_version_once UNIQUE (record_id, version),
    CONSTRAINT standardisation_titrations_mass CHECK (kind = 'replicate' OR mass_g IS NULL)
);
COMMENT ON TABLE standardisation_titrations IS 'Replicates and blanks of a standardisation.';
COMMENT ON COLUMN standardisation_titrations.id IS 'Identity.';
COMMENT ON COLUMN standardisation_titrations.record_id IS 'The thing itself, the same in all its versions: the id of the first.';
COMMENT ON COLUMN standardisation_titrations.version IS 'Version, from 1.';
COMMENT ON COLUMN standardisation_titrations.supersedes IS 'Version this one corrects; each can be corrected once.';
COMMENT ON COLUMN standardisation_titrations.reason IS 'Reason of the correction.';
COMMENT ON COLUMN standardisation_titrations.standardisation_id IS 'Standardisation.';
COMMENT ON COLUMN standardisation_titrations.position IS 'Order of recording, from 1.';
COMMENT ON COLUMN standardisation_titrations.kind IS 'Replicate or blank.';
COMMENT ON COLUMN standardisation_titrations.mass_g IS 'Mass of standard, g, as read; null for a blank or an aliquot of a titrant.';
COMMENT ON COLUMN standardisation_titrations.initial_readings IS 'Burette readings before each segment, mL, as entered.';
COMMENT ON COLUMN standardisation_titrations.final_readings IS 'Burette readings after each segment, mL, as entered.';
COMMENT ON COLUMN standardisation_titrations.solution_temperature IS 'Temperature of the titrant, C.';
COMMENT ON COLUMN standardisation_titrations.end_point IS 'End point as seen, in words.';
COMMENT ON COLUMN standardisation_titrations.observed_at IS 'Bench time, as the person or instrument gave it.';
COMMENT ON COLUMN standardisation_titrations.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN standardisation_titrations.recorded_by IS 'Account that recorded it.';
CREATE INDEX standardisation_titrations_standardisation_id_index ON standardisation_titrations (standardisation_id);
CREATE INDEX standardisation_titrations_recorded_by_index ON standardisation_titrations (recorded_by);
CREATE UNIQUE INDEX standardisation_titrations_order ON standardisation_titrations (standardisation_id, position) WHERE version = 1;
SELECT make_record_table('standardisation_titrations');

CREATE TABLE titrant_factors (
    id uuid CONSTRAINT titrant_factors_pk PRIMARY KEY,
    titrant_id uuid NOT NULL CONSTRAINT titrant_factors_titrant_id REFERENCES titrants (id),
    preparation_id uuid CONSTRAINT titrant_factors_preparation_id REFERENCES titrant_preparations (id),
    standardisation_id uuid CONSTRAINT titrant_factors_standardisation_id REFERENCES standardisations (id),
    concentration numeric NOT NULL CONSTRAINT titrant_factors_concentration_rule CHECK (concentration > 0),
    standard_uncertainty numeric NOT NULL CONSTRAINT titrant_factors_standard_uncertainty_rule CHECK (standard_uncertainty >= 0),
    degrees_of_freedom numeric,
    factor numeric NOT NULL CONSTRAINT titrant_factors_factor_rule CHECK (factor > 0),
    valid_from timestamptz NOT NULL,
    valid_to timestamptz NOT NULL,
    evaluation text NOT NULL,
    formula_set text NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT titrant_factors_recorded_by REFERENCES accounts (id),
    CONSTRAINT titrant_factors_source CHECK (num_nonnulls(preparation_id, standardisation_id) = 1),
    CONSTRAINT titrant_factors_window CHECK (valid_to > valid_from),
    CONSTRAINT titrant_factors_start_once UNIQUE (titrant_id, valid_from)
);
COMMENT ON TABLE titrant_factors IS 'Concentrations a titrant lot had, each from its moment on. The one in force is the latest that has begun.';
COMMENT ON COLUMN titrant_factors.id IS 'Identity.';
COMMENT ON COLUMN titrant_factors.titrant_id IS 'Titrant lot.';
COMMENT ON COLUMN titrant_factors.preparation_id IS 'Preparation it comes from.';
COMMENT ON COLUMN titrant_factors.standardisation_id IS 'Standardisation it comes from.';
COMMENT ON COLUMN titrant_factors.concentration IS 'Amount concentration at 20 C, mol/L, unrounded.';
COMMENT ON COLUMN titrant_factors.standard_uncertainty IS 'Its standard uncertainty, mol/L, unrounded.';
COMMENT ON COLUMN titrant_factors.degrees_of_freedom IS 'Effective degrees of freedom; null for unlimited.';
COMMENT ON COLUMN titrant_factors.factor IS 'Concentration divided by the nominal one, unrounded.';
COMMENT ON COLUMN titrant_factors.valid_from IS 'From when it counts.';
COMMENT ON COLUMN titrant_factors.valid_to IS 'Until when it may be used.';
COMMENT ON COLUMN titrant_factors.evaluation IS 'The evaluation it was taken from, as JSON text.';
COMMENT ON COLUMN titrant_factors.formula_set IS 'Version of the formulae.';
COMMENT ON COLUMN titrant_factors.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN titrant_factors.recorded_by IS 'Account that recorded it.';
CREATE INDEX titrant_factors_titrant_id_index ON titrant_factors (titrant_id);
CREATE INDEX titrant_factors_preparation_id_index ON titrant_factors (preparation_id);
CREATE INDEX titrant_factors_standardisation_id_index ON titrant_factors (standardisation_id);
CREATE INDEX titrant_factors_recorded_by_index ON titrant_factors (recorded_by);
SELECT make_record_table('titrant_factors');

ALTER TABLE standardisations ADD CONSTRAINT standardisations_reference_factor_id FOREIGN KEY (reference_factor_id) REFERENCES titrant_factors (id);
CREATE INDEX standardisations_reference_factor_id_index ON standardisations (reference_factor_id);
