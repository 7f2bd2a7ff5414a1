DROP FUNCTION unconfirmed_secret(uuid);
DROP TABLE identity_confirmations;
DROP TRIGGER printed_name ON accounts;
DROP FUNCTION take_printed_name();
DROP TABLE printed_names;
DROP INDEX accounts_printed_name_key;
DROP FUNCTION printed_name_key(text);
