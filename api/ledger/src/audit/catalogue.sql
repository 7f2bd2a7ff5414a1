-- What the store is made of, a line each. Details that differ between versions of PostgreSQL (constraints on NOT NULL, wording of
-- function headers) are left out; what a trigger or function does is in.
SELECT line FROM (
    SELECT format('table %s', c.relname) AS line
    FROM pg_class c WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p', 'v', 'm', 'f')
    UNION ALL
    SELECT format('column %s.%s %s%s', c.relname, a.attname, format_type(a.atttypid, a.atttypmod), CASE WHEN a.attnotnull THEN ' not null' ELSE '' END)
    FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid
    WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') AND a.attnum > 0 AND NOT a.attisdropped
    UNION ALL
    SELECT format('constraint %s on %s: %s', k.conname, c.relname, pg_get_constraintdef(k.oid))
    FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid
    WHERE c.relnamespace = 'public'::regnamespace AND k.contype IN ('p', 'u', 'f', 'c', 'x')
    UNION ALL
    SELECT format('trigger %s on %s %s: %s', t.tgname, c.relname, t.tgenabled, regexp_replace(pg_get_triggerdef(t.oid), '^CREATE TRIGGER \S+ ', ''))
    FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid
    WHERE c.relnamespace = 'public'::regnamespace AND NOT t.tgisinternal
    UNION ALL
    SELECT format('function %s %s%s %s', p.oid::regprocedure, CASE WHEN p.prosecdef THEN 'as its owner ' ELSE '' END,
                  encode(sha256(convert_to(p.prosrc, 'UTF8')), 'hex'), coalesce(array_to_string(p.proconfig, ' '), ''))
    FROM pg_proc p WHERE p.pronamespace = 'public'::regnamespace
    UNION ALL
    SELECT format('grant %s on %s to %s', g.privilege_type, c.relname, CASE WHEN g.grantee = 0 THEN 'everybody' ELSE g.grantee::regrole::text END)
    FROM pg_class c, LATERAL aclexplode(c.relacl) g
    WHERE c.relnamespace = 'public'::regnamespace AND g.grantee <> c.relowner
    UNION ALL
    SELECT format('rule %s on %s', r.rulename, r.tablename) FROM pg_rules r WHERE r.schemaname = 'public'
    UNION ALL
    SELECT format('event trigger %s', e.evtname) FROM pg_event_trigger e
    UNION ALL
    SELECT format('owned by the service''s role: %s', c.relname)
    FROM pg_class c WHERE c.relnamespace = 'public'::regnamespace AND c.relowner = to_regrole('ferrotitre_app')
) lines
WHERE line NOT LIKE '%__diesel_schema_migrations%'
ORDER BY line COLLATE "C"
