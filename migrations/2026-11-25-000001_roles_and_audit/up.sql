-- The service's own role owns nothing. It is created by whoever migrates, who must be allowed to create roles.
DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'ferrotitre_app') THEN
        CREATE ROLE ferrotitre_app LOGIN;
    END IF;
EXCEPTION WHEN duplicate_object OR unique_violation THEN
    NULL; -- another process created it at the same moment
END
$$;

CREATE TABLE audit_events (
    id uuid CONSTRAINT audit_events_pk PRIMARY KEY DEFAULT gen_random_uuid(),
    at timestamptz NOT NULL DEFAULT clock_timestamp(),
    actor uuid,
    actor_kind text NOT NULL CONSTRAINT audit_events_actor_kind CHECK (actor_kind IN ('person', 'service', 'system', 'nobody')),
    source_address text,
    action text NOT NULL,
    entity_kind text NOT NULL,
    entity_id uuid,
    before_row text,
    after_row text,
    reason text,
    request_id text
);
COMMENT ON TABLE audit_events IS 'What was done, by whom, when and why; one row per change, written in the change''s own transaction. Append only.';
COMMENT ON COLUMN audit_events.id IS 'Identity of the event.';
COMMENT ON COLUMN audit_events.at IS 'Server time of the event.';
COMMENT ON COLUMN audit_events.actor IS 'Account that acted; null for the system itself and for failed sign-ins of unknown names.';
COMMENT ON COLUMN audit_events.actor_kind IS 'person, service (an instrument''s token), system (the service or its operator) or nobody (not signed in).';
COMMENT ON COLUMN audit_events.source_address IS 'Network address the request came from.';
COMMENT ON COLUMN audit_events.action IS 'What was done, by the name of the permission it needed.';
COMMENT ON COLUMN audit_events.entity_kind IS 'Table of the row concerned.';
COMMENT ON COLUMN audit_events.entity_id IS 'Identity of the row concerned.';
COMMENT ON COLUMN audit_events.before_row IS 'The superseded row as JSON text, if the new row supersedes one.';
COMMENT ON COLUMN audit_events.after_row IS 'The new row as JSON text, secrets left out.';
COMMENT ON COLUMN audit_events.reason IS 'Reason given, if one was asked for.';
COMMENT ON COLUMN audit_events.request_id IS 'Identity of the request, as in the answer and in the log.';
CREATE INDEX audit_events_at ON audit_events (at, id);
CREATE INDEX audit_events_entity ON audit_events (entity_id, at);
CREATE INDEX audit_events_actor ON audit_events (actor, at);

CREATE TABLE audit_pending (
    event_id uuid CONSTRAINT audit_pending_pk PRIMARY KEY
        CONSTRAINT audit_pending_event REFERENCES audit_events (id)
);
COMMENT ON TABLE audit_pending IS 'Events not yet in the tree; emptied by the sealer. A working table.';
COMMENT ON COLUMN audit_pending.event_id IS 'Event that awaits its leaf.';

CREATE TABLE audit_leaves (
    leaf_index bigint CONSTRAINT audit_leaves_pk PRIMARY KEY CONSTRAINT audit_leaves_index CHECK (leaf_index >= 0),
    event_id uuid NOT NULL CONSTRAINT audit_leaves_event_once UNIQUE
        CONSTRAINT audit_leaves_event REFERENCES audit_events (id),
    leaf_hash bytea NOT NULL CONSTRAINT audit_leaves_hash CHECK (length(leaf_hash) = 32)
);
COMMENT ON TABLE audit_leaves IS 'Leaves of the Merkle tree (RFC 9162, section 2) over the events, in sealing order. Append only.';
COMMENT ON COLUMN audit_leaves.leaf_index IS 'Gap-free position of the leaf, from 0.';
COMMENT ON COLUMN audit_leaves.event_id IS 'Event whose canonical bytes the leaf hashes.';
COMMENT ON COLUMN audit_leaves.leaf_hash IS 'SHA-256 of 0x00 and the canonical bytes.';

CREATE TABLE audit_tree_heads (
    tree_size bigint CONSTRAINT audit_tree_heads_pk PRIMARY KEY CONSTRAINT audit_tree_heads_size CHECK (tree_size > 0),
    root_hash bytea NOT NULL CONSTRAINT audit_tree_heads_hash CHECK (length(root_hash) = 32),
    signed_at timestamptz NOT NULL,
    key_id text NOT NULL,
    signature bytea NOT NULL CONSTRAINT audit_tree_heads_signature CHECK (length(signature) = 64)
);
COMMENT ON TABLE audit_tree_heads IS 'Signed tree heads: one that is kept elsewhere proves any later rewriting. Append only.';
COMMENT ON COLUMN audit_tree_heads.tree_size IS 'Number of leaves under the root.';
COMMENT ON COLUMN audit_tree_heads.root_hash IS 'Root of the tree of that size.';
COMMENT ON COLUMN audit_tree_heads.signed_at IS 'Server time of signing.';
COMMENT ON COLUMN audit_tree_heads.key_id IS 'First 16 hex digits of the SHA-256 of the public key.';
COMMENT ON COLUMN audit_tree_heads.signature IS 'Ed25519 signature over the canonical text of size, root and time.';

-- Every record table fires this on insert, so no code path can write a record without its event. The transaction says
-- who acts through the setting ferrotitre.act; without it nothing can be written.
-- Arguments of the trigger: columns to leave out (secrets).
CREATE FUNCTION audit_insert() RETURNS trigger
    LANGUAGE plpgsql
    SET timezone = 'UTC'
AS $$
DECLARE
    act jsonb := nullif(current_setting('ferrotitre.act', true), '')::jsonb;
    after_row jsonb := to_jsonb(NEW);
    before_row text;
    superseded uuid;
    event uuid;
    column_name text;
BEGIN
    IF act IS NULL THEN
        RAISE EXCEPTION 'a record was inserted without saying who acts' USING ERRCODE = 'raise_exception';
    END IF;
    superseded := (after_row ->> 'supersedes')::uuid;
    IF superseded IS NOT NULL THEN
        EXECUTE format('SELECT to_jsonb(t)::text FROM %I t WHERE id = $1', TG_TABLE_NAME) INTO before_row USING superseded;
    END IF;
    FOREACH column_name IN ARRAY coalesce(TG_ARGV, '{}') LOOP
        after_row := after_row - column_name;
    END LOOP;
    INSERT INTO audit_events (actor, actor_kind, source_address, action, entity_kind, entity_id, before_row, after_row, reason, request_id)
    VALUES ((act ->> 'actor')::uuid, act ->> 'kind', act ->> 'address', act ->> 'action', TG_TABLE_NAME,
            (after_row ->> 'id')::uuid, before_row, after_row::text, after_row ->> 'reason', act ->> 'request')
    RETURNING id INTO event;
    INSERT INTO audit_pending (event_id) VALUES (event);
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION audit_insert() IS 'Writes the audit event of an inserted record.';

-- A second guard beside the missing privilege: even the owner trips over it unless the trigger is disabled, which is itself
-- visible in the catalogue.
CREATE FUNCTION refuse_change() RETURNS trigger
    LANGUAGE plpgsql
AS $$
BEGIN
    RAISE EXCEPTION '% on % is refused: records are appended, never changed or removed', TG_OP, TG_TABLE_NAME
        USING ERRCODE = 'insufficient_privilege';
END
$$;
COMMENT ON FUNCTION refuse_change() IS 'Refuses update, delete and truncate of records.';

-- Makes a table a record table: audited, append only, readable and insertable by the service.
CREATE FUNCTION make_record_table(table_name regclass, VARIADIC left_out text[] DEFAULT '{}') RETURNS void
    LANGUAGE plpgsql
AS $$
DECLARE
    arguments text := (SELECT coalesce(string_agg(quote_literal(c), ', '), '') FROM unnest(left_out) c);
BEGIN
    EXECUTE format('CREATE TRIGGER audit AFTER INSERT ON %s FOR EACH ROW EXECUTE FUNCTION audit_insert(%s)', table_name, arguments);
    EXECUTE format('CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON %s FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()', table_name);
    EXECUTE format('GRANT SELECT, INSERT ON %s TO ferrotitre_app', table_name);
END
$$;
COMMENT ON FUNCTION make_record_table(regclass, text[]) IS 'Audits a table, makes it append only and grants the service its use.';

DO $$
DECLARE
    t text;
BEGIN
    FOREACH t IN ARRAY ARRAY['audit_events', 'audit_leaves', 'audit_tree_heads'] LOOP
        EXECUTE format('CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON %I FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()', t);
        EXECUTE format('GRANT SELECT, INSERT ON %I TO ferrotitre_app', t);
    END LOOP;
END
$$;
GRANT SELECT, INSERT, DELETE ON audit_pending TO ferrotitre_app;
GRANT USAGE ON SCHEMA public TO ferrotitre_app;
