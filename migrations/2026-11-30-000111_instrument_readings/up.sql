-- What balances and piston burettes showed, sent by the connector with a token of the instrument, and which records were made of it.

CREATE TABLE instrument_readings (
    id uuid CONSTRAINT instrument_readings_pk PRIMARY KEY,
    sent_as uuid NOT NULL CONSTRAINT instrument_readings_sent_once UNIQUE,
    equipment_id uuid NOT NULL CONSTRAINT instrument_readings_equipment_id REFERENCES equipment (id),
    quantity text NOT NULL CONSTRAINT instrument_readings_quantity CHECK (quantity IN ('mass', 'volume')),
    value numeric NOT NULL,
    unit text NOT NULL CONSTRAINT instrument_readings_unit CHECK ((quantity, unit) IN (('mass', 'g'), ('volume', 'mL'))),
    raw_line text NOT NULL CONSTRAINT instrument_readings_raw_line CHECK (length(raw_line) BETWEEN 1 AND 2000),
    observed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT instrument_readings_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE instrument_readings IS 'Readings as instruments printed them; a person accepts one, or none.';
COMMENT ON COLUMN instrument_readings.id IS 'Identity.';
COMMENT ON COLUMN instrument_readings.sent_as IS 'Identity that the connector made before it sent the reading: sent again, it is the same reading.';
COMMENT ON COLUMN instrument_readings.equipment_id IS 'Balance or piston burette, by the identity of all its versions.';
COMMENT ON COLUMN instrument_readings.quantity IS 'mass or volume.';
COMMENT ON COLUMN instrument_readings.value IS 'Value with the digits that were printed.';
COMMENT ON COLUMN instrument_readings.unit IS 'g or mL.';
COMMENT ON COLUMN instrument_readings.raw_line IS 'The line as the instrument printed it; bytes that are no text as \x and two hexadecimal digits.';
COMMENT ON COLUMN instrument_readings.observed_at IS 'When the line came, by the clock of the connector.';
COMMENT ON COLUMN instrument_readings.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN instrument_readings.recorded_by IS 'Account of the instrument whose token sent it.';
CREATE INDEX instrument_readings_equipment_id_index ON instrument_readings (equipment_id, id DESC);
CREATE INDEX instrument_readings_recorded_by_index ON instrument_readings (recorded_by);
SELECT make_record_table('instrument_readings');

CREATE TABLE reading_uses (
    id uuid CONSTRAINT reading_uses_pk PRIMARY KEY,
    reading_id uuid NOT NULL CONSTRAINT reading_uses_once UNIQUE CONSTRAINT reading_uses_reading_id REFERENCES instrument_readings (id),
    entity_kind text NOT NULL,
    entity_id uuid NOT NULL,
    record_id uuid NOT NULL,
    field text NOT NULL CONSTRAINT reading_uses_field CHECK (length(field) BETWEEN 1 AND 64),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT reading_uses_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE reading_uses IS 'Which reading of an instrument somebody accepted for which value of a record; only where the value recorded is the one that was read.';
COMMENT ON COLUMN reading_uses.id IS 'Identity.';
COMMENT ON COLUMN reading_uses.reading_id IS 'The reading; it is used once.';
COMMENT ON COLUMN reading_uses.entity_kind IS 'Kind of record, by the name of its table.';
COMMENT ON COLUMN reading_uses.entity_id IS 'The record; of a thing with versions, this version.';
COMMENT ON COLUMN reading_uses.record_id IS 'The thing in all its versions.';
COMMENT ON COLUMN reading_uses.field IS 'Name of the value in the record, such as mass_g.';
COMMENT ON COLUMN reading_uses.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN reading_uses.recorded_by IS 'Who accepted it.';
CREATE INDEX reading_uses_record_id_index ON reading_uses (record_id);
CREATE INDEX reading_uses_entity_id_index ON reading_uses (entity_id);
CREATE INDEX reading_uses_recorded_by_index ON reading_uses (recorded_by);
SELECT make_record_table('reading_uses');
