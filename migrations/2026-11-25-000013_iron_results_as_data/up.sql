-- A table of its own: with a new column, data already there would no longer be the bytes of their events.
CREATE TABLE validation_iron_data (
    id uuid CONSTRAINT validation_iron_data_pk PRIMARY KEY,
    datum_id uuid NOT NULL CONSTRAINT validation_iron_data_datum_once UNIQUE CONSTRAINT validation_iron_data_datum_id REFERENCES validation_data (id),
    characteristic_id uuid NOT NULL CONSTRAINT validation_iron_data_characteristic_id REFERENCES validation_characteristics (id),
    iron_result_id uuid NOT NULL CONSTRAINT validation_iron_data_iron_result_id REFERENCES iron_results (id),
    total numeric NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT validation_iron_data_recorded_by REFERENCES accounts (id),
    CONSTRAINT validation_iron_data_once UNIQUE (characteristic_id, iron_result_id)
);
COMMENT ON TABLE validation_iron_data IS 'Iron results that gave data of validation studies.';
COMMENT ON COLUMN validation_iron_data.id IS 'Identity.';
COMMENT ON COLUMN validation_iron_data.datum_id IS 'Datum: iron(III) by difference and its standard uncertainty.';
COMMENT ON COLUMN validation_iron_data.characteristic_id IS 'Characteristic of the datum; an iron result is taken once for each.';
COMMENT ON COLUMN validation_iron_data.iron_result_id IS 'Iron result whose evaluation gave the value.';
COMMENT ON COLUMN validation_iron_data.total IS 'Total iron of the same evaluation, in the unit of the characteristic.';
COMMENT ON COLUMN validation_iron_data.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN validation_iron_data.recorded_by IS 'Account that recorded it.';
CREATE INDEX validation_iron_data_iron_result_id_index ON validation_iron_data (iron_result_id);
CREATE INDEX validation_iron_data_recorded_by_index ON validation_iron_data (recorded_by);
SELECT make_record_table('validation_iron_data');
CREATE TRIGGER study_running BEFORE INSERT ON validation_iron_data FOR EACH ROW EXECUTE FUNCTION refuse_unless_running();

ALTER TABLE validation_data DROP CONSTRAINT validation_data_source_rule;
ALTER TABLE validation_data ADD CONSTRAINT validation_data_source_rule CHECK (source IN ('determination','iron result','table','person'));
ALTER TABLE validation_data DROP CONSTRAINT validation_data_origin;
ALTER TABLE validation_data ADD CONSTRAINT validation_data_origin CHECK ((source = 'determination') = (determination_id IS NOT NULL) AND (source IN ('determination','iron result')) = (content_digest IS NOT NULL) AND (source = 'table') = (file_id IS NOT NULL) AND (source = 'table') = (line IS NOT NULL));
COMMENT ON COLUMN validation_data.source IS 'A determination or an iron result of the record, a row of an imported table, or a person.';
