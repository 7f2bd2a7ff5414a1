-- Heads in the form others read (C2SP tlog-checkpoint), beside the signatures there are: a head signed before stays valid and
-- is joined to the first checkpoint by a consistency proof.
CREATE TABLE audit_checkpoints (
    tree_size bigint CONSTRAINT audit_checkpoints_pk PRIMARY KEY
        CONSTRAINT audit_checkpoints_head REFERENCES audit_tree_heads (tree_size),
    note text NOT NULL
);
COMMENT ON TABLE audit_checkpoints IS 'Tree heads as signed notes (C2SP signed-note, tlog-checkpoint). Append only.';
COMMENT ON COLUMN audit_checkpoints.tree_size IS 'Number of leaves under the root.';
COMMENT ON COLUMN audit_checkpoints.note IS 'The note as signed: origin, size, root, and the signature of the log.';
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON audit_checkpoints FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
GRANT SELECT, INSERT ON audit_checkpoints TO ferrotitre_app;

ALTER TABLE exports DROP CONSTRAINT exports_format_rule;
ALTER TABLE exports ADD CONSTRAINT exports_format_rule CHECK (format IN ('json', 'csv', 'xlsx', 'bundle'));
