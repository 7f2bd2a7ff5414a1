WITH people AS (
    SELECT r.roles FROM account_roles r
    JOIN accounts a ON a.id = r.account_id AND a.kind = 'person'
    JOIN present_states s ON s.entity_id = a.id AND s.state = 'active'
), calibrated AS (
    SELECT DISTINCT e.kind FROM equipment e JOIN equipment_calibrations c ON c.equipment_id = e.record_id
), states AS (
    SELECT DISTINCT entity_kind AS kind, state FROM present_states
    WHERE entity_kind IN ('primary_standards', 'titrants', 'methods', 'samples', 'runs', 'determinations', 'chart_phases')
)
SELECT (SELECT count(*) FROM people WHERE 'analyst' = ANY (roles)) AS analysts,
       (SELECT count(*) FROM people WHERE 'manager' = ANY (roles)) AS managers,
       (SELECT count(*) FROM people WHERE roles && ARRAY['analyst', 'manager']) AS signers,
       EXISTS (SELECT FROM laboratories) AS laboratory,
       EXISTS (SELECT FROM calibrated WHERE kind = 'balance') AS balance,
       EXISTS (SELECT FROM calibrated WHERE kind IN ('burette', 'piston burette')) AS burette,
       EXISTS (SELECT FROM calibrated WHERE kind IN ('pipette', 'flask')) AS vessel,
       EXISTS (SELECT FROM states WHERE kind = 'primary_standards' AND state IN ('released', 'in use')) AS standard,
       EXISTS (SELECT FROM states WHERE kind = 'titrants' AND state IN ('released', 'in use')) AS titrant,
       EXISTS (SELECT FROM states WHERE kind = 'methods' AND state = 'approved') AS method,
       EXISTS (SELECT FROM competences) AS competence,
       EXISTS (SELECT FROM states WHERE kind = 'chart_phases' AND state IN ('preliminary', 'established')) AS chart,
       EXISTS (SELECT FROM qc_plans) AS plan,
       EXISTS (SELECT FROM states WHERE kind = 'samples' AND state <> 'rejected on receipt') AS sample,
       EXISTS (SELECT FROM test_portions) AS portion,
       EXISTS (SELECT FROM states WHERE kind = 'runs') AS run,
       EXISTS (SELECT FROM states WHERE kind = 'determinations' AND state <> 'in progress') AS submitted,
       EXISTS (SELECT FROM states WHERE kind = 'runs' AND state = 'released') AS released,
       EXISTS (SELECT FROM states WHERE kind = 'determinations' AND state IN ('approved', 'reported')) AS approved
