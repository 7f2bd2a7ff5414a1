-- One-time codes of an authenticator (RFC 6238) beside the password: set up by the owner of an account, ended by the owner, or reset
-- by somebody else on record.

CREATE TABLE code_enrolments (
    id uuid CONSTRAINT code_enrolments_pk PRIMARY KEY,
    account_id uuid NOT NULL CONSTRAINT code_enrolments_account_id REFERENCES accounts (id),
    sealed_secret bytea NOT NULL CONSTRAINT code_enrolments_sealed CHECK (length(sealed_secret) >= 48),
    recovery_digests bytea[] NOT NULL CONSTRAINT code_enrolments_recovery CHECK (cardinality(recovery_digests) = 10),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT code_enrolments_recorded_by REFERENCES accounts (id),
    CONSTRAINT code_enrolments_of_oneself CHECK (recorded_by = account_id)
);
COMMENT ON TABLE code_enrolments IS 'One-time codes set up by the owner of an account and confirmed with a code; in force until they end.';
COMMENT ON COLUMN code_enrolments.id IS 'Identity.';
COMMENT ON COLUMN code_enrolments.account_id IS 'Whose codes.';
COMMENT ON COLUMN code_enrolments.sealed_secret IS 'What the authenticator and the service share, sealed with a secret of the installation that is not in the store and bound to account and enrolment. Never written to the audit log.';
COMMENT ON COLUMN code_enrolments.recovery_digests IS 'SHA-256 of the ten recovery codes, 80 random bits each. Never written to the audit log.';
COMMENT ON COLUMN code_enrolments.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN code_enrolments.recorded_by IS 'The owner.';
CREATE INDEX code_enrolments_account_id_index ON code_enrolments (account_id, recorded_at DESC);
CREATE INDEX code_enrolments_recorded_by_index ON code_enrolments (recorded_by);
SELECT make_record_table('code_enrolments', 'sealed_secret', 'recovery_digests');

CREATE TABLE code_uses (
    id uuid CONSTRAINT code_uses_pk PRIMARY KEY,
    enrolment_id uuid NOT NULL CONSTRAINT code_uses_enrolment_id REFERENCES code_enrolments (id),
    account_id uuid NOT NULL CONSTRAINT code_uses_account_id REFERENCES accounts (id),
    step bigint,
    recovery integer CONSTRAINT code_uses_recovery CHECK (recovery BETWEEN 1 AND 10),
    purpose text NOT NULL CONSTRAINT code_uses_purpose CHECK (purpose IN ('sign in', 'sign', 'set up codes')),
    request_digest bytea CONSTRAINT code_uses_request CHECK (length(request_digest) = 32),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    CONSTRAINT code_uses_step_once UNIQUE (enrolment_id, step),
    CONSTRAINT code_uses_recovery_once UNIQUE (enrolment_id, recovery),
    CONSTRAINT code_uses_one CHECK ((step IS NULL) <> (recovery IS NULL))
);
COMMENT ON TABLE code_uses IS 'One-time codes that were taken; each is good once (RFC 6238, 5.2).';
COMMENT ON COLUMN code_uses.id IS 'Identity.';
COMMENT ON COLUMN code_uses.enrolment_id IS 'Of which codes.';
COMMENT ON COLUMN code_uses.account_id IS 'Whose codes.';
COMMENT ON COLUMN code_uses.step IS 'Step of 30 s since 1970 whose code it was; null for a recovery code.';
COMMENT ON COLUMN code_uses.recovery IS 'Which recovery code it was, from 1; null for a code of the authenticator.';
COMMENT ON COLUMN code_uses.purpose IS 'What it was asked for.';
COMMENT ON COLUMN code_uses.request_digest IS 'Code of the request it came with, made with a secret of the installation: the same request sent again is the same use. Null where a request cannot be recognised.';
COMMENT ON COLUMN code_uses.recorded_at IS 'Server time of recording.';
CREATE INDEX code_uses_account_id_index ON code_uses (account_id);
CREATE INDEX code_uses_recoveries ON code_uses (id) WHERE recovery IS NOT NULL;
SELECT make_record_table('code_uses');

CREATE TABLE code_refusals (
    id uuid CONSTRAINT code_refusals_pk PRIMARY KEY,
    attempt_id uuid NOT NULL CONSTRAINT code_refusals_once UNIQUE CONSTRAINT code_refusals_attempt_id REFERENCES sign_in_attempts (id),
    account_id uuid NOT NULL CONSTRAINT code_refusals_account_id REFERENCES accounts (id),
    cause text NOT NULL CONSTRAINT code_refusals_cause CHECK (cause IN ('missing', 'wrong', 'used before', 'cannot be checked')),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp()
);
COMMENT ON TABLE code_refusals IS 'Sign-ins and signatures refused for their one-time code although the password was right.';
COMMENT ON COLUMN code_refusals.id IS 'Identity.';
COMMENT ON COLUMN code_refusals.attempt_id IS 'The refused attempt.';
COMMENT ON COLUMN code_refusals.account_id IS 'Whose codes.';
COMMENT ON COLUMN code_refusals.cause IS 'missing, wrong, used before, or cannot be checked: sealed with another door.key.';
COMMENT ON COLUMN code_refusals.recorded_at IS 'Server time of recording.';
CREATE INDEX code_refusals_account_id_index ON code_refusals (account_id);
SELECT make_record_table('code_refusals');

CREATE TABLE code_choices (
    id uuid CONSTRAINT code_choices_pk PRIMARY KEY,
    enrolment_id uuid NOT NULL CONSTRAINT code_choices_enrolment_id REFERENCES code_enrolments (id),
    account_id uuid NOT NULL CONSTRAINT code_choices_account_id REFERENCES accounts (id),
    at_signatures boolean NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT code_choices_recorded_by REFERENCES accounts (id),
    CONSTRAINT code_choices_of_oneself CHECK (recorded_by = account_id)
);
COMMENT ON TABLE code_choices IS 'Whether every signature of an account asks for a code, as its owner chose; the newest counts, without one signatures do not.';
COMMENT ON COLUMN code_choices.id IS 'Identity.';
COMMENT ON COLUMN code_choices.enrolment_id IS 'Of which codes.';
COMMENT ON COLUMN code_choices.account_id IS 'Whose codes.';
COMMENT ON COLUMN code_choices.at_signatures IS 'Whether signatures ask for a code.';
COMMENT ON COLUMN code_choices.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN code_choices.recorded_by IS 'The owner.';
CREATE INDEX code_choices_enrolment_id_index ON code_choices (enrolment_id, recorded_at DESC);
CREATE INDEX code_choices_account_id_index ON code_choices (account_id);
CREATE INDEX code_choices_recorded_by_index ON code_choices (recorded_by);
SELECT make_record_table('code_choices');

CREATE TABLE code_ends (
    id uuid CONSTRAINT code_ends_pk PRIMARY KEY,
    enrolment_id uuid NOT NULL CONSTRAINT code_ends_once UNIQUE CONSTRAINT code_ends_enrolment_id REFERENCES code_enrolments (id),
    account_id uuid NOT NULL CONSTRAINT code_ends_account_id REFERENCES accounts (id),
    kind text NOT NULL CONSTRAINT code_ends_kind CHECK (kind IN ('ended', 'reset')),
    reason text NOT NULL CONSTRAINT code_ends_reason CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT code_ends_recorded_by REFERENCES accounts (id),
    CONSTRAINT code_ends_not_of_oneself CHECK ((kind = 'reset' AND (recorded_by IS NULL OR recorded_by <> account_id))
                                               OR (kind = 'ended' AND recorded_by IS NOT NULL AND recorded_by = account_id))
);
COMMENT ON TABLE code_ends IS 'Ends of one-time codes: by the owner with a code, or reset by an administrator or at the command line for somebody who lost the device.';
COMMENT ON COLUMN code_ends.id IS 'Identity.';
COMMENT ON COLUMN code_ends.enrolment_id IS 'Codes that ended.';
COMMENT ON COLUMN code_ends.account_id IS 'Whose codes.';
COMMENT ON COLUMN code_ends.kind IS 'ended by the owner, or reset by somebody else.';
COMMENT ON COLUMN code_ends.reason IS 'Why.';
COMMENT ON COLUMN code_ends.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN code_ends.recorded_by IS 'Who ended or reset them; null when reset at the command line.';
CREATE INDEX code_ends_account_id_index ON code_ends (account_id);
CREATE INDEX code_ends_recorded_by_index ON code_ends (recorded_by);
CREATE INDEX code_ends_resets ON code_ends (recorded_at) WHERE kind = 'reset';
SELECT make_record_table('code_ends');

CREATE TABLE code_rules (
    id uuid CONSTRAINT code_rules_pk PRIMARY KEY,
    administrators_must boolean NOT NULL,
    reason text NOT NULL CONSTRAINT code_rules_reason CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT code_rules_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE code_rules IS 'Decisions on whether administrators must use one-time codes; the newest counts, without one they need not.';
COMMENT ON COLUMN code_rules.id IS 'Identity.';
COMMENT ON COLUMN code_rules.administrators_must IS 'Whether they must: one without codes can then do nothing but set them up.';
COMMENT ON COLUMN code_rules.reason IS 'Why.';
COMMENT ON COLUMN code_rules.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN code_rules.recorded_by IS 'Manager who decided.';
CREATE INDEX code_rules_recorded_at_index ON code_rules (recorded_at DESC);
CREATE INDEX code_rules_recorded_by_index ON code_rules (recorded_by);
SELECT make_record_table('code_rules');

CREATE FUNCTION codes_in_force(account uuid) RETURNS uuid
    LANGUAGE plpgsql
    STABLE
AS $$
BEGIN
    RETURN (SELECT e.id FROM code_enrolments e WHERE e.account_id = account
            AND NOT EXISTS (SELECT FROM code_ends d WHERE d.enrolment_id = e.id) ORDER BY e.recorded_at DESC LIMIT 1);
END
$$;
COMMENT ON FUNCTION codes_in_force(uuid) IS 'The one-time codes of an account that have not ended.';
GRANT EXECUTE ON FUNCTION codes_in_force(uuid) TO ferrotitre_app;

-- Every request asks it: small statements, each only where the one before did not answer. The roles in force are a view over all
-- grants, looked at only for who ever was an administrator.
CREATE FUNCTION codes_asked(account uuid) RETURNS text
    LANGUAGE plpgsql
    STABLE
AS $$
DECLARE
    enrolment uuid;
BEGIN
    SELECT e.id INTO enrolment FROM code_enrolments e WHERE e.account_id = account
        AND NOT EXISTS (SELECT FROM code_ends d WHERE d.enrolment_id = e.id) ORDER BY e.recorded_at DESC LIMIT 1;
    IF enrolment IS NOT NULL THEN
        IF (SELECT c.at_signatures FROM code_choices c WHERE c.enrolment_id = enrolment ORDER BY c.recorded_at DESC LIMIT 1) THEN
            RETURN 'at signatures';
        END IF;
        RETURN 'at sign-in';
    END IF;
    IF (SELECT r.administrators_must FROM code_rules r ORDER BY r.recorded_at DESC LIMIT 1) THEN
        IF EXISTS (SELECT FROM role_grants g WHERE g.account_id = account AND g.role = 'administrator') THEN
            IF EXISTS (SELECT FROM account_roles a WHERE a.account_id = account AND 'administrator' = ANY (a.roles)) THEN
                RETURN 'due';
            END IF;
        END IF;
    END IF;
    RETURN 'never';
END
$$;
COMMENT ON FUNCTION codes_asked(uuid) IS 'When an account is asked for a one-time code: never, at sign-in, at signatures (and at sign-in), or due: it must set them up first.';
GRANT EXECUTE ON FUNCTION codes_asked(uuid) TO ferrotitre_app;
