DROP TABLE titration_supervisions;
