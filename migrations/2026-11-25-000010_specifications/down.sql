DROP TABLE specification_removals;
DROP TABLE sample_specifications;
DROP TABLE specifications;
DROP TABLE decision_rules;
