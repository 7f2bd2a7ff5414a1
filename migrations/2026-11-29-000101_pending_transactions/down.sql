ALTER TABLE audit_pending DROP COLUMN made_in;
