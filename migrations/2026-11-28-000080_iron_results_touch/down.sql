DROP TRIGGER touches_iron_results ON state_moves;
DROP FUNCTION touch_by_iron_result();
