-- Certificates of calibrations and of reference materials as files; whatever names the digest has the file.

CREATE TABLE certificate_files (
    id uuid CONSTRAINT certificate_files_pk PRIMARY KEY,
    digest text NOT NULL CONSTRAINT certificate_files_digest_once UNIQUE CONSTRAINT certificate_files_digest_rule CHECK (digest ~ '^[0-9a-f]{64}$'),
    file_name text NOT NULL CONSTRAINT certificate_files_file_name_rule CHECK (length(file_name) BETWEEN 1 AND 200),
    media_type text NOT NULL CONSTRAINT certificate_files_media_type_rule CHECK (media_type IN ('application/pdf', 'image/png', 'image/jpeg')),
    content bytea NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT certificate_files_recorded_by REFERENCES accounts (id),
    CONSTRAINT certificate_files_content_rule CHECK (encode(sha256(content), 'hex') = digest)
);
COMMENT ON TABLE certificate_files IS 'Files of certificates, each once.';
COMMENT ON COLUMN certificate_files.id IS 'Identity.';
COMMENT ON COLUMN certificate_files.digest IS 'SHA-256 of the file, by which calibrations and lots name it.';
COMMENT ON COLUMN certificate_files.file_name IS 'Name of the file, as given.';
COMMENT ON COLUMN certificate_files.media_type IS 'What the file is, by its first bytes.';
COMMENT ON COLUMN certificate_files.content IS 'The file, as it came. Its audit event holds a digest.';
COMMENT ON COLUMN certificate_files.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN certificate_files.recorded_by IS 'Account that recorded it.';
CREATE INDEX certificate_files_recorded_by_index ON certificate_files (recorded_by);
SELECT make_record_table('certificate_files', 'content');
