CREATE TABLE accounts (
    id uuid CONSTRAINT accounts_pk PRIMARY KEY,
    code text NOT NULL CONSTRAINT accounts_code_once UNIQUE
        CONSTRAINT accounts_code_form CHECK (code ~ '^[a-z0-9][a-z0-9.-]{1,63}$'),
    display_name text NOT NULL CONSTRAINT accounts_display_name CHECK (length(display_name) BETWEEN 1 AND 200),
    kind text NOT NULL CONSTRAINT accounts_kind CHECK (kind IN ('person', 'service')),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT accounts_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE accounts IS 'People and instruments that act. Never reused, never removed; a retired account keeps its name in the records.';
COMMENT ON COLUMN accounts.id IS 'Identity.';
COMMENT ON COLUMN accounts.code IS 'Sign-in name.';
COMMENT ON COLUMN accounts.display_name IS 'Name printed with signatures.';
COMMENT ON COLUMN accounts.kind IS 'person, or service for an instrument.';
COMMENT ON COLUMN accounts.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN accounts.recorded_by IS 'Account that recorded it; null when made from the command line.';
CREATE INDEX accounts_recorded_by_index ON accounts (recorded_by);
SELECT make_record_table('accounts');

CREATE TABLE account_secrets (
    id uuid CONSTRAINT account_secrets_pk PRIMARY KEY,
    account_id uuid NOT NULL CONSTRAINT account_secrets_account REFERENCES accounts (id),
    password_hash text NOT NULL,
    provisional boolean NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT account_secrets_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE account_secrets IS 'Passwords, hashed with Argon2id; the newest row of an account counts.';
COMMENT ON COLUMN account_secrets.id IS 'Identity.';
COMMENT ON COLUMN account_secrets.account_id IS 'Whose password.';
COMMENT ON COLUMN account_secrets.password_hash IS 'Argon2id in PHC string form. Never written to the audit log.';
COMMENT ON COLUMN account_secrets.provisional IS 'Set by somebody else and to be changed at first use.';
COMMENT ON COLUMN account_secrets.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN account_secrets.recorded_by IS 'Account that set it; null when set from the command line.';
CREATE INDEX account_secrets_account_index ON account_secrets (account_id, recorded_at DESC);
CREATE INDEX account_secrets_recorded_by_index ON account_secrets (recorded_by);
SELECT make_record_table('account_secrets', 'password_hash');

CREATE TABLE role_grants (
    id uuid CONSTRAINT role_grants_pk PRIMARY KEY,
    account_id uuid NOT NULL CONSTRAINT role_grants_account REFERENCES accounts (id),
    role text NOT NULL CONSTRAINT role_grants_role CHECK (role IN ('analyst', 'manager', 'auditor', 'administrator', 'instrument')),
    effect text NOT NULL CONSTRAINT role_grants_effect CHECK (effect IN ('grant', 'withdraw')),
    reason text NOT NULL CONSTRAINT role_grants_reason CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT role_grants_recorded_by REFERENCES accounts (id),
    CONSTRAINT role_grants_not_to_oneself CHECK (recorded_by IS NULL OR recorded_by <> account_id)
);
COMMENT ON TABLE role_grants IS 'Roles given and withdrawn. A grant counts once a manager has approved it; a withdrawal at once.';
COMMENT ON COLUMN role_grants.id IS 'Identity.';
COMMENT ON COLUMN role_grants.account_id IS 'Who receives or loses the role.';
COMMENT ON COLUMN role_grants.role IS 'The role.';
COMMENT ON COLUMN role_grants.effect IS 'grant or withdraw.';
COMMENT ON COLUMN role_grants.reason IS 'Why.';
COMMENT ON COLUMN role_grants.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN role_grants.recorded_by IS 'Account that asked; null when made from the command line, and then in force at once.';
CREATE INDEX role_grants_account_index ON role_grants (account_id, recorded_at);
CREATE INDEX role_grants_recorded_by_index ON role_grants (recorded_by);
SELECT make_record_table('role_grants');

CREATE TABLE role_grant_decisions (
    id uuid CONSTRAINT role_grant_decisions_pk PRIMARY KEY,
    role_grant_id uuid NOT NULL CONSTRAINT role_grant_decisions_once UNIQUE
        CONSTRAINT role_grant_decisions_grant REFERENCES role_grants (id),
    decision text NOT NULL CONSTRAINT role_grant_decisions_decision CHECK (decision IN ('approved', 'refused')),
    reason text,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT role_grant_decisions_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE role_grant_decisions IS 'A manager''s answer to a role grant.';
COMMENT ON COLUMN role_grant_decisions.id IS 'Identity.';
COMMENT ON COLUMN role_grant_decisions.role_grant_id IS 'The grant decided on.';
COMMENT ON COLUMN role_grant_decisions.decision IS 'approved or refused.';
COMMENT ON COLUMN role_grant_decisions.reason IS 'Why, if said.';
COMMENT ON COLUMN role_grant_decisions.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN role_grant_decisions.recorded_by IS 'Manager who decided.';
CREATE INDEX role_grant_decisions_recorded_by_index ON role_grant_decisions (recorded_by);
SELECT make_record_table('role_grant_decisions');

CREATE VIEW account_roles AS
SELECT account_id, array_agg(role ORDER BY role) AS roles
FROM (
    SELECT DISTINCT ON (g.account_id, g.role) g.account_id, g.role, g.effect
    FROM role_grants g
    LEFT JOIN role_grant_decisions d ON d.role_grant_id = g.id
    WHERE g.effect = 'withdraw' OR g.recorded_by IS NULL OR d.decision = 'approved'
    ORDER BY g.account_id, g.role, coalesce(d.recorded_at, g.recorded_at) DESC
) latest
WHERE effect = 'grant'
GROUP BY account_id;
COMMENT ON VIEW account_roles IS 'Roles in force, an array per account.';
GRANT SELECT ON account_roles TO ferrotitre_app;

CREATE TABLE state_moves (
    id uuid CONSTRAINT state_moves_pk PRIMARY KEY,
    entity_kind text NOT NULL,
    entity_id uuid NOT NULL,
    position integer NOT NULL CONSTRAINT state_moves_position CHECK (position > 0),
    from_state text NOT NULL,
    to_state text NOT NULL CONSTRAINT state_moves_moves CHECK (to_state <> from_state),
    cause text,
    reason text,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT state_moves_recorded_by REFERENCES accounts (id),
    CONSTRAINT state_moves_in_order UNIQUE (entity_id, position)
);
COMMENT ON TABLE state_moves IS 'Moves between the states of recorded things. A thing without a move is in the first state of its kind.';
COMMENT ON COLUMN state_moves.id IS 'Identity.';
COMMENT ON COLUMN state_moves.entity_kind IS 'Kind of thing, by the name of its table.';
COMMENT ON COLUMN state_moves.entity_id IS 'The thing.';
COMMENT ON COLUMN state_moves.position IS 'Which move of the thing, from 1; two people cannot both make the same one.';
COMMENT ON COLUMN state_moves.from_state IS 'State before.';
COMMENT ON COLUMN state_moves.to_state IS 'State after.';
COMMENT ON COLUMN state_moves.cause IS 'Assignable cause from the list, where the move needs one.';
COMMENT ON COLUMN state_moves.reason IS 'Why, in words.';
COMMENT ON COLUMN state_moves.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN state_moves.recorded_by IS 'Account that moved it; null for the system.';
CREATE INDEX state_moves_recorded_by_index ON state_moves (recorded_by);
CREATE INDEX state_moves_entity_index ON state_moves (entity_id, position DESC) INCLUDE (to_state);
SELECT make_record_table('state_moves');

CREATE TABLE competences (
    id uuid CONSTRAINT competences_pk PRIMARY KEY,
    account_id uuid NOT NULL CONSTRAINT competences_account REFERENCES accounts (id),
    method_code text NOT NULL,
    valid_from date NOT NULL,
    valid_to date NOT NULL,
    evidence text NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT competences_recorded_by REFERENCES accounts (id),
    CONSTRAINT competences_window CHECK (valid_to > valid_from),
    CONSTRAINT competences_not_by_oneself CHECK (recorded_by <> account_id)
);
COMMENT ON TABLE competences IS 'Who is authorised for which method, until when.';
COMMENT ON COLUMN competences.id IS 'Identity.';
COMMENT ON COLUMN competences.account_id IS 'Who is authorised.';
COMMENT ON COLUMN competences.method_code IS 'Code of the method, all versions.';
COMMENT ON COLUMN competences.valid_from IS 'First day.';
COMMENT ON COLUMN competences.valid_to IS 'Last day.';
COMMENT ON COLUMN competences.evidence IS 'What the authorisation rests on.';
COMMENT ON COLUMN competences.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN competences.recorded_by IS 'Manager who authorised.';
CREATE INDEX competences_account_index ON competences (account_id, method_code);
CREATE INDEX competences_recorded_by_index ON competences (recorded_by);
SELECT make_record_table('competences');

CREATE TABLE service_tokens (
    id uuid CONSTRAINT service_tokens_pk PRIMARY KEY,
    account_id uuid NOT NULL CONSTRAINT service_tokens_account REFERENCES accounts (id),
    label text NOT NULL,
    token_hash bytea NOT NULL CONSTRAINT service_tokens_hash_once UNIQUE,
    scopes text[] NOT NULL,
    expires_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT service_tokens_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE service_tokens IS 'Tokens of instruments, stored hashed, with the operations they may call.';
COMMENT ON COLUMN service_tokens.id IS 'Identity.';
COMMENT ON COLUMN service_tokens.account_id IS 'Service account that acts with the token.';
COMMENT ON COLUMN service_tokens.label IS 'What the token is for.';
COMMENT ON COLUMN service_tokens.token_hash IS 'SHA-256 of the token. Never written to the audit log.';
COMMENT ON COLUMN service_tokens.scopes IS 'Actions it may do.';
COMMENT ON COLUMN service_tokens.expires_at IS 'End of validity.';
COMMENT ON COLUMN service_tokens.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN service_tokens.recorded_by IS 'Administrator who made it.';
CREATE INDEX service_tokens_account_index ON service_tokens (account_id);
CREATE INDEX service_tokens_recorded_by_index ON service_tokens (recorded_by);
SELECT make_record_table('service_tokens', 'token_hash');

CREATE TABLE sessions (
    id uuid CONSTRAINT sessions_pk PRIMARY KEY,
    account_id uuid NOT NULL CONSTRAINT sessions_account REFERENCES accounts (id),
    source_address text,
    started_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    ended_at timestamptz,
    end_reason text
);
COMMENT ON TABLE sessions IS 'Sign-ins; ending one makes its tokens useless at once. A working table, its events are in the audit log.';
COMMENT ON COLUMN sessions.id IS 'Identity, named in the access token.';
COMMENT ON COLUMN sessions.account_id IS 'Who signed in.';
COMMENT ON COLUMN sessions.source_address IS 'Address of the sign-in.';
COMMENT ON COLUMN sessions.started_at IS 'Server time of the sign-in.';
COMMENT ON COLUMN sessions.ended_at IS 'Server time of the end.';
COMMENT ON COLUMN sessions.end_reason IS 'signed out, refresh token reused, password changed or account locked.';
CREATE INDEX sessions_account_index ON sessions (account_id);
GRANT SELECT, INSERT, UPDATE ON sessions TO ferrotitre_app;

CREATE TABLE refresh_tokens (
    token_hash bytea CONSTRAINT refresh_tokens_pk PRIMARY KEY,
    session_id uuid NOT NULL CONSTRAINT refresh_tokens_session REFERENCES sessions (id),
    issued_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    expires_at timestamptz NOT NULL,
    used_at timestamptz
);
COMMENT ON TABLE refresh_tokens IS 'Single-use tokens that renew a session; presenting a used one ends the session. A working table.';
COMMENT ON COLUMN refresh_tokens.token_hash IS 'SHA-256 of the token.';
COMMENT ON COLUMN refresh_tokens.session_id IS 'Session it renews.';
COMMENT ON COLUMN refresh_tokens.issued_at IS 'Server time of issue.';
COMMENT ON COLUMN refresh_tokens.expires_at IS 'End of validity.';
COMMENT ON COLUMN refresh_tokens.used_at IS 'When it was exchanged.';
CREATE INDEX refresh_tokens_session_index ON refresh_tokens (session_id);
GRANT SELECT, INSERT, UPDATE ON refresh_tokens TO ferrotitre_app;

CREATE TABLE sign_in_attempts (
    id uuid CONSTRAINT sign_in_attempts_pk PRIMARY KEY,
    account_id uuid NOT NULL CONSTRAINT sign_in_attempts_account REFERENCES accounts (id),
    succeeded boolean NOT NULL,
    purpose text NOT NULL CONSTRAINT sign_in_attempts_purpose CHECK (purpose IN ('sign in', 'sign', 'change password')),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp()
);
COMMENT ON TABLE sign_in_attempts IS 'Every time a password was checked; failures in a row lock the account.';
COMMENT ON COLUMN sign_in_attempts.id IS 'Identity.';
COMMENT ON COLUMN sign_in_attempts.account_id IS 'Whose password was checked.';
COMMENT ON COLUMN sign_in_attempts.succeeded IS 'Whether it was right.';
COMMENT ON COLUMN sign_in_attempts.purpose IS 'What it was asked for.';
COMMENT ON COLUMN sign_in_attempts.recorded_at IS 'Server time of the check.';
CREATE INDEX sign_in_attempts_account_index ON sign_in_attempts (account_id, recorded_at DESC);
SELECT make_record_table('sign_in_attempts');

CREATE TABLE token_keys (
    id text CONSTRAINT token_keys_pk PRIMARY KEY,
    secret bytea NOT NULL,
    created_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    signs_until timestamptz NOT NULL,
    verifies_until timestamptz NOT NULL
);
COMMENT ON TABLE token_keys IS 'Keys that sign access tokens, shared by all processes. A working table.';
COMMENT ON COLUMN token_keys.id IS 'Key id (kid) in the token''s header.';
COMMENT ON COLUMN token_keys.secret IS 'HMAC-SHA-256 secret.';
COMMENT ON COLUMN token_keys.created_at IS 'Server time of creation.';
COMMENT ON COLUMN token_keys.signs_until IS 'New tokens are signed with it until then.';
COMMENT ON COLUMN token_keys.verifies_until IS 'Tokens signed with it are accepted until then.';
GRANT SELECT, INSERT, DELETE ON token_keys TO ferrotitre_app;

CREATE TABLE idempotency_keys (
    account_id uuid NOT NULL CONSTRAINT idempotency_keys_account REFERENCES accounts (id),
    key text NOT NULL CONSTRAINT idempotency_keys_key CHECK (length(key) BETWEEN 1 AND 200),
    operation text NOT NULL,
    body_digest bytea NOT NULL,
    location text NOT NULL,
    answer text NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    CONSTRAINT idempotency_keys_pk PRIMARY KEY (account_id, key)
);
COMMENT ON TABLE idempotency_keys IS 'Answers already given, so that a repeated request is carried out once. A working table.';
COMMENT ON COLUMN idempotency_keys.account_id IS 'Who asked.';
COMMENT ON COLUMN idempotency_keys.key IS 'Key the client chose.';
COMMENT ON COLUMN idempotency_keys.operation IS 'Method and path.';
COMMENT ON COLUMN idempotency_keys.body_digest IS 'SHA-256 of the body.';
COMMENT ON COLUMN idempotency_keys.location IS 'Location header of the answer.';
COMMENT ON COLUMN idempotency_keys.answer IS 'Body of the answer.';
COMMENT ON COLUMN idempotency_keys.recorded_at IS 'Server time of recording.';
CREATE INDEX idempotency_keys_recorded_at ON idempotency_keys (recorded_at);
GRANT SELECT, INSERT, DELETE ON idempotency_keys TO ferrotitre_app;
