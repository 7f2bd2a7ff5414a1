-- What was added to a blank has a record and an uncertainty; a standardisation may state how far its replicates may differ.

-- A table of its own: with new columns, blanks already there would no longer be the bytes of their events.
CREATE TABLE blank_additions (
    id uuid CONSTRAINT blank_additions_pk PRIMARY KEY,
    blank_id uuid NOT NULL CONSTRAINT blank_additions_once UNIQUE CONSTRAINT blank_additions_blank_id REFERENCES blanks (id),
    titrant_id uuid CONSTRAINT blank_additions_titrant_id REFERENCES titrants (id),
    factor_id uuid CONSTRAINT blank_additions_factor_id REFERENCES titrant_factors (id),
    pipette_id uuid CONSTRAINT blank_additions_pipette_id REFERENCES equipment (id),
    equivalent_u_ml numeric CONSTRAINT blank_additions_equivalent_u_ml_rule CHECK (equivalent_u_ml >= 0),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT blank_additions_recorded_by REFERENCES accounts (id),
    CONSTRAINT blank_additions_one CHECK ((titrant_id IS NULL) <> (equivalent_u_ml IS NULL)),
    CONSTRAINT blank_additions_solution CHECK ((titrant_id IS NULL) = (factor_id IS NULL) AND (titrant_id IS NULL) = (pipette_id IS NULL))
);
COMMENT ON TABLE blank_additions IS 'What was added to a blank: a solution by a pipette, or the uncertainty of a stated equivalent.';
COMMENT ON COLUMN blank_additions.id IS 'Identity.';
COMMENT ON COLUMN blank_additions.blank_id IS 'The blank, in this version.';
COMMENT ON COLUMN blank_additions.titrant_id IS 'Lot of the solution: iron(II), or the oxidant of a back-titration.';
COMMENT ON COLUMN blank_additions.factor_id IS 'Factor of that lot in force at the time.';
COMMENT ON COLUMN blank_additions.pipette_id IS 'Pipette that added it, first version.';
COMMENT ON COLUMN blank_additions.equivalent_u_ml IS 'Standard uncertainty of the equivalent stated with the blank, mL of titrant.';
COMMENT ON COLUMN blank_additions.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN blank_additions.recorded_by IS 'Account that recorded it.';
CREATE INDEX blank_additions_titrant_id_index ON blank_additions (titrant_id);
CREATE INDEX blank_additions_factor_id_index ON blank_additions (factor_id);
CREATE INDEX blank_additions_pipette_id_index ON blank_additions (pipette_id);
CREATE INDEX blank_additions_recorded_by_index ON blank_additions (recorded_by);
SELECT make_record_table('blank_additions');

-- Iron(II) is stated as an equivalent, or added as a solution, whose line stands in the table above.
ALTER TABLE blanks DROP CONSTRAINT blanks_iron;
ALTER TABLE blanks ADD CONSTRAINT blanks_iron CHECK (iron_equivalent_ml IS NULL OR kind = 'reagent with iron(II)');

CREATE TABLE standardisation_limits (
    id uuid CONSTRAINT standardisation_limits_pk PRIMARY KEY,
    standardisation_id uuid NOT NULL CONSTRAINT standardisation_limits_once UNIQUE CONSTRAINT standardisation_limits_standardisation_id REFERENCES standardisations (id),
    agreement_percent numeric NOT NULL CONSTRAINT standardisation_limits_agreement_percent_rule CHECK (agreement_percent > 0 AND agreement_percent <= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT standardisation_limits_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE standardisation_limits IS 'How far the replicates of a standardisation may differ, where another limit than the usual one was stated before they were made.';
COMMENT ON COLUMN standardisation_limits.id IS 'Identity.';
COMMENT ON COLUMN standardisation_limits.standardisation_id IS 'Standardisation.';
COMMENT ON COLUMN standardisation_limits.agreement_percent IS 'Largest range of the concentrations relative to their mean, %.';
COMMENT ON COLUMN standardisation_limits.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN standardisation_limits.recorded_by IS 'Account that recorded it.';
CREATE INDEX standardisation_limits_recorded_by_index ON standardisation_limits (recorded_by);
SELECT make_record_table('standardisation_limits');
