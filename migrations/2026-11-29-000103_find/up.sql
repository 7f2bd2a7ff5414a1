-- What a code begins with is found among a million, without regard to case and to the language of the machine.
CREATE INDEX samples_find ON samples (upper(code) COLLATE "C");
CREATE INDEX samples_find_reference ON samples (upper(client_reference) COLLATE "C");
CREATE INDEX runs_find ON runs (upper(code) COLLATE "C");
CREATE INDEX determinations_find ON determinations (upper(code) COLLATE "C");
CREATE INDEX iron_results_find ON iron_results (upper(code) COLLATE "C");
CREATE INDEX certificates_find ON certificates (upper(number) COLLATE "C");
CREATE INDEX titrants_find ON titrants (upper(code) COLLATE "C");
CREATE INDEX standardisations_find ON standardisations (upper(code) COLLATE "C");
CREATE INDEX nonconformities_find ON nonconformities (upper(code) COLLATE "C");
