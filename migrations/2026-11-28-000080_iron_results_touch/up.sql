-- Conclusions of studies stand over the signatures on the results behind their data, iron(III) among them.

CREATE FUNCTION touch_by_iron_result() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    one uuid;
    words text;
BEGIN
    IF NEW.entity_kind = 'iron_results' AND NEW.to_state IN ('amended', 'returned') THEN
        FOR one, words IN SELECT s.id, format('iron(III) result %s %s', r.code, NEW.to_state)
            FROM sign_offs s JOIN iron_results r ON r.id = s.entity_id
            WHERE s.entity_id = NEW.entity_id AND s.meaning = 'authored' ORDER BY s.id LOOP
            PERFORM touch('state_moves', NEW.id, one, NULL, true, words || coalesce(': ' || NEW.reason, ''));
        END LOOP;
    END IF;
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION touch_by_iron_result() IS 'An amended or returned iron(III) result touches what stands over its signature.';
CREATE TRIGGER touches_iron_results AFTER INSERT ON state_moves FOR EACH ROW EXECUTE FUNCTION touch_by_iron_result();
