WITH signs AS (SELECT id, recorded_by FROM sign_offs WHERE entity_id = ANY($1)),
pinned AS (SELECT p.id, p.row_ids FROM pins p JOIN signs s ON s.id = p.sign_off_id),
things AS (SELECT unnest($1) AS id UNION SELECT unnest(row_ids) FROM pinned),
gathered AS (
    SELECT id FROM things
    UNION SELECT id FROM signs
    UNION SELECT id FROM pinned
    UNION SELECT m.id FROM state_moves m WHERE m.entity_id IN (SELECT id FROM things)
    UNION SELECT l.id FROM late_entries l WHERE l.entity_id IN (SELECT id FROM things)
    UNION SELECT i.id FROM impacts i WHERE i.touched_id IN (SELECT id FROM things)
    UNION SELECT d.id FROM impact_decisions d JOIN signs s ON s.id = d.sign_off_id
)
SELECT id FROM gathered
UNION SELECT e.actor FROM audit_events e WHERE e.entity_id IN (SELECT id FROM gathered) AND e.actor IS NOT NULL
UNION SELECT recorded_by FROM signs
