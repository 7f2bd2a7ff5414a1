DROP INDEX equipment_checks_around;
