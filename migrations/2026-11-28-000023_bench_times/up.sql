-- Why something was recorded long after it was observed. A table of its own: with a new column, rows already there would no longer
-- be the bytes of their events.
CREATE TABLE late_entries (
    id uuid CONSTRAINT late_entries_pk PRIMARY KEY,
    entity_kind text NOT NULL,
    entity_id uuid NOT NULL,
    observed_at timestamptz NOT NULL,
    reason text NOT NULL CONSTRAINT late_entries_reason CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT late_entries_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE late_entries IS 'Records that were made long after what they are about, and why.';
COMMENT ON COLUMN late_entries.id IS 'Identity.';
COMMENT ON COLUMN late_entries.entity_kind IS 'Kind of record, by the name of its table.';
COMMENT ON COLUMN late_entries.entity_id IS 'The record; of a thing with versions, the version.';
COMMENT ON COLUMN late_entries.observed_at IS 'Bench time of the record.';
COMMENT ON COLUMN late_entries.reason IS 'Why it was recorded so much later.';
COMMENT ON COLUMN late_entries.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN late_entries.recorded_by IS 'Account that recorded it.';
CREATE INDEX late_entries_entity ON late_entries (entity_id);
CREATE INDEX late_entries_recorded_by_index ON late_entries (recorded_by);
SELECT make_record_table('late_entries');

CREATE TABLE account_starts (
    id uuid CONSTRAINT account_starts_pk PRIMARY KEY,
    account_id uuid NOT NULL CONSTRAINT account_starts_once UNIQUE
        CONSTRAINT account_starts_account_id REFERENCES accounts (id),
    since date NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT account_starts_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE account_starts IS 'Since when the owner of an account has worked here, where that is longer than the account: records may be taken over from then on.';
COMMENT ON COLUMN account_starts.id IS 'Identity.';
COMMENT ON COLUMN account_starts.account_id IS 'Account.';
COMMENT ON COLUMN account_starts.since IS 'First day.';
COMMENT ON COLUMN account_starts.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN account_starts.recorded_by IS 'Account that recorded it; null when made from the command line.';
CREATE INDEX account_starts_recorded_by_index ON account_starts (recorded_by);
SELECT make_record_table('account_starts');
