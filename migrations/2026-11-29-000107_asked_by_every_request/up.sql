-- Every request asks it: plpgsql keeps the plan of its statement, a function in SQL is planned at each call.
CREATE OR REPLACE FUNCTION unconfirmed_secret(account uuid) RETURNS uuid
    LANGUAGE plpgsql
    STABLE
AS $$
BEGIN
    RETURN (SELECT s.id
            FROM (SELECT id, recorded_at FROM account_secrets WHERE account_id = account AND provisional
                  ORDER BY recorded_at DESC LIMIT 1) s
            WHERE EXISTS (SELECT FROM account_secrets f WHERE f.account_id = account AND f.recorded_at < s.recorded_at)
              AND NOT EXISTS (SELECT FROM identity_confirmations c WHERE c.secret_id = s.id));
END
$$;
