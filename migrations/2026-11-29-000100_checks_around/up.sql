-- The check before a use and the one after it are looked up by time, among all checks of a piece.
CREATE INDEX equipment_checks_around ON equipment_checks (equipment_id, observed_at, id);
