DROP TABLE reading_uses;
DROP TABLE instrument_readings;
