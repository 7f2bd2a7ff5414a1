DROP TABLE certificate_files;
