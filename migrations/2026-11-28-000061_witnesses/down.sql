DROP TABLE audit_cosignatures;
DROP TABLE witness_policies;
