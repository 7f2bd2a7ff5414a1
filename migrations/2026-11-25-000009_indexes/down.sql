DROP INDEX state_moves_states;
DROP INDEX nonconformities_due;
DROP INDEX control_values_hits;
