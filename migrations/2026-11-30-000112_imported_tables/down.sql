DROP TABLE imported_tables;
