-- Columns left out of events were not covered by anything: a password hash could be swapped, used and put back, the content of
-- an imported file changed. Now the event holds their digest, salted with the event's own identity.
-- And the service's role could write an event of its own invention: only the trigger writes events from now on, as the owner.
CREATE OR REPLACE FUNCTION audit_insert() RETURNS trigger
    LANGUAGE plpgsql
    SECURITY DEFINER
    SET timezone = 'UTC'
    SET search_path = pg_catalog, public, pg_temp
AS $$
DECLARE
    act jsonb := nullif(current_setting('ferrotitre.act', true), '')::jsonb;
    whole_row jsonb := to_jsonb(NEW);
    after_row jsonb := whole_row;
    before_row text;
    superseded uuid;
    event uuid := gen_random_uuid();
    column_name text;
BEGIN
    IF act IS NULL THEN
        RAISE EXCEPTION 'a record was inserted without saying who acts' USING ERRCODE = 'raise_exception';
    END IF;
    superseded := (after_row ->> 'supersedes')::uuid;
    IF superseded IS NOT NULL THEN
        EXECUTE format('SELECT to_jsonb(t)::text FROM public.%I t WHERE id = $1', TG_TABLE_NAME) INTO before_row USING superseded;
    END IF;
    FOREACH column_name IN ARRAY coalesce(TG_ARGV, '{}') LOOP
        after_row := after_row - column_name
            || jsonb_build_object(column_name || '_sha256', left_out_digest(event, whole_row ->> column_name));
    END LOOP;
    INSERT INTO audit_events (id, actor, actor_kind, source_address, action, entity_kind, entity_id, before_row, after_row, reason, request_id)
    VALUES (event, (act ->> 'actor')::uuid, act ->> 'kind', act ->> 'address', act ->> 'action', TG_TABLE_NAME,
            (after_row ->> 'id')::uuid, before_row, after_row::text, after_row ->> 'reason', act ->> 'request');
    INSERT INTO audit_pending (event_id) VALUES (event);
    RETURN NULL;
END
$$;

CREATE FUNCTION left_out_digest(event uuid, value text) RETURNS text
    LANGUAGE sql
    IMMUTABLE
    PARALLEL SAFE
AS $$
    SELECT encode(sha256(convert_to(event::text || ':' || value, 'UTF8')), 'hex')
$$;
COMMENT ON FUNCTION left_out_digest(uuid, text) IS 'Digest of a value that stays out of an event, salted with the event''s identity.';

REVOKE INSERT ON audit_events FROM ferrotitre_app;

CREATE TABLE audit_breaks (
    id uuid CONSTRAINT audit_breaks_pk PRIMARY KEY,
    before_size bigint,
    before_root bytea CONSTRAINT audit_breaks_before_root CHECK (length(before_root) = 32),
    after_size bigint NOT NULL CONSTRAINT audit_breaks_after_size CHECK (after_size >= 0),
    after_root bytea NOT NULL CONSTRAINT audit_breaks_after_root CHECK (length(after_root) = 32),
    key_id text NOT NULL,
    reason text NOT NULL CONSTRAINT audit_breaks_reason CHECK (length(trim(reason)) >= 5),
    first_person uuid NOT NULL CONSTRAINT audit_breaks_first_person REFERENCES accounts (id),
    second_person uuid NOT NULL CONSTRAINT audit_breaks_second_person REFERENCES accounts (id),
    recorded_at timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT audit_breaks_two_people CHECK (first_person <> second_person)
);
COMMENT ON TABLE audit_breaks IS 'Decisions of two people to go on sealing a log that does not extend what was signed before.';
COMMENT ON COLUMN audit_breaks.id IS 'Identity.';
COMMENT ON COLUMN audit_breaks.before_size IS 'Leaves under the head that the log no longer extends; null where no head was remembered.';
COMMENT ON COLUMN audit_breaks.before_root IS 'Root of that head.';
COMMENT ON COLUMN audit_breaks.after_size IS 'Leaves of the log that counts from then on.';
COMMENT ON COLUMN audit_breaks.after_root IS 'Root of that log.';
COMMENT ON COLUMN audit_breaks.key_id IS 'Key that signs from then on.';
COMMENT ON COLUMN audit_breaks.reason IS 'Why, at least 5 characters.';
COMMENT ON COLUMN audit_breaks.first_person IS 'One of the two who decided.';
COMMENT ON COLUMN audit_breaks.second_person IS 'The other.';
COMMENT ON COLUMN audit_breaks.recorded_at IS 'Server time of recording.';
CREATE INDEX audit_breaks_first_person ON audit_breaks (first_person);
CREATE INDEX audit_breaks_second_person ON audit_breaks (second_person);
SELECT make_record_table('audit_breaks');
