-- The newest rule hits of all charts, for alerts and the manager's day.
CREATE INDEX control_values_observed ON control_values (observed_at);
