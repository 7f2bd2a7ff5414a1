-- What only served the door and has served its time is taken away.
GRANT DELETE ON refresh_tokens TO ferrotitre_app;
CREATE INDEX refresh_tokens_expires_at ON refresh_tokens (expires_at);
COMMENT ON COLUMN sessions.end_reason IS 'signed out, signed out elsewhere, refresh token reused, password changed or account locked.';
COMMENT ON TABLE sign_in_attempts IS 'Every time a password was checked. Past some failures the next must wait; nothing is locked by them.';
COMMENT ON COLUMN token_keys.secret IS 'Random bytes; the signing key is made of them with a secret of the installation that is not in the store.';
COMMENT ON COLUMN idempotency_keys.body_digest IS 'Code of the body, made with a secret of the installation that is not in the store: bodies may hold passwords.';
