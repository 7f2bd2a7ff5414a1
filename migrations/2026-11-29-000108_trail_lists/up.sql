-- What an auditor asks for as lists: sign-ins with names that nobody has, ends of sessions, and results that were approved while a
-- chart of their method was out of control or their run had no control that passed. Until now the first two left no event.

CREATE TABLE unknown_sign_ins (
    id uuid CONSTRAINT unknown_sign_ins_pk PRIMARY KEY,
    name text CONSTRAINT unknown_sign_ins_name CHECK (length(name) BETWEEN 1 AND 64),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp()
);
COMMENT ON TABLE unknown_sign_ins IS 'Sign-ins with a name that no account has; the address is in the event.';
COMMENT ON COLUMN unknown_sign_ins.id IS 'Identity.';
COMMENT ON COLUMN unknown_sign_ins.name IS 'The name as given; null where it has not the form of one, or might be somebody''s password.';
COMMENT ON COLUMN unknown_sign_ins.recorded_at IS 'Server time of recording.';
SELECT make_record_table('unknown_sign_ins');

CREATE TABLE session_ends (
    id uuid CONSTRAINT session_ends_pk PRIMARY KEY,
    session_id uuid NOT NULL CONSTRAINT session_ends_once UNIQUE CONSTRAINT session_ends_session_id REFERENCES sessions (id),
    account_id uuid NOT NULL CONSTRAINT session_ends_account_id REFERENCES accounts (id),
    cause text NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT session_ends_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE session_ends IS 'Ends of sessions, written by the store itself; a session that merely runs out has none.';
COMMENT ON COLUMN session_ends.id IS 'Identity.';
COMMENT ON COLUMN session_ends.session_id IS 'The session.';
COMMENT ON COLUMN session_ends.account_id IS 'Whose session.';
COMMENT ON COLUMN session_ends.cause IS 'How it ended: signed out, password changed, and so on.';
COMMENT ON COLUMN session_ends.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN session_ends.recorded_by IS 'Account that ended it; null for the system and for somebody not signed in.';
CREATE INDEX session_ends_account_id_index ON session_ends (account_id);
CREATE INDEX session_ends_recorded_by_index ON session_ends (recorded_by);
SELECT make_record_table('session_ends');

CREATE FUNCTION session_ended() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    act jsonb := nullif(current_setting('ferrotitre.act', true), '')::jsonb;
BEGIN
    INSERT INTO session_ends (id, session_id, account_id, cause, recorded_by)
    VALUES (uuid_by_time(), NEW.id, NEW.account_id, coalesce(NEW.end_reason, 'ended'), (act ->> 'actor')::uuid);
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION session_ended() IS 'Notes the end of a session.';
CREATE TRIGGER ends AFTER UPDATE OF ended_at ON sessions FOR EACH ROW
    WHEN (OLD.ended_at IS NULL AND NEW.ended_at IS NOT NULL) EXECUTE FUNCTION session_ended();

CREATE TABLE doubted_approvals (
    id uuid CONSTRAINT doubted_approvals_pk PRIMARY KEY,
    move_id uuid NOT NULL CONSTRAINT doubted_approvals_once UNIQUE CONSTRAINT doubted_approvals_move_id REFERENCES state_moves (id),
    result_kind text NOT NULL,
    result_id uuid NOT NULL,
    what text NOT NULL,
    concession_id uuid CONSTRAINT doubted_approvals_concession_id REFERENCES concessions (id),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT doubted_approvals_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE doubted_approvals IS 'Results approved while a chart of their method was out of control or their run had no control value that passed and was to have one; written by the store itself with the approval.';
COMMENT ON COLUMN doubted_approvals.id IS 'Identity.';
COMMENT ON COLUMN doubted_approvals.move_id IS 'The approval.';
COMMENT ON COLUMN doubted_approvals.result_kind IS 'determinations or iron_results.';
COMMENT ON COLUMN doubted_approvals.result_id IS 'The result.';
COMMENT ON COLUMN doubted_approvals.what IS 'What was out of control or lacking, in words.';
COMMENT ON COLUMN doubted_approvals.concession_id IS 'Concession under which it was approved, if there was one.';
COMMENT ON COLUMN doubted_approvals.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN doubted_approvals.recorded_by IS 'Account that approved; null where the system noted it later.';
CREATE INDEX doubted_approvals_result_id_index ON doubted_approvals (result_id);
CREATE INDEX doubted_approvals_concession_id_index ON doubted_approvals (concession_id);
CREATE INDEX doubted_approvals_recorded_by_index ON doubted_approvals (recorded_by);
SELECT make_record_table('doubted_approvals');

-- Determinations that a result is made of.
CREATE FUNCTION parts_of(kind_of_result text, result uuid) RETURNS uuid[]
    LANGUAGE sql STABLE
AS $$
    SELECT CASE WHEN kind_of_result = 'determinations' THEN ARRAY[result]
           ELSE (SELECT ARRAY[total_id, iron2_id] FROM iron_results WHERE id = result) END
$$;
COMMENT ON FUNCTION parts_of(text, uuid) IS 'Determinations that a result is made of.';

-- A chart is out of control while the newest value on it that was judged and still holds is; values are taken as they were at
-- the moment asked for.
CREATE FUNCTION doubts_about(parts uuid[], moment timestamptz) RETURNS text
    LANGUAGE sql STABLE
AS $$
    SELECT string_agg(words, '; ' ORDER BY words) FROM (
        SELECT format('chart %s was out of control at point %s', c.code, v.position) AS words
        FROM determinations d JOIN methods own ON own.id = d.method_id JOIN methods m ON m.code = own.code
        JOIN control_charts c ON c.method_id = m.id AND present_state(c.id, 'in use') = 'in use'
        CROSS JOIN LATERAL (
            SELECT n.position, n.verdict FROM control_values n
            WHERE n.chart_id = c.id AND n.verdict <> 'not judged' AND n.recorded_at <= moment
            AND NOT EXISTS (SELECT FROM state_moves s WHERE s.entity_id = n.id AND s.to_state = 'invalid-with-cause' AND s.recorded_at <= moment)
            ORDER BY n.position DESC LIMIT 1) v
        WHERE d.id = ANY(parts) AND d.purpose = 'sample' AND v.verdict = 'out of control'
        UNION
        SELECT format('run %s had no control value that passed', r.code)
        FROM determinations d JOIN runs r ON r.id = d.run_id
        LEFT JOIN LATERAL (
            SELECT q.charts, q.blanks + q.duplicates AS others FROM qc_plans q
            WHERE q.method_id = r.method_id AND q.recorded_at <= r.recorded_at ORDER BY q.version DESC LIMIT 1) plan ON true
        WHERE d.id = ANY(parts) AND d.purpose = 'sample'
        -- A plan may rest on blanks and duplicates alone; a run without any plan lacks its control.
        AND NOT (coalesce(plan.others, 0) > 0
                 AND NOT EXISTS (SELECT FROM jsonb_array_elements(plan.charts) c WHERE (c ->> 'values')::integer > 0))
        AND NOT EXISTS (SELECT FROM control_values n WHERE n.run_id = r.id AND n.verdict IN ('in control', 'investigate') AND n.recorded_at <= moment)
    ) said
$$;
COMMENT ON FUNCTION doubts_about(uuid[], timestamptz) IS 'What was out of control or lacking for determinations of samples at a moment, in words; null if nothing.';

CREATE FUNCTION concession_for(parts uuid[], moment timestamptz) RETURNS uuid
    LANGUAGE sql STABLE
AS $$
    SELECT c.id FROM concessions c
    WHERE c.item_kind = 'determinations' AND c.item_id = ANY(parts) AND c.recorded_at <= moment AND present_state(c.id, 'requested') = 'granted'
    ORDER BY c.recorded_at DESC LIMIT 1
$$;
COMMENT ON FUNCTION concession_for(uuid[], timestamptz) IS 'The newest concession granted for one of these determinations.';

CREATE FUNCTION note_doubts() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    parts uuid[] := parts_of(NEW.entity_kind, NEW.entity_id);
    words text := doubts_about(parts, clock_timestamp());
BEGIN
    IF words IS NOT NULL THEN
        INSERT INTO doubted_approvals (id, move_id, result_kind, result_id, what, concession_id, recorded_by)
        VALUES (uuid_by_time(), NEW.id, NEW.entity_kind, NEW.entity_id, words, concession_for(parts, clock_timestamp()), NEW.recorded_by);
    END IF;
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION note_doubts() IS 'Notes an approval that was given although something was out of control or lacking.';
CREATE TRIGGER doubts AFTER INSERT ON state_moves FOR EACH ROW
    WHEN (NEW.to_state = 'approved' AND NEW.entity_kind IN ('determinations', 'iron_results')) EXECUTE FUNCTION note_doubts();

-- Approvals there were already.
SELECT set_config('ferrotitre.act', '{"kind": "system", "action": "migrate"}', true);
INSERT INTO doubted_approvals (id, move_id, result_kind, result_id, what, concession_id)
    SELECT uuid_by_time(), a.id, a.entity_kind, a.entity_id, a.words, concession_for(a.parts, a.recorded_at)
    FROM (SELECT m.id, m.entity_kind, m.entity_id, m.recorded_at, p.parts, doubts_about(p.parts, m.recorded_at) AS words
          FROM state_moves m CROSS JOIN LATERAL (SELECT parts_of(m.entity_kind, m.entity_id) AS parts) p
          WHERE m.to_state = 'approved' AND m.entity_kind IN ('determinations', 'iron_results')) a
    WHERE a.words IS NOT NULL ORDER BY a.recorded_at;
SELECT set_config('ferrotitre.act', '', true);

-- Lists begin at the newest and go on from the last row shown, however much lies between.
CREATE INDEX state_moves_left_out ON state_moves (id)
    WHERE to_state IN ('rejected', 'invalid-with-cause') AND entity_kind IN ('titrations', 'blanks', 'standardisation_titrations', 'runs', 'control_values');
CREATE INDEX state_moves_amended ON state_moves (id) WHERE to_state = 'amended';
CREATE INDEX chart_baseline_points_left_out ON chart_baseline_points (id) WHERE excluded;
CREATE INDEX sign_in_attempts_listed ON sign_in_attempts (id) WHERE purpose = 'sign in' OR NOT succeeded;
CREATE INDEX sign_in_attempts_refused ON sign_in_attempts (id) WHERE NOT succeeded;
CREATE INDEX audit_events_kind ON audit_events (entity_kind, at, id);
CREATE INDEX audit_events_action ON audit_events (action, at, id);
