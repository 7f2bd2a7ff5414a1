//! States of recorded things and the legal moves between them.
//!
//! A thing without a recorded move is in the first state of its kind.

mod kinds;

pub use kinds::EntityKind;

/// A legal move and what it takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Move {
    /// State before.
    pub from: &'static str,
    /// State after.
    pub to: &'static str,
    /// Whether a reason must be given.
    pub reason: bool,
}

/// A move that is not legal.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{kind} cannot go from '{from}' to '{to}'; from '{from}' it can go to: {}", if allowed.is_empty() { "nothing, this state is final".to_owned() } else { allowed.join(", ") })]
pub struct IllegalMove {
    /// What it is.
    pub kind: &'static str,
    /// Present state.
    pub from: String,
    /// State asked for.
    pub to: String,
    /// States it can go to.
    pub allowed: Vec<&'static str>,
}

const fn plain(from: &'static str, to: &'static str) -> Move {
    Move { from, to, reason: false }
}

const fn reasoned(from: &'static str, to: &'static str) -> Move {
    Move { from, to, reason: true }
}

const LOT: &[Move] = &[
    plain("received", "quarantined"),
    plain("received", "released"),
    plain("quarantined", "released"),
    reasoned("quarantined", "withdrawn"),
    plain("released", "in use"),
    plain("released", "expired"),
    plain("in use", "expired"),
    plain("in use", "exhausted"),
    plain("released", "exhausted"),
    reasoned("received", "withdrawn"),
    reasoned("released", "withdrawn"),
    reasoned("in use", "withdrawn"),
];

const LOT_UNDER_STUDY: &[Move] = &[
    plain("quarantined", "released"),
    plain("released", "in use"),
    plain("released", "expired"),
    plain("in use", "expired"),
    plain("released", "exhausted"),
    plain("in use", "exhausted"),
    reasoned("quarantined", "withdrawn"),
    reasoned("released", "withdrawn"),
    reasoned("in use", "withdrawn"),
];

const PHASE: &[Move] = &[
    plain("proposed", "preliminary"),
    plain("proposed", "established"),
    reasoned("proposed", "rejected"),
    plain("preliminary", "superseded"),
    plain("established", "superseded"),
];

/// Whether a control value counts; the verdict it got is not a state and never changes.
const CONTROL_VALUE: &[Move] = &[
    reasoned("valid", "under investigation"),
    reasoned("valid", "invalid-with-cause"),
    reasoned("under investigation", "valid"),
    reasoned("under investigation", "invalid-with-cause"),
    reasoned("invalid-with-cause", "under investigation"),
];

const NONCONFORMITY: &[Move] = &[
    plain("opened", "contained"),
    plain("contained", "investigating"),
    plain("investigating", "action"),
    plain("action", "verifying"),
    reasoned("verifying", "action"),
    plain("verifying", "closed"),
    reasoned("closed", "reopened"),
    plain("reopened", "investigating"),
];

/// A returned study runs on: more data, then another conclusion.
const VALIDATION: &[Move] = &[
    plain("planned", "running"),
    reasoned("planned", "rejected"),
    plain("running", "complete"),
    plain("complete", "reviewed"),
    reasoned("complete", "running"),
    reasoned("complete", "rejected"),
    plain("reviewed", "approved"),
    reasoned("reviewed", "running"),
    reasoned("reviewed", "rejected"),
];

const PROPOSAL: &[Move] = &[plain("proposed", "approved"), reasoned("proposed", "rejected")];

/// A version holds from its approval until the next one is approved.
const APPROVED_VERSION: &[Move] = &[
    plain("draft", "approved"),
    reasoned("draft", "rejected"),
    plain("approved", "superseded"),
    reasoned("approved", "withdrawn"),
];

/// An issue holds until it is replaced by the next one, or withdrawn.
const CERTIFICATE: &[Move] = &[
    plain("draft", "issued"),
    reasoned("draft", "discarded"),
    reasoned("issued", "superseded"),
    reasoned("issued", "withdrawn"),
];

const SIGNED: &[Move] = &[
    plain("in progress", "submitted"),
    plain("submitted", "reviewed"),
    plain("reviewed", "approved"),
    reasoned("submitted", "returned"),
    reasoned("reviewed", "returned"),
    plain("returned", "submitted"),
    plain("approved", "reported"),
    reasoned("approved", "amended"),
    reasoned("reported", "amended"),
    plain("amended", "submitted"),
    // What it rested on was found wrong after it was approved, such as a run that is rejected: it is no result any longer.
    reasoned("approved", "invalidated"),
    reasoned("reported", "invalidated"),
    reasoned("amended", "invalidated"),
    reasoned("in progress", "cancelled"),
    reasoned("returned", "cancelled"),
];

impl EntityKind {
    /// State of a thing without a recorded move.
    #[must_use]
    pub fn first_state(self) -> &'static str {
        match self {
            Self::Account | Self::ServiceToken => "active",
            Self::Equipment => "in service",
            Self::PrimaryStandard | Self::Reagent | Self::Sample => "received",
            Self::Titrant => "prepared",
            Self::Standardisation | Self::Method | Self::DecisionRule | Self::Specification | Self::Certificate => {
                "draft"
            }
            Self::Run => "open",
            Self::Blank
            | Self::Titration
            | Self::StandardisationTitration
            | Self::ProficiencyRound
            | Self::ValidationConclusion
            | Self::TrailReview => "recorded",
            Self::ValidationStudy => "planned",
            Self::Determination | Self::IronResult => "in progress",
            Self::Concession => "requested",
            Self::ControlMaterial => "quarantined",
            Self::ControlChart => "in use",
            Self::ChartPhase | Self::ValidationAmendment | Self::ValidationExclusion => "proposed",
            Self::ControlValue => "valid",
            Self::Nonconformity => "opened",
        }
    }

    /// The legal moves.
    #[must_use]
    #[expect(clippy::too_many_lines, reason = "a table, one row per move; cutting it up would hide a missing kind")]
    pub fn moves(self) -> &'static [Move] {
        match self {
            Self::Account => {
                const {
                    &[
                        reasoned("active", "locked"),
                        reasoned("locked", "active"),
                        reasoned("active", "retired"),
                        reasoned("locked", "retired"),
                    ]
                }
            }
            Self::ServiceToken => const { &[reasoned("active", "revoked")] },
            Self::Equipment => {
                const {
                    &[
                        reasoned("in service", "out of service"),
                        reasoned("out of service", "in service"),
                        reasoned("in service", "retired"),
                        reasoned("out of service", "retired"),
                    ]
                }
            }
            Self::PrimaryStandard | Self::Reagent => LOT,
            Self::Titrant => {
                const {
                    &[
                        plain("prepared", "standardising"),
                        plain("prepared", "released"),
                        plain("standardising", "released"),
                        plain("released", "in use"),
                        reasoned("released", "suspended"),
                        reasoned("in use", "suspended"),
                        reasoned("suspended", "in use"),
                        plain("in use", "expired"),
                        plain("released", "expired"),
                        plain("suspended", "expired"),
                        plain("in use", "exhausted"),
                        reasoned("prepared", "withdrawn"),
                        reasoned("standardising", "withdrawn"),
                        reasoned("released", "withdrawn"),
                        reasoned("in use", "withdrawn"),
                        reasoned("suspended", "withdrawn"),
                    ]
                }
            }
            Self::Standardisation => {
                const {
                    &[
                        plain("draft", "submitted"),
                        plain("submitted", "approved"),
                        reasoned("submitted", "returned"),
                        plain("returned", "submitted"),
                        // What it rests on was corrected: approved again, it gives a factor in the place of its first.
                        reasoned("approved", "amended"),
                        plain("amended", "submitted"),
                        reasoned("submitted", "rejected"),
                        reasoned("draft", "rejected"),
                        reasoned("returned", "rejected"),
                    ]
                }
            }
            Self::Method => {
                const {
                    &[
                        plain("draft", "in validation"),
                        plain("draft", "approved"),
                        plain("in validation", "approved"),
                        reasoned("in validation", "draft"),
                        plain("approved", "superseded"),
                        reasoned("approved", "withdrawn"),
                        reasoned("draft", "withdrawn"),
                    ]
                }
            }
            Self::Sample => {
                const {
                    &[
                        plain("received", "accepted"),
                        reasoned("received", "rejected on receipt"),
                        plain("accepted", "in analysis"),
                        plain("in analysis", "reported"),
                        plain("reported", "archived"),
                        reasoned("archived", "disposed"),
                    ]
                }
            }
            Self::Run => {
                const {
                    &[
                        plain("open", "closed"),
                        plain("closed", "released"),
                        reasoned("closed", "rejected"),
                        reasoned("open", "rejected"),
                        reasoned("released", "rejected"),
                    ]
                }
            }
            Self::Blank => {
                const { &[plain("recorded", "accepted"), reasoned("recorded", "rejected"), reasoned("accepted", "rejected")] }
            }
            Self::Titration | Self::StandardisationTitration => {
                const { &[plain("recorded", "accepted"), reasoned("recorded", "rejected"), reasoned("accepted", "rejected")] }
            }
            Self::Determination | Self::IronResult => SIGNED,
            Self::Concession => const { &[plain("requested", "granted"), reasoned("requested", "refused")] },
            Self::ControlMaterial => LOT_UNDER_STUDY,
            Self::ControlChart => const { &[reasoned("in use", "closed")] },
            Self::ChartPhase => PHASE,
            Self::ControlValue => CONTROL_VALUE,
            Self::Nonconformity => NONCONFORMITY,
            Self::ProficiencyRound => const { &[reasoned("recorded", "withdrawn")] },
            Self::ValidationStudy => VALIDATION,
            Self::ValidationAmendment | Self::ValidationExclusion => PROPOSAL,
            Self::ValidationConclusion | Self::TrailReview => &[],
            Self::DecisionRule | Self::Specification => APPROVED_VERSION,
            Self::Certificate => CERTIFICATE,
        }
    }

    /// All states, first one first.
    #[must_use]
    pub fn states(self) -> Vec<&'static str> {
        let mut states = vec![self.first_state()];
        for step in self.moves() {
            for state in [step.from, step.to] {
                if !states.contains(&state) {
                    states.push(state);
                }
            }
        }
        states
    }
}

/// Checks a move.
///
/// # Errors
/// [`IllegalMove`] with the states that can be reached.
///
/// # Example
/// ```
/// use ferrotitre_core::lifecycle::{EntityKind, check_move};
/// assert!(check_move(EntityKind::Titrant, "suspended", "in use").is_ok());
/// let refused = check_move(EntityKind::Titrant, "withdrawn", "in use").unwrap_err();
/// assert!(refused.allowed.is_empty());
/// ```
pub fn check_move(kind: EntityKind, from: &str, to: &str) -> Result<Move, IllegalMove> {
    let moves = kind.moves();
    moves.iter().find(|step| step.from == from && step.to == to).copied().ok_or_else(|| IllegalMove {
        kind: kind.noun(),
        from: from.to_owned(),
        to: to.to_owned(),
        allowed: moves.iter().filter(|step| step.from == from).map(|step| step.to).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_state_is_reachable_from_the_first() {
        for kind in EntityKind::ALL {
            let mut reached = vec![kind.first_state()];
            let mut next = 0;
            while let Some(state) = reached.get(next).copied() {
                for step in kind.moves().iter().filter(|step| step.from == state) {
                    if !reached.contains(&step.to) {
                        reached.push(step.to);
                    }
                }
                next += 1;
            }
            assert_eq!(reached.len(), kind.states().len(), "{kind:?}");
        }
    }

    #[test]
    fn a_signed_record_changes_only_through_an_amendment() {
        let onward: Vec<_> =
            EntityKind::Determination.moves().iter().filter(|m| m.from == "approved").map(|m| m.to).collect();
        assert_eq!(onward, ["reported", "amended", "invalidated"]);
    }
}
