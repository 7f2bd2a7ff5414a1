-- Who is not authorised for a method at the time titrates under the eyes of somebody who is, and that person signs for it.
CREATE TABLE titration_supervisions (
    id uuid CONSTRAINT titration_supervisions_pk PRIMARY KEY,
    titration_id uuid NOT NULL CONSTRAINT titration_supervisions_once UNIQUE
        CONSTRAINT titration_supervisions_titration_id REFERENCES titrations (id),
    supervisor_id uuid NOT NULL CONSTRAINT titration_supervisions_supervisor_id REFERENCES accounts (id),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT titration_supervisions_recorded_by REFERENCES accounts (id),
    CONSTRAINT titration_supervisions_not_of_oneself CHECK (supervisor_id <> recorded_by)
);
COMMENT ON TABLE titration_supervisions IS 'Titrations made under supervision, and whose.';
COMMENT ON COLUMN titration_supervisions.id IS 'Identity.';
COMMENT ON COLUMN titration_supervisions.titration_id IS 'The titration, in this version.';
COMMENT ON COLUMN titration_supervisions.supervisor_id IS 'Who supervised; countersigns before the determination is submitted.';
COMMENT ON COLUMN titration_supervisions.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN titration_supervisions.recorded_by IS 'Account that recorded it.';
CREATE INDEX titration_supervisions_supervisor_id_index ON titration_supervisions (supervisor_id);
CREATE INDEX titration_supervisions_recorded_by_index ON titration_supervisions (recorded_by);
SELECT make_record_table('titration_supervisions');
