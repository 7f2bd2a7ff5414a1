ALTER TABLE exports DROP CONSTRAINT exports_format_rule;
-- Bundles that were handed out stay on record; only new ones are refused again.
ALTER TABLE exports ADD CONSTRAINT exports_format_rule CHECK (format IN ('json','csv','xlsx')) NOT VALID;
DROP TABLE audit_checkpoints;
