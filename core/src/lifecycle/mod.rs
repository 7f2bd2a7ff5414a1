//! States of recorded things and the legal moves between them.
//!
//! What belongs here: which states exist and which moves are legal, as data. What does not: who may make a move, and
//! the conditions that need other records (a factor in force, an approved review); those belong to the service.

mod machines;

use std::fmt;

/// The kinds of recorded things that have states.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum EntityKind {
    /// A person with an account.
    User,
    /// A lot of a primary standard.
    PrimaryStandardLot,
    /// A lot of a reagent that is not a standard.
    ReagentLot,
    /// A lot of titrant.
    TitrantLot,
    /// A standardisation of a titrant lot.
    Standardisation,
    /// A balance, burette, pipette, flask, thermometer or piston burette.
    Equipment,
    /// A version of a method.
    MethodVersion,
    /// A validation study.
    ValidationStudy,
    /// A sample.
    Sample,
    /// A test portion or a preparation made from it.
    TestPortion,
    /// An analytical run.
    Run,
    /// A blank.
    Blank,
    /// A titration.
    Titration,
    /// A determination.
    Determination,
    /// A result computed from two determinations.
    DerivedResult,
    /// A lot of a control material.
    ControlMaterial,
    /// A value on a control chart.
    ControlValue,
    /// A phase of a control chart.
    ChartPhase,
    /// A nonconformity.
    Nonconformity,
    /// A signature.
    SignOff,
    /// A report or certificate.
    Report,
}

/// A state of one kind of thing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct State {
    /// Stable text code, as stored.
    pub code: &'static str,
    /// The word a person reads.
    pub label: &'static str,
    /// States reachable in one move, in the order to offer them.
    pub next: &'static [&'static str],
}

/// The states of one kind of thing; the first is the state in which it begins.
#[derive(Debug, Clone, Copy)]
pub struct Machine {
    /// Kind of thing.
    pub kind: EntityKind,
    /// Stable text code of the kind.
    pub code: &'static str,
    /// What a person calls it.
    pub label: &'static str,
    /// Its states.
    pub states: &'static [State],
    /// Moves that people try and that must fail, each with its own reason: `(from, to, reason)`.
    pub refusals: &'static [(&'static str, &'static str, &'static str)],
}

/// A move that the state machine does not know.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{reason}")]
pub struct IllegalMove {
    /// Kind of thing.
    pub kind: EntityKind,
    /// State it is in.
    pub from: String,
    /// State asked for.
    pub to: String,
    /// Why it is refused, as a sentence.
    pub reason: String,
    /// Moves that are legal from here.
    pub allowed: Vec<&'static str>,
}

impl EntityKind {
    /// Every kind, in the order of the tables.
    pub const ALL: [Self; 21] = [
        Self::User,
        Self::PrimaryStandardLot,
        Self::ReagentLot,
        Self::TitrantLot,
        Self::Standardisation,
        Self::Equipment,
        Self::MethodVersion,
        Self::ValidationStudy,
        Self::Sample,
        Self::TestPortion,
        Self::Run,
        Self::Blank,
        Self::Titration,
        Self::Determination,
        Self::DerivedResult,
        Self::ControlMaterial,
        Self::ControlValue,
        Self::ChartPhase,
        Self::Nonconformity,
        Self::SignOff,
        Self::Report,
    ];

    /// The states and moves of this kind.
    #[must_use]
    pub const fn machine(self) -> &'static Machine {
        machines::of(self)
    }

    /// Stable text code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        self.machine().code
    }

    /// What a person calls it.
    #[must_use]
    pub const fn label(self) -> &'static str {
        self.machine().label
    }

    /// The kind with this code.
    #[must_use]
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.code() == code)
    }

    /// The state in which a new one begins.
    #[must_use]
    pub fn initial_state(self) -> &'static str {
        self.machine().states.first().map_or("", |state| state.code)
    }

    /// The state with this code.
    #[must_use]
    pub fn state(self, code: &str) -> Option<&'static State> {
        self.machine().states.iter().find(|state| state.code == code)
    }
}

impl fmt::Display for EntityKind {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(self.label())
    }
}

/// Whether a thing in state `from` may go to state `to`.
///
/// # Errors
/// [`IllegalMove`] with the reason and the moves that are legal, also when either state is unknown.
///
/// # Example
/// ```
/// use ferrotitre_core::lifecycle::{EntityKind, check_move};
/// assert!(check_move(EntityKind::Titration, "recorded", "accepted").is_ok());
/// let refused = check_move(EntityKind::Run, "out_of_control", "released").unwrap_err();
/// assert_eq!(refused.allowed, ["rejected"]);
/// ```
pub fn check_move(kind: EntityKind, from: &str, to: &str) -> Result<(), IllegalMove> {
    let machine = kind.machine();
    let illegal = |reason: String, allowed: &[&'static str]| IllegalMove {
        kind,
        from: from.to_owned(),
        to: to.to_owned(),
        reason,
        allowed: allowed.to_vec(),
    };
    let Some(state) = kind.state(from) else {
        return Err(illegal(format!("a {} has no state {from:?}", machine.label), &[]));
    };
    let Some(target) = kind.state(to) else {
        return Err(illegal(format!("a {} has no state {to:?}", machine.label), state.next));
    };
    if state.next.contains(&to) {
        return Ok(());
    }
    let ways = state.next.iter().filter_map(|code| kind.state(code)).map(|state| state.label).collect::<Vec<_>>();
    let ways = match ways.split_last() {
        None => "no move is left from there".to_owned(),
        Some((only, [])) => format!("from there it can only become {only}"),
        Some((last, rest)) => format!("from there it can become {} or {last}", rest.join(", ")),
    };
    let why = machine
        .refusals
        .iter()
        .find(|(a, b, _)| *a == from && *b == to)
        .map_or_else(String::new, |(_, _, reason)| format!(": {reason}"));
    Err(illegal(
        format!("a {} that is {} cannot become {}{why}; {ways}", machine.label, state.label, target.label),
        state.next,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_has_its_own_machine_with_unique_codes_and_moves_that_exist() {
        let mut codes = Vec::new();
        for kind in EntityKind::ALL {
            let machine = kind.machine();
            assert_eq!(machine.kind, kind);
            assert_eq!(EntityKind::from_code(machine.code), Some(kind));
            codes.push(machine.code);
            let mut states = machine.states.iter().map(|state| state.code).collect::<Vec<_>>();
            let count = states.len();
            states.sort_unstable();
            states.dedup();
            assert_eq!(states.len(), count, "{kind}");
            for state in machine.states {
                for next in state.next {
                    assert!(kind.state(next).is_some(), "{kind}: {} to {next}", state.code);
                    assert_ne!(*next, state.code);
                }
            }
            for (from, to, _) in machine.refusals {
                assert!(check_move(kind, from, to).is_err(), "{kind}: {from} to {to} is both legal and refused");
            }
        }
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), EntityKind::ALL.len());
    }

    #[test]
    fn every_state_can_be_reached_from_the_first() {
        for kind in EntityKind::ALL {
            let mut seen = vec![kind.initial_state()];
            let mut at = 0;
            while at < seen.len() {
                for next in kind.state(seen[at]).unwrap().next {
                    if !seen.contains(next) {
                        seen.push(next);
                    }
                }
                at += 1;
            }
            assert_eq!(seen.len(), kind.machine().states.len(), "{kind}: reached {seen:?}");
        }
    }

    #[test]
    fn a_determination_cannot_skip_its_review() {
        let error = check_move(EntityKind::Determination, "submitted", "approved").unwrap_err();
        assert_eq!(error.allowed, ["reviewed", "returned"]);
        assert!(error.reason.contains("review"), "{}", error.reason);
    }

    #[test]
    fn every_titration_state_can_be_amended_and_an_amended_one_is_final() {
        for state in EntityKind::Titration.machine().states {
            assert_eq!(check_move(EntityKind::Titration, state.code, "amended").is_ok(), state.code != "amended");
        }
        assert!(check_move(EntityKind::Titration, "rejected", "accepted").is_err());
    }

    #[test]
    fn unknown_states_are_refused_by_name() {
        assert!(check_move(EntityKind::Sample, "lost", "accepted").unwrap_err().reason.contains("lost"));
        assert!(check_move(EntityKind::Sample, "received", "lost").unwrap_err().reason.contains("lost"));
    }
}
