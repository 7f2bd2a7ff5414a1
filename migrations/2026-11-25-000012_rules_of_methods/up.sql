-- A specification that names no rule is judged by the rule of the method version; a method names it among its rules.
ALTER TABLE specifications ALTER COLUMN decision_rule_id DROP NOT NULL;
COMMENT ON COLUMN specifications.decision_rule_id IS 'Version of the decision rule; without one, that of the method version counts.';
