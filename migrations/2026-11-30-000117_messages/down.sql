DROP TABLE message_tries;
DROP TABLE messages_waiting;
DROP TABLE messages;
DROP TABLE alerts_standing;
DROP TABLE webhook_endpoint_ends;
DROP TABLE webhook_endpoints;
DROP TABLE mail_choices;
DROP TABLE mail_settings;
