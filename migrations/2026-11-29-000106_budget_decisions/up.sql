-- A budget that its own control charts refute carries no statement of conformity until somebody says why it may.
CREATE TABLE budget_decisions (
    id uuid CONSTRAINT budget_decisions_pk PRIMARY KEY,
    method_id uuid NOT NULL CONSTRAINT budget_decisions_method_id REFERENCES methods (id),
    chart_id uuid NOT NULL CONSTRAINT budget_decisions_chart_id REFERENCES control_charts (id),
    phase_id uuid CONSTRAINT budget_decisions_phase_id REFERENCES chart_phases (id),
    seen text NOT NULL,
    reason text NOT NULL CONSTRAINT budget_decisions_reason_rule CHECK (length(btrim(reason)) >= 5),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT budget_decisions_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE budget_decisions IS 'Why results of a method version go on being judged although a control chart refutes their budget; holds for one phase of the chart.';
COMMENT ON COLUMN budget_decisions.id IS 'Identity.';
COMMENT ON COLUMN budget_decisions.method_id IS 'Method version.';
COMMENT ON COLUMN budget_decisions.chart_id IS 'Control chart that refutes its budget.';
COMMENT ON COLUMN budget_decisions.phase_id IS 'Phase of the chart then in force; null before the first.';
COMMENT ON COLUMN budget_decisions.seen IS 'What the chart showed then, in words.';
COMMENT ON COLUMN budget_decisions.reason IS 'Why statements of conformity go on.';
COMMENT ON COLUMN budget_decisions.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN budget_decisions.recorded_by IS 'Manager who decided.';
CREATE INDEX budget_decisions_method_id_index ON budget_decisions (method_id);
CREATE INDEX budget_decisions_chart_id_index ON budget_decisions (chart_id);
CREATE INDEX budget_decisions_phase_id_index ON budget_decisions (phase_id);
CREATE INDEX budget_decisions_recorded_by_index ON budget_decisions (recorded_by);
SELECT make_record_table('budget_decisions');
