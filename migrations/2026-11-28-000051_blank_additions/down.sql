DROP TABLE standardisation_limits;
ALTER TABLE blanks DROP CONSTRAINT blanks_iron;
ALTER TABLE blanks ADD CONSTRAINT blanks_iron CHECK ((kind = 'reagent with iron(II)') = (iron_equivalent_ml IS NOT NULL)) NOT VALID;
DROP TABLE blank_additions;
