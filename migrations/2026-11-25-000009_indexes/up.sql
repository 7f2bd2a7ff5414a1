-- What a morning's look asks for, however long the history.
CREATE INDEX control_values_hits ON control_values (observed_at) WHERE verdict IN ('out of control', 'investigate');
CREATE INDEX nonconformities_due ON nonconformities (due_on);
-- Lists of things in a state.
CREATE INDEX state_moves_states ON state_moves (entity_kind, to_state, entity_id);
