DROP TABLE validation_conclusions;
DROP TABLE validation_exclusions;
DROP TABLE validation_data;
DROP TABLE validation_amendments;
DROP TABLE validation_characteristics;
DROP TABLE validation_studies;
DROP FUNCTION refuse_exclusion_unless_running();
DROP FUNCTION refuse_unless_running();
DROP FUNCTION refuse_after_approval();
DROP FUNCTION validation_state(uuid);
ALTER TABLE imported_files DROP CONSTRAINT imported_files_purpose_rule;
ALTER TABLE imported_files ADD CONSTRAINT imported_files_purpose_rule CHECK (purpose IN ('control values')) NOT VALID;
-- Files kept for validation data stay: records are not removed.
COMMENT ON COLUMN imported_files.subject_id IS 'What they belong to: the chart.';
