DROP INDEX control_values_observed;
