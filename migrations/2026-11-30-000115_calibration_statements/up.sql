-- How a certificate states what the standard uncertainty of a calibration was taken from. A table of its own: with new columns,
-- calibrations already there would no longer be the bytes of their events.

CREATE TABLE calibration_statements (
    id uuid CONSTRAINT calibration_statements_pk PRIMARY KEY,
    calibration_id uuid NOT NULL CONSTRAINT calibration_statements_once UNIQUE CONSTRAINT calibration_statements_calibration_id REFERENCES equipment_calibrations (id),
    stated_as text NOT NULL CONSTRAINT calibration_statements_stated_as CHECK (stated_as IN ('expanded uncertainty', 'permissible error', 'accuracy class', 'repeatability and linearity')),
    value numeric,
    unit text CONSTRAINT calibration_statements_unit CHECK (unit IN ('mL', 'g', 'C', '%', 'ppm')),
    coverage_factor numeric,
    accuracy_class text CONSTRAINT calibration_statements_accuracy_class CHECK (accuracy_class IN ('A', 'AS', 'B')),
    linearity numeric,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT calibration_statements_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE calibration_statements IS 'What a certificate states, from which the standard uncertainty of the calibration follows.';
COMMENT ON COLUMN calibration_statements.id IS 'Identity.';
COMMENT ON COLUMN calibration_statements.calibration_id IS 'The calibration.';
COMMENT ON COLUMN calibration_statements.stated_as IS 'expanded uncertainty, permissible error, accuracy class, or repeatability and linearity.';
COMMENT ON COLUMN calibration_statements.value IS 'Value as printed: expanded uncertainty, permissible error, or repeatability.';
COMMENT ON COLUMN calibration_statements.unit IS 'Its unit: that of the equipment, per cent or ppm of the value.';
COMMENT ON COLUMN calibration_statements.coverage_factor IS 'Coverage factor of an expanded uncertainty.';
COMMENT ON COLUMN calibration_statements.accuracy_class IS 'Accuracy class as marked.';
COMMENT ON COLUMN calibration_statements.linearity IS 'Largest deviation from linearity, in the unit of the equipment.';
COMMENT ON COLUMN calibration_statements.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN calibration_statements.recorded_by IS 'Account that recorded it.';
CREATE INDEX calibration_statements_recorded_by_index ON calibration_statements (recorded_by);
SELECT make_record_table('calibration_statements');
