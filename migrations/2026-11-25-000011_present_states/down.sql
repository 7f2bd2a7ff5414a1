DO $$
DECLARE
    t regclass;
BEGIN
    FOR t IN SELECT tgrelid::regclass FROM pg_trigger WHERE tgname = 'states' LOOP
        EXECUTE format('DROP TRIGGER states ON %s', t);
    END LOOP;
END
$$;
DROP FUNCTION give_states(regclass, text);
DROP FUNCTION follow_move();
DROP FUNCTION begin_states();
DROP TABLE present_states;
