-- Lists of what is in a state stay as quick after years: the state of everything that has states, kept beside the moves by
-- the store itself. The moves are the record; this table follows from them, and the service may only read it.
CREATE TABLE present_states (
    entity_id uuid CONSTRAINT present_states_pk PRIMARY KEY,
    entity_kind text NOT NULL,
    state text NOT NULL
);
COMMENT ON TABLE present_states IS 'Present states, from state_moves, for lists. A working table that only triggers write.';
COMMENT ON COLUMN present_states.entity_id IS 'The thing.';
COMMENT ON COLUMN present_states.entity_kind IS 'Kind of thing, by the name of its table.';
COMMENT ON COLUMN present_states.state IS 'Where its last move led, or the first state of its kind.';
CREATE INDEX present_states_list ON present_states (entity_kind, state, entity_id);
GRANT SELECT ON present_states TO ferrotitre_app;

CREATE FUNCTION begin_states() RETURNS trigger
    LANGUAGE plpgsql
    SECURITY DEFINER
    SET search_path FROM CURRENT
AS $$
BEGIN
    INSERT INTO present_states (entity_id, entity_kind, state) VALUES (NEW.id, TG_TABLE_NAME, TG_ARGV[0]);
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION begin_states() IS 'Enters a new thing in the first state of its kind, which is the argument.';

CREATE FUNCTION follow_move() RETURNS trigger
    LANGUAGE plpgsql
    SECURITY DEFINER
    SET search_path FROM CURRENT
AS $$
BEGIN
    UPDATE present_states SET state = NEW.to_state WHERE entity_id = NEW.entity_id;
    RETURN NULL;
END
$$;
COMMENT ON FUNCTION follow_move() IS 'Enters the state that a move led to.';

-- Lets the rows of a table have states: what is there is entered, what comes is entered by a trigger.
CREATE FUNCTION give_states(table_name regclass, first_state text) RETURNS void
    LANGUAGE plpgsql
AS $$
BEGIN
    EXECUTE format('CREATE TRIGGER states AFTER INSERT ON %s FOR EACH ROW EXECUTE FUNCTION begin_states(%L)', table_name, first_state);
    EXECUTE format(
        'INSERT INTO present_states (entity_id, entity_kind, state)
         SELECT t.id, %L, coalesce(m.to_state, %L) FROM %s t LEFT JOIN LATERAL (
             SELECT to_state FROM state_moves WHERE entity_id = t.id ORDER BY position DESC LIMIT 1) m ON true',
        table_name, first_state, table_name);
END
$$;
COMMENT ON FUNCTION give_states(regclass, text) IS 'Keeps the present states of the rows of a table.';

CREATE TRIGGER states AFTER INSERT ON state_moves FOR EACH ROW EXECUTE FUNCTION follow_move();

SELECT give_states('accounts', 'active');
SELECT give_states('service_tokens', 'active');
SELECT give_states('equipment', 'in service');
SELECT give_states('primary_standards', 'received');
SELECT give_states('reagents', 'received');
SELECT give_states('titrants', 'prepared');
SELECT give_states('standardisations', 'draft');
SELECT give_states('standardisation_titrations', 'recorded');
SELECT give_states('methods', 'draft');
SELECT give_states('samples', 'received');
SELECT give_states('runs', 'open');
SELECT give_states('blanks', 'recorded');
SELECT give_states('determinations', 'in progress');
SELECT give_states('titrations', 'recorded');
SELECT give_states('iron_results', 'in progress');
SELECT give_states('concessions', 'requested');
SELECT give_states('control_materials', 'quarantined');
SELECT give_states('control_charts', 'in use');
SELECT give_states('chart_phases', 'proposed');
SELECT give_states('control_values', 'valid');
SELECT give_states('nonconformities', 'opened');
SELECT give_states('proficiency_rounds', 'recorded');
SELECT give_states('validation_studies', 'planned');
SELECT give_states('validation_amendments', 'proposed');
SELECT give_states('validation_exclusions', 'proposed');
SELECT give_states('validation_conclusions', 'recorded');
SELECT give_states('decision_rules', 'draft');
SELECT give_states('specifications', 'draft');
