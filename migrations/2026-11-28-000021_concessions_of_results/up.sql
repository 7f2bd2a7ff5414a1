-- A result of a run that nobody released, or that had no plan of quality control, is approved under a concession or not at all.
ALTER TABLE concessions DROP CONSTRAINT concessions_item_kind_rule;
ALTER TABLE concessions ADD CONSTRAINT concessions_item_kind_rule CHECK (item_kind IN ('titrants','primary_standards','reagents','equipment','determinations'));
