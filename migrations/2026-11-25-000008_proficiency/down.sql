DROP TABLE exports;
DROP TABLE proficiency_rounds;
