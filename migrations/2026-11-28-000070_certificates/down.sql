DROP TRIGGER before_it_issued ON state_moves;
DROP FUNCTION guard_issue();
DROP TABLE certificate_deliveries;
DROP TABLE certificate_copies;
DROP TABLE certificate_papers;
DROP TABLE certificate_results;
DROP TABLE certificates;
DROP TABLE laboratories;
DELETE FROM present_states WHERE entity_kind = 'certificates';
