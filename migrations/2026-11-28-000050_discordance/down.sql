ALTER TABLE sign_offs DROP CONSTRAINT sign_offs_decided_with_reason;
ALTER TABLE sign_offs DROP CONSTRAINT sign_offs_meaning_rule;
ALTER TABLE sign_offs ADD CONSTRAINT sign_offs_meaning_rule CHECK (meaning IN ('authored','reviewed','approved','rejected','witnessed')) NOT VALID;
