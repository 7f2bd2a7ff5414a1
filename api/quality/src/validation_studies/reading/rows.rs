//! Rows that the answers of a study are read from.

use std::collections::HashSet;

use chrono::{DateTime, Utc};
use ferrotitre_base::pins::Used;
use uuid::Uuid;

use super::Loaded;

impl Loaded {
    /// Notes every row that answers are read from; returns the determinations and iron results that gave data.
    pub(in crate::validation_studies) fn rows_read(&self, used: &mut Used, at: DateTime<Utc>) -> Vec<Uuid> {
        let mut behind: HashSet<Uuid> = HashSet::new();
        for row in &self.plan {
            used.add("validation_characteristics", row.id.0, at);
        }
        for row in &self.amendments {
            used.add("validation_amendments", row.id.0, row.recorded_at);
        }
        for gathered in self.data.values() {
            for (id, recorded_at) in &gathered.recorded {
                used.add("validation_data", id.0, *recorded_at);
            }
            for id in &gathered.determinations {
                used.add("determinations", *id, at);
            }
            behind.extend(&gathered.determinations);
        }
        for row in self.exclusions.values() {
            used.add("validation_exclusions", row.id.0, row.recorded_at);
        }
        for step in &self.moves {
            used.add("state_moves", step.id.0, step.recorded_at);
        }
        for row in self.iron.values() {
            used.add("validation_iron_data", row.id.0, at);
            used.add("iron_results", row.iron_result_id.0, at);
            behind.insert(row.iron_result_id.0);
        }
        behind.into_iter().collect()
    }

    /// The same without what was recorded after a moment.
    pub(in crate::validation_studies) fn seen_at(mut self, moment: DateTime<Utc>) -> Self {
        self.amendments.retain(|row| row.recorded_at <= moment);
        self.exclusions.retain(|_, row| row.recorded_at <= moment);
        self.moves.retain(|step| step.recorded_at <= moment);
        for gathered in self.data.values_mut() {
            gathered.recorded.retain(|_, at| *at <= moment);
        }
        self
    }
}
