-- Alerts that are told: by e-mail to whom wants them so, and signed to programs of others. What is to be sent is a row before it is
-- sent, and every try is one.

CREATE TABLE mail_settings (
    id uuid CONSTRAINT mail_settings_pk PRIMARY KEY,
    active boolean NOT NULL,
    host text NOT NULL CONSTRAINT mail_settings_host CHECK (length(host) BETWEEN 1 AND 253),
    port integer NOT NULL CONSTRAINT mail_settings_port CHECK (port BETWEEN 1 AND 65535),
    encryption text NOT NULL CONSTRAINT mail_settings_encryption CHECK (encryption IN ('none', 'STARTTLS', 'TLS')),
    user_name text CONSTRAINT mail_settings_user_name CHECK (length(user_name) BETWEEN 1 AND 200),
    sealed_password bytea CONSTRAINT mail_settings_sealed CHECK (length(sealed_password) >= 28),
    sender text NOT NULL CONSTRAINT mail_settings_sender CHECK (length(sender) BETWEEN 3 AND 300),
    base_address text NOT NULL CONSTRAINT mail_settings_base_address CHECK (base_address ~ '^https?://[!-~]+$' AND length(base_address) <= 200),
    domains text[] NOT NULL,
    reason text NOT NULL CONSTRAINT mail_settings_reason CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT mail_settings_recorded_by REFERENCES accounts (id),
    CONSTRAINT mail_settings_user_and_password CHECK ((user_name IS NULL) = (sealed_password IS NULL))
);
COMMENT ON TABLE mail_settings IS 'How the laboratory sends e-mail; the newest counts, without one none is sent.';
COMMENT ON COLUMN mail_settings.id IS 'Identity.';
COMMENT ON COLUMN mail_settings.active IS 'Whether e-mail is sent.';
COMMENT ON COLUMN mail_settings.host IS 'Name or address of the mail server.';
COMMENT ON COLUMN mail_settings.port IS 'Its port.';
COMMENT ON COLUMN mail_settings.encryption IS 'none, STARTTLS (RFC 3207), or TLS from the first byte (RFC 8314).';
COMMENT ON COLUMN mail_settings.user_name IS 'Name at the mail server; null where it asks for none.';
COMMENT ON COLUMN mail_settings.sealed_password IS 'Password at the mail server, sealed with a secret of the installation that is not in the store and bound to this row, server and name. Never written to the audit log.';
COMMENT ON COLUMN mail_settings.sender IS 'Who the messages are from.';
COMMENT ON COLUMN mail_settings.base_address IS 'Address of the service as people reach it, without a slash at its end; links begin with it.';
COMMENT ON COLUMN mail_settings.domains IS 'Domains that addresses of people may be of; empty for any.';
COMMENT ON COLUMN mail_settings.reason IS 'Why.';
COMMENT ON COLUMN mail_settings.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN mail_settings.recorded_by IS 'Administrator who recorded it.';
CREATE INDEX mail_settings_recorded_at_index ON mail_settings (recorded_at DESC);
CREATE INDEX mail_settings_recorded_by_index ON mail_settings (recorded_by);
SELECT make_record_table('mail_settings', 'sealed_password');

CREATE TABLE mail_choices (
    id uuid CONSTRAINT mail_choices_pk PRIMARY KEY,
    account_id uuid NOT NULL CONSTRAINT mail_choices_account_id REFERENCES accounts (id),
    address text CONSTRAINT mail_choices_address CHECK (length(address) BETWEEN 3 AND 254),
    at_once boolean NOT NULL,
    digest_hour integer CONSTRAINT mail_choices_digest_hour CHECK (digest_hour BETWEEN 0 AND 23),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT mail_choices_recorded_by REFERENCES accounts (id),
    CONSTRAINT mail_choices_of_oneself CHECK (recorded_by = account_id),
    CONSTRAINT mail_choices_needs_address CHECK (address IS NOT NULL OR (NOT at_once AND digest_hour IS NULL))
);
COMMENT ON TABLE mail_choices IS 'What a person wants to be told by e-mail, as the person chose; the newest counts, without one nothing.';
COMMENT ON COLUMN mail_choices.id IS 'Identity.';
COMMENT ON COLUMN mail_choices.account_id IS 'Whose choice.';
COMMENT ON COLUMN mail_choices.address IS 'E-mail address; null where nothing is wanted.';
COMMENT ON COLUMN mail_choices.at_once IS 'Whether what presses is told when it begins.';
COMMENT ON COLUMN mail_choices.digest_hour IS 'Hour of the laboratory''s clock at which all that needs attention is told once a day; null for never.';
COMMENT ON COLUMN mail_choices.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN mail_choices.recorded_by IS 'The person.';
CREATE INDEX mail_choices_account_id_index ON mail_choices (account_id, recorded_at DESC);
CREATE INDEX mail_choices_recorded_by_index ON mail_choices (recorded_by);
SELECT make_record_table('mail_choices');

CREATE TABLE webhook_endpoints (
    id uuid CONSTRAINT webhook_endpoints_pk PRIMARY KEY,
    name text NOT NULL CONSTRAINT webhook_endpoints_name CHECK (length(name) BETWEEN 1 AND 100),
    address text NOT NULL CONSTRAINT webhook_endpoints_address CHECK (address ~ '^https?://[!-~]+$' AND length(address) <= 500),
    plain_http boolean NOT NULL,
    sealed_secret bytea NOT NULL CONSTRAINT webhook_endpoints_sealed CHECK (length(sealed_secret) >= 28),
    reason text NOT NULL CONSTRAINT webhook_endpoints_reason CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT webhook_endpoints_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE webhook_endpoints IS 'Programs of others that are told of every alert that begins and ends.';
COMMENT ON COLUMN webhook_endpoints.id IS 'Identity.';
COMMENT ON COLUMN webhook_endpoints.name IS 'What it is.';
COMMENT ON COLUMN webhook_endpoints.address IS 'Address that is posted to.';
COMMENT ON COLUMN webhook_endpoints.plain_http IS 'Whether somebody decided that http off the machine will do.';
COMMENT ON COLUMN webhook_endpoints.sealed_secret IS 'Secret that messages are signed with, sealed with a secret of the installation that is not in the store and bound to this row. Never written to the audit log.';
COMMENT ON COLUMN webhook_endpoints.reason IS 'Why.';
COMMENT ON COLUMN webhook_endpoints.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN webhook_endpoints.recorded_by IS 'Administrator who recorded it.';
CREATE INDEX webhook_endpoints_recorded_by_index ON webhook_endpoints (recorded_by);
SELECT make_record_table('webhook_endpoints', 'sealed_secret');

CREATE TABLE webhook_endpoint_ends (
    id uuid CONSTRAINT webhook_endpoint_ends_pk PRIMARY KEY,
    endpoint_id uuid NOT NULL CONSTRAINT webhook_endpoint_ends_once UNIQUE CONSTRAINT webhook_endpoint_ends_endpoint_id REFERENCES webhook_endpoints (id),
    reason text NOT NULL CONSTRAINT webhook_endpoint_ends_reason CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT webhook_endpoint_ends_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE webhook_endpoint_ends IS 'Endpoints that are told nothing more.';
COMMENT ON COLUMN webhook_endpoint_ends.id IS 'Identity.';
COMMENT ON COLUMN webhook_endpoint_ends.endpoint_id IS 'The endpoint.';
COMMENT ON COLUMN webhook_endpoint_ends.reason IS 'Why.';
COMMENT ON COLUMN webhook_endpoint_ends.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN webhook_endpoint_ends.recorded_by IS 'Administrator who ended it.';
CREATE INDEX webhook_endpoint_ends_recorded_by_index ON webhook_endpoint_ends (recorded_by);
SELECT make_record_table('webhook_endpoint_ends');

-- Which alerts stand, as the last look found them: what is not here begins, what is here and nowhere else has ended.
CREATE TABLE alerts_standing (
    key text CONSTRAINT alerts_standing_pk PRIMARY KEY,
    told text NOT NULL,
    began_at timestamptz NOT NULL
);
COMMENT ON TABLE alerts_standing IS 'Alerts that stood at the last look. A working table.';
COMMENT ON COLUMN alerts_standing.key IS 'What makes it the same alert: kind, urgency and record, not its words.';
COMMENT ON COLUMN alerts_standing.told IS 'The alert as JSON text, as it was when it began.';
COMMENT ON COLUMN alerts_standing.began_at IS 'When a look found it first.';
GRANT SELECT, INSERT, DELETE ON alerts_standing TO ferrotitre_app;

CREATE TABLE messages (
    id uuid CONSTRAINT messages_pk PRIMARY KEY,
    kind text NOT NULL CONSTRAINT messages_kind CHECK (kind IN ('at once', 'digest', 'test', 'alert began', 'alert ended')),
    account_id uuid CONSTRAINT messages_account_id REFERENCES accounts (id),
    endpoint_id uuid CONSTRAINT messages_endpoint_id REFERENCES webhook_endpoints (id),
    address text CONSTRAINT messages_address CHECK (length(address) BETWEEN 3 AND 254),
    day date,
    alerts integer NOT NULL CONSTRAINT messages_alerts CHECK (alerts >= 0),
    subject text NOT NULL,
    body text NOT NULL,
    made_at timestamptz NOT NULL,
    CONSTRAINT messages_digest_once UNIQUE (account_id, day),
    CONSTRAINT messages_one_way CHECK ((address IS NULL) <> (endpoint_id IS NULL))
);
COMMENT ON TABLE messages IS 'What is sent, as it is sent at every try. Append only.';
COMMENT ON COLUMN messages.id IS 'Identity, which the receiver sees: the same at every try.';
COMMENT ON COLUMN messages.kind IS 'at once, digest or test by e-mail; alert began or alert ended to an endpoint.';
COMMENT ON COLUMN messages.account_id IS 'Person it is for; of a test who asked for it.';
COMMENT ON COLUMN messages.endpoint_id IS 'Endpoint it is for.';
COMMENT ON COLUMN messages.address IS 'E-mail address it goes to.';
COMMENT ON COLUMN messages.day IS 'Day of a digest by the laboratory''s clock; a person has one a day.';
COMMENT ON COLUMN messages.alerts IS 'How many alerts it tells of.';
COMMENT ON COLUMN messages.subject IS 'Subject of an e-mail; type of what is posted.';
COMMENT ON COLUMN messages.body IS 'Text of an e-mail; JSON that is posted.';
COMMENT ON COLUMN messages.made_at IS 'When it was made.';
CREATE INDEX messages_endpoint_id_index ON messages (endpoint_id);
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON messages FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
GRANT SELECT, INSERT ON messages TO ferrotitre_app;

CREATE TABLE messages_waiting (
    message_id uuid CONSTRAINT messages_waiting_pk PRIMARY KEY CONSTRAINT messages_waiting_message_id REFERENCES messages (id),
    destination text NOT NULL,
    tries integer NOT NULL CONSTRAINT messages_waiting_tries CHECK (tries >= 0),
    next_at timestamptz NOT NULL
);
COMMENT ON TABLE messages_waiting IS 'Messages that are still to be sent. A working table.';
COMMENT ON COLUMN messages_waiting.message_id IS 'The message.';
COMMENT ON COLUMN messages_waiting.destination IS 'Those of one destination wait for each other: mail, or the identity of an endpoint.';
COMMENT ON COLUMN messages_waiting.tries IS 'How often it was tried.';
COMMENT ON COLUMN messages_waiting.next_at IS 'When it is tried next.';
CREATE INDEX messages_waiting_due ON messages_waiting (destination, next_at);
GRANT SELECT, INSERT, UPDATE, DELETE ON messages_waiting TO ferrotitre_app;

CREATE TABLE message_tries (
    message_id uuid NOT NULL CONSTRAINT message_tries_message_id REFERENCES messages (id),
    number integer NOT NULL CONSTRAINT message_tries_number CHECK (number > 0),
    delivered boolean NOT NULL,
    last boolean NOT NULL,
    answer text NOT NULL CONSTRAINT message_tries_answer CHECK (length(answer) <= 500),
    tried_at timestamptz NOT NULL,
    CONSTRAINT message_tries_pk PRIMARY KEY (message_id, number),
    CONSTRAINT message_tries_delivered_is_last CHECK (last OR NOT delivered)
);
COMMENT ON TABLE message_tries IS 'Every try to send a message. Append only.';
COMMENT ON COLUMN message_tries.message_id IS 'The message.';
COMMENT ON COLUMN message_tries.number IS 'Which try, from 1.';
COMMENT ON COLUMN message_tries.delivered IS 'Whether the other side took it.';
COMMENT ON COLUMN message_tries.last IS 'Whether none follows: delivered, or given up.';
COMMENT ON COLUMN message_tries.answer IS 'What the other side answered, or why there was no answer.';
COMMENT ON COLUMN message_tries.tried_at IS 'When.';
CREATE INDEX message_tries_given_up ON message_tries (message_id) WHERE last AND NOT delivered;
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON message_tries FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
GRANT SELECT, INSERT ON message_tries TO ferrotitre_app;
