DROP FUNCTION codes_asked(uuid);
DROP FUNCTION codes_in_force(uuid);
DROP TABLE code_rules;
DROP TABLE code_ends;
DROP TABLE code_choices;
DROP TABLE code_refusals;
DROP TABLE code_uses;
DROP TABLE code_enrolments;
