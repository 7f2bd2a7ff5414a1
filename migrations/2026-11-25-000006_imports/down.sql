DROP TABLE imported_files;
