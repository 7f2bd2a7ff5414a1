DROP TABLE audit_breaks;
GRANT INSERT ON audit_events TO ferrotitre_app;
CREATE OR REPLACE FUNCTION audit_insert() RETURNS trigger
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
DROP FUNCTION left_out_digest(uuid, text);
