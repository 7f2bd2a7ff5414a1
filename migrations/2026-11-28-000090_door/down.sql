COMMENT ON COLUMN idempotency_keys.body_digest IS 'SHA-256 of the body.';
COMMENT ON COLUMN token_keys.secret IS 'HMAC-SHA-256 secret.';
COMMENT ON TABLE sign_in_attempts IS 'Every time a password was checked; failures in a row lock the account.';
COMMENT ON COLUMN sessions.end_reason IS 'signed out, refresh token reused, password changed or account locked.';
DROP INDEX refresh_tokens_expires_at;
REVOKE DELETE ON refresh_tokens FROM ferrotitre_app;
