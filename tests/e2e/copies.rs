//! Copies of a signed determination, which stand for the many of a year. They are written past the triggers and so have no events,
//! no moves and no titrations of their own; their signatures stand over the rows of the one they are copies of.

use ferrotitre_tests::cluster::DatabaseRole;

use crate::lab::Lab;

/// Which copies.
pub(crate) struct Copies<'a> {
    /// The signed determination.
    pub(crate) of: &'a str,
    /// How many.
    pub(crate) count: usize,
    /// The state that all of them are in.
    pub(crate) state: &'a str,
    /// sample or control.
    pub(crate) purpose: &'a str,
    /// Each of a sample of its own.
    pub(crate) of_own_samples: bool,
}

impl<'a> Copies<'a> {
    /// Approved, of the same sample.
    pub(crate) fn approved(of: &'a str, count: usize) -> Self {
        Self { of, count, state: "approved", purpose: "sample", of_own_samples: false }
    }

    /// Makes them.
    pub(crate) async fn make(&self, lab: &Lab) {
        let Self { of, count, state, purpose, of_own_samples } = self;
        let sql = lab.app.sql(DatabaseRole::Superuser).await;
        sql.batch_execute(&format!(
            "BEGIN; SET LOCAL session_replication_role = replica; \
             CREATE TEMP TABLE fresh ON COMMIT DROP AS SELECT uuid_by_time() AS id, uuid_by_time() AS sign_off, \
             CASE WHEN {of_own_samples} THEN uuid_by_time() ELSE d.sample_id END AS sample, d.sample_id AS model \
             FROM determinations d, generate_series(1, {count}) WHERE d.id = '{of}'; \
             INSERT INTO determinations (id, code, run_id, method_id, sample_id, portion_id, purpose, observed_at, recorded_by) \
             SELECT f.id, 'copy-' || f.id, d.run_id, d.method_id, f.sample, d.portion_id, '{purpose}', d.observed_at, d.recorded_by \
             FROM fresh f, determinations d WHERE d.id = '{of}'; \
             INSERT INTO present_states SELECT id, 'determinations', '{state}' FROM fresh; \
             INSERT INTO sign_offs SELECT (jsonb_populate_record(g, jsonb_build_object('id', f.sign_off, 'entity_id', f.id))).* \
             FROM fresh f, sign_offs g WHERE g.entity_id = '{of}' AND g.meaning = 'authored'; \
             INSERT INTO pins SELECT (jsonb_populate_record(p, jsonb_build_object('id', uuid_by_time(), 'sign_off_id', f.sign_off))).* \
             FROM fresh f, pins p JOIN sign_offs g ON g.id = p.sign_off_id WHERE g.entity_id = '{of}' AND g.meaning = 'authored'; \
             INSERT INTO samples SELECT (jsonb_populate_record(s, jsonb_build_object('id', f.sample, 'record_id', f.sample, \
             'code', 'copy-' || f.sample))).* FROM fresh f JOIN samples s ON s.id = f.model WHERE f.sample <> f.model; \
             INSERT INTO present_states SELECT f.sample, 'samples', s.state FROM fresh f \
             JOIN present_states s ON s.entity_id = f.model WHERE f.sample <> f.model; \
             COMMIT; ANALYZE"
        ))
        .await
        .unwrap();
    }
}
