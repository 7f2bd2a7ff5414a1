-- A result whose titres disagree without a cause is approved under the signed decision of somebody who had no hand in it.
ALTER TABLE sign_offs DROP CONSTRAINT sign_offs_meaning_rule;
ALTER TABLE sign_offs ADD CONSTRAINT sign_offs_meaning_rule CHECK (meaning IN ('authored','reviewed','approved','rejected','witnessed','decided'));
-- A decision without its reason is none.
ALTER TABLE sign_offs ADD CONSTRAINT sign_offs_decided_with_reason CHECK (meaning <> 'decided' OR length(btrim(coalesce(reason, ''))) >= 5);
