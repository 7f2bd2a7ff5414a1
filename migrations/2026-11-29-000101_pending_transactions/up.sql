-- What a transaction promises with its answer is found by its number, however many events wait for their leaves.
ALTER TABLE audit_pending ADD COLUMN made_in bigint NOT NULL DEFAULT pg_current_xact_id()::text::bigint;
COMMENT ON COLUMN audit_pending.made_in IS 'Number of the transaction that made the event.';
CREATE INDEX audit_pending_made_in ON audit_pending (made_in);
