CREATE TABLE imported_tables (
    id uuid CONSTRAINT imported_tables_pk PRIMARY KEY,
    purpose text NOT NULL CONSTRAINT imported_tables_purpose_rule CHECK (purpose IN ('samples','equipment','calibrations','primary-standards','reagents','control-values')),
    subject_id uuid,
    file_name text NOT NULL CONSTRAINT imported_tables_file_name_rule CHECK (file_name <> ''),
    format text NOT NULL CONSTRAINT imported_tables_format_rule CHECK (format IN ('xlsx','ods','text')),
    reading jsonb NOT NULL,
    digest text NOT NULL CONSTRAINT imported_tables_digest_rule CHECK (digest ~ '^[0-9a-f]{64}$'),
    content bytea NOT NULL,
    records integer NOT NULL CONSTRAINT imported_tables_records_rule CHECK (records >= 1),
    became jsonb NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT imported_tables_recorded_by REFERENCES accounts (id),
    CONSTRAINT imported_tables_subject_rule CHECK ((purpose = 'control-values') = (subject_id IS NOT NULL)),
    CONSTRAINT imported_tables_content_rule CHECK (encode(sha256(content), 'hex') = digest)
);
COMMENT ON TABLE imported_tables IS 'Tables of what a laboratory has, whose rows became records, kept as they came.';
COMMENT ON COLUMN imported_tables.id IS 'Identity.';
COMMENT ON COLUMN imported_tables.purpose IS 'What the rows became.';
COMMENT ON COLUMN imported_tables.subject_id IS 'What they belong to, where they belong to one thing: the control chart.';
COMMENT ON COLUMN imported_tables.file_name IS 'Name of the file, as given.';
COMMENT ON COLUMN imported_tables.format IS 'What the file is.';
COMMENT ON COLUMN imported_tables.reading IS 'How it was read: sheet, marks, columns, what stood in every row.';
COMMENT ON COLUMN imported_tables.digest IS 'SHA-256 of the file.';
COMMENT ON COLUMN imported_tables.content IS 'The file, as it came. Its audit event holds a digest.';
COMMENT ON COLUMN imported_tables.records IS 'Number of records made of it.';
COMMENT ON COLUMN imported_tables.became IS 'Every row with the record it became. Its audit event holds a digest.';
COMMENT ON COLUMN imported_tables.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN imported_tables.recorded_by IS 'Account that recorded it.';
CREATE INDEX imported_tables_subject ON imported_tables (subject_id) WHERE subject_id IS NOT NULL;
CREATE INDEX imported_tables_recorded_by_index ON imported_tables (recorded_by);
SELECT make_record_table('imported_tables', 'content', 'became');
