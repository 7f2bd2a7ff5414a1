-- A person is one, whatever their accounts: two accounts may not print the same name beside a signature. What is the same is
-- decided without regard to case, blanks and characters that nobody sees.
CREATE FUNCTION printed_name_key(printed text) RETURNS text
    LANGUAGE sql
    IMMUTABLE
AS $$
    SELECT lower(regexp_replace(normalize(printed, NFKC), '[\s\u00AD\u200B-\u200F\u2060\uFEFF]+', '', 'g'))
$$;
COMMENT ON FUNCTION printed_name_key(text) IS 'A printed name as it is compared: without case, blanks and characters that nobody sees.';

CREATE TABLE printed_names (
    name_key text CONSTRAINT printed_names_once PRIMARY KEY,
    account_id uuid NOT NULL CONSTRAINT printed_names_account REFERENCES accounts (id)
);
COMMENT ON TABLE printed_names IS 'Printed names that are taken, from accounts. A working table that only triggers write.';
COMMENT ON COLUMN printed_names.name_key IS 'The name as it is compared.';
COMMENT ON COLUMN printed_names.account_id IS 'Account that prints it first.';
CREATE INDEX printed_names_account_index ON printed_names (account_id);
GRANT SELECT ON printed_names TO ferrotitre_app;
-- Accounts of one person that a store already has stay, and are known to be one person's by this index.
CREATE INDEX accounts_printed_name_key ON accounts (printed_name_key(display_name));

CREATE FUNCTION take_printed_name() RETURNS trigger
    LANGUAGE plpgsql
    SECURITY DEFINER
    SET search_path FROM CURRENT
AS $$
BEGIN
    INSERT INTO printed_names (name_key, account_id) VALUES (printed_name_key(NEW.display_name), NEW.id);
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION take_printed_name() IS 'Takes the printed name of a new account, or refuses it.';
INSERT INTO printed_names (name_key, account_id)
    SELECT printed_name_key(display_name), id FROM accounts ORDER BY recorded_at, id ON CONFLICT DO NOTHING;
CREATE TRIGGER printed_name AFTER INSERT ON accounts FOR EACH ROW EXECUTE FUNCTION take_printed_name();

-- Whoever sets somebody else's password can sign in as that person. Until a second person has confirmed whose account it is,
-- it signs nothing.
CREATE TABLE identity_confirmations (
    id uuid CONSTRAINT identity_confirmations_pk PRIMARY KEY,
    account_id uuid NOT NULL CONSTRAINT identity_confirmations_account_id REFERENCES accounts (id),
    secret_id uuid NOT NULL CONSTRAINT identity_confirmations_once UNIQUE
        CONSTRAINT identity_confirmations_secret_id REFERENCES account_secrets (id),
    reason text NOT NULL CONSTRAINT identity_confirmations_reason CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid CONSTRAINT identity_confirmations_recorded_by REFERENCES accounts (id),
    CONSTRAINT identity_confirmations_not_of_oneself CHECK (recorded_by IS NULL OR recorded_by <> account_id)
);
COMMENT ON TABLE identity_confirmations IS 'A second person''s word that an account whose password somebody else had set is in the hands of its owner.';
COMMENT ON COLUMN identity_confirmations.id IS 'Identity.';
COMMENT ON COLUMN identity_confirmations.account_id IS 'Whose account.';
COMMENT ON COLUMN identity_confirmations.secret_id IS 'The password that somebody else had set.';
COMMENT ON COLUMN identity_confirmations.reason IS 'How it is known.';
COMMENT ON COLUMN identity_confirmations.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN identity_confirmations.recorded_by IS 'Manager who confirmed; null for passwords set before anybody had to.';
CREATE INDEX identity_confirmations_account_id_index ON identity_confirmations (account_id);
CREATE INDEX identity_confirmations_recorded_by_index ON identity_confirmations (recorded_by);
SELECT make_record_table('identity_confirmations');

-- The first password of an account comes with it; a later one that is to be changed at first use was set by somebody else.
CREATE FUNCTION unconfirmed_secret(account uuid) RETURNS uuid
    LANGUAGE sql
    STABLE
AS $$
    SELECT s.id
    FROM (SELECT id, recorded_at FROM account_secrets WHERE account_id = account AND provisional
          ORDER BY recorded_at DESC LIMIT 1) s
    WHERE EXISTS (SELECT FROM account_secrets f WHERE f.account_id = account AND f.recorded_at < s.recorded_at)
      AND NOT EXISTS (SELECT FROM identity_confirmations c WHERE c.secret_id = s.id)
$$;
COMMENT ON FUNCTION unconfirmed_secret(uuid) IS 'The password of an account that somebody else set and nobody has confirmed since.';
GRANT EXECUTE ON FUNCTION unconfirmed_secret(uuid) TO ferrotitre_app;

SELECT set_config('ferrotitre.act', '{"kind": "system", "action": "migrate"}', true);
INSERT INTO identity_confirmations (id, account_id, secret_id, reason)
    SELECT gen_random_uuid(), a.id, unconfirmed_secret(a.id), 'set before a second person had to confirm'
    FROM accounts a WHERE unconfirmed_secret(a.id) IS NOT NULL;
SELECT set_config('ferrotitre.act', '', true);
