-- Refused where an iron result gave a datum: such a row cannot be taken back.
COMMENT ON COLUMN validation_data.source IS 'A determination of the record, a row of an imported table, or a person.';
ALTER TABLE validation_data DROP CONSTRAINT validation_data_origin;
ALTER TABLE validation_data ADD CONSTRAINT validation_data_origin CHECK ((source = 'determination') = (determination_id IS NOT NULL) AND (source = 'determination') = (content_digest IS NOT NULL) AND (source = 'table') = (file_id IS NOT NULL) AND (source = 'table') = (line IS NOT NULL));
ALTER TABLE validation_data DROP CONSTRAINT validation_data_source_rule;
ALTER TABLE validation_data ADD CONSTRAINT validation_data_source_rule CHECK (source IN ('determination','table','person'));
DROP TABLE validation_iron_data;
