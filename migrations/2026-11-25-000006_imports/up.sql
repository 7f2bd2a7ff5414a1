CREATE TABLE imported_files (
    id uuid CONSTRAINT imported_files_pk PRIMARY KEY,
    purpose text NOT NULL CONSTRAINT imported_files_purpose_rule CHECK (purpose IN ('control values')),
    subject_id uuid NOT NULL,
    file_name text NOT NULL,
    decimal_mark text NOT NULL CONSTRAINT imported_files_decimal_mark_rule CHECK (decimal_mark IN ('point','comma')),
    separator text NOT NULL CONSTRAINT imported_files_separator_rule CHECK (separator IN ('comma','semicolon','tab')),
    digest text NOT NULL CONSTRAINT imported_files_digest_rule CHECK (digest ~ '^[0-9a-f]{64}$'),
    content text NOT NULL,
    records integer NOT NULL CONSTRAINT imported_files_records_rule CHECK (records >= 1),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT imported_files_recorded_by REFERENCES accounts (id),
    CONSTRAINT imported_files_once UNIQUE (subject_id, digest)
);
COMMENT ON TABLE imported_files IS 'Files whose rows became records, kept as they came.';
COMMENT ON COLUMN imported_files.id IS 'Identity.';
COMMENT ON COLUMN imported_files.purpose IS 'What the rows became.';
COMMENT ON COLUMN imported_files.subject_id IS 'What they belong to: the chart.';
COMMENT ON COLUMN imported_files.file_name IS 'Name of the file, as given.';
COMMENT ON COLUMN imported_files.decimal_mark IS 'Decimal mark, as declared.';
COMMENT ON COLUMN imported_files.separator IS 'Separator of the columns, as declared.';
COMMENT ON COLUMN imported_files.digest IS 'SHA-256 of the text.';
COMMENT ON COLUMN imported_files.content IS 'The text, as it came. Its audit event holds the digest.';
COMMENT ON COLUMN imported_files.records IS 'Number of records made of it.';
COMMENT ON COLUMN imported_files.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN imported_files.recorded_by IS 'Account that recorded it.';
CREATE INDEX imported_files_recorded_by_index ON imported_files (recorded_by);
SELECT make_record_table('imported_files', 'content');
