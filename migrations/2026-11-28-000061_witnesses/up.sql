-- Who countersigns heads, and how many must: decided on record. What they countersigned is kept beside the heads.
CREATE TABLE witness_policies (
    id uuid CONSTRAINT witness_policies_pk PRIMARY KEY,
    witnesses text[] NOT NULL,
    addresses text[] NOT NULL,
    needed integer NOT NULL,
    within_hours integer NOT NULL CONSTRAINT witness_policies_within_hours CHECK (within_hours BETWEEN 1 AND 8760),
    reason text NOT NULL CONSTRAINT witness_policies_reason CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT witness_policies_recorded_by REFERENCES accounts (id),
    CONSTRAINT witness_policies_pairs CHECK (cardinality(witnesses) = cardinality(addresses) AND cardinality(witnesses) <= 16),
    CONSTRAINT witness_policies_needed CHECK (needed BETWEEN 0 AND cardinality(witnesses))
);
COMMENT ON TABLE witness_policies IS 'Decisions on who countersigns the heads of the audit log and how many must; the newest counts.';
COMMENT ON COLUMN witness_policies.id IS 'Identity.';
COMMENT ON COLUMN witness_policies.witnesses IS 'Keys of the witnesses, as NAME+ID+KEY.';
COMMENT ON COLUMN witness_policies.addresses IS 'Address of each, below which add-checkpoint is.';
COMMENT ON COLUMN witness_policies.needed IS 'How many must have countersigned a head.';
COMMENT ON COLUMN witness_policies.within_hours IS 'Age of the last such head above which an alert is raised, hours.';
COMMENT ON COLUMN witness_policies.reason IS 'Why, at least 5 characters.';
COMMENT ON COLUMN witness_policies.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN witness_policies.recorded_by IS 'Account that decided.';
CREATE INDEX witness_policies_recorded_by_index ON witness_policies (recorded_by);
SELECT make_record_table('witness_policies');

-- No events of their own: each would make a new head, which would be countersigned again.
CREATE TABLE audit_cosignatures (
    tree_size bigint NOT NULL CONSTRAINT audit_cosignatures_checkpoint REFERENCES audit_checkpoints (tree_size),
    witness text NOT NULL,
    line text NOT NULL,
    signed_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    CONSTRAINT audit_cosignatures_pk PRIMARY KEY (tree_size, witness)
);
COMMENT ON TABLE audit_cosignatures IS 'What witnesses countersigned (C2SP tlog-cosignature). Append only.';
COMMENT ON COLUMN audit_cosignatures.tree_size IS 'Checkpoint.';
COMMENT ON COLUMN audit_cosignatures.witness IS 'Key of the witness, as NAME+ID+KEY.';
COMMENT ON COLUMN audit_cosignatures.line IS 'The line of signature.';
COMMENT ON COLUMN audit_cosignatures.signed_at IS 'When the witness says it signed.';
COMMENT ON COLUMN audit_cosignatures.recorded_at IS 'Server time of recording.';
CREATE INDEX audit_cosignatures_witness ON audit_cosignatures (witness, tree_size);
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON audit_cosignatures FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
GRANT SELECT, INSERT ON audit_cosignatures TO ferrotitre_app;
