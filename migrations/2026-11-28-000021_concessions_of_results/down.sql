ALTER TABLE concessions DROP CONSTRAINT concessions_item_kind_rule;
ALTER TABLE concessions ADD CONSTRAINT concessions_item_kind_rule CHECK (item_kind IN ('titrants','primary_standards','reagents','equipment')) NOT VALID;
