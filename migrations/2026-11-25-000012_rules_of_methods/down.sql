-- Refused where a specification names no rule: such a row cannot be taken back.
ALTER TABLE specifications ALTER COLUMN decision_rule_id SET NOT NULL;
COMMENT ON COLUMN specifications.decision_rule_id IS 'Version of the decision rule.';
