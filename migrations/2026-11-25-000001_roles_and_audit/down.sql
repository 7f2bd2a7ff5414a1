DROP FUNCTION make_record_table(regclass, text[]);
DROP TABLE audit_tree_heads;
DROP TABLE audit_leaves;
DROP TABLE audit_pending;
DROP TABLE audit_events;
DROP FUNCTION refuse_change();
DROP FUNCTION audit_insert();
-- The role stays: other databases of the same cluster may use it.
REVOKE USAGE ON SCHEMA public FROM ferrotitre_app;
