//! Who had which part in a determination.

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::{AccountId, TitrationId};
use uuid::Uuid;

use super::Loaded;
use crate::determinations::store::TitrationRow;

impl Loaded {
    /// Titrations that count.
    fn counted(&self) -> impl Iterator<Item = &TitrationRow> {
        let out = |state: &str| matches!(state, "superseded" | "rejected");
        self.titrations.iter().filter(move |(_, state)| !out(state)).map(|(row, _)| row)
    }

    /// Who made the titrations that count.
    pub(in crate::determinations) fn observers(&self) -> Vec<AccountId> {
        self.counted().filter_map(|row| self.first_of(row.record_id)).collect()
    }

    /// Who made a titration: who recorded its first version.
    pub(in crate::determinations) fn first_of(&self, titration: Uuid) -> Option<AccountId> {
        let first = self.titrations.iter().find(|(row, _)| row.record_id == titration && row.version == 1);
        first.map(|(row, _)| row.recorded_by)
    }

    /// Who corrected one of them, or the portion.
    pub(in crate::determinations) fn correctors(&self) -> Vec<AccountId> {
        let corrected = self.counted().filter(|row| row.version > 1).map(|row| row.recorded_by);
        let portion = Some(&self.frame.portion).filter(|portion| portion.version > 1);
        corrected.chain(portion.map(|portion| portion.recorded_by)).collect()
    }

    /// When its portion was taken.
    pub(in crate::determinations) fn portion_taken_at(&self) -> DateTime<Utc> {
        self.frame.portion.observed_at
    }

    /// Supervisors of titrations in their present versions, also of such as were rejected.
    pub(in crate::determinations) fn supervisors(&self) -> Vec<AccountId> {
        let present =
            |id: TitrationId| self.titrations.iter().any(|(row, state)| row.id == id && state != "superseded");
        self.supervisions.iter().filter(|(id, _)| present(*id)).map(|(_, supervisor)| *supervisor).collect()
    }

    /// The supervisor of a titration in its present version.
    pub(in crate::determinations) fn supervisor_of(&self, titration: TitrationId) -> Option<AccountId> {
        self.supervisions.iter().find(|(id, _)| *id == titration).map(|(_, supervisor)| *supervisor)
    }

    /// Supervisors who have not signed for the content as it now is.
    pub(in crate::determinations) fn not_countersigned(&self, digest: &str) -> Vec<AccountId> {
        let signed = |who: AccountId| {
            self.frame
                .sign_offs
                .iter()
                .any(|sign| sign.meaning == "witnessed" && sign.recorded_by == who && sign.content_digest == digest)
        };
        self.supervisors().into_iter().filter(|who| !signed(*who)).collect()
    }
}
