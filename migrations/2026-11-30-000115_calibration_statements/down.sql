DROP TABLE calibration_statements;
