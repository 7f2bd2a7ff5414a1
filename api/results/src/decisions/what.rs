//! Kinds of things that a manager decides on, in the order in which one may rest on another.

use ferrotitre_base::auth::permissions::Action;
use ferrotitre_core::lifecycle::EntityKind;
use sha2::{Digest, Sha256};
use uuid::Uuid;

/// A kind; decided on in this order, so that a run is released before what is in it is approved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum What {
    /// A primary-standard lot, to be released.
    PrimaryStandard,
    /// A reagent lot, to be released.
    Reagent,
    /// A titrant lot prepared by mass, to be released under a signature.
    Titrant,
    /// A lot of control material, to be released.
    ControlMaterial,
    /// The newest version of a method, to be approved.
    Method,
    /// Limits of a control chart, to be approved under a signature.
    ChartPhase,
    /// A closed run, to be released under a signature.
    Run,
    /// A reviewed determination, to be approved under a signature.
    Determination,
    /// A reviewed iron result, to be approved under a signature.
    IronResult,
}

impl What {
    /// Every kind, in the order of decisions.
    pub const ALL: [Self; 9] = [
        Self::PrimaryStandard,
        Self::Reagent,
        Self::Titrant,
        Self::ControlMaterial,
        Self::Method,
        Self::ChartPhase,
        Self::Run,
        Self::Determination,
        Self::IronResult,
    ];

    /// The kind of record.
    #[must_use]
    pub fn kind(self) -> EntityKind {
        match self {
            Self::PrimaryStandard => EntityKind::PrimaryStandard,
            Self::Reagent => EntityKind::Reagent,
            Self::Titrant => EntityKind::Titrant,
            Self::ControlMaterial => EntityKind::ControlMaterial,
            Self::Method => EntityKind::Method,
            Self::ChartPhase => EntityKind::ChartPhase,
            Self::Run => EntityKind::Run,
            Self::Determination => EntityKind::Determination,
            Self::IronResult => EntityKind::IronResult,
        }
    }

    /// The kind of that name.
    #[must_use]
    pub fn of(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|what| what.kind().table() == text)
    }

    /// The permission it needs by itself, which its event names.
    #[must_use]
    pub fn action(self) -> Action {
        match self {
            Self::PrimaryStandard | Self::Reagent | Self::ControlMaterial => Action::ReleaseLots,
            Self::Titrant => Action::ReleaseTitrants,
            Self::Method => Action::ApproveMethods,
            Self::ChartPhase => Action::ApprovePhases,
            Self::Run => Action::ReleaseRuns,
            Self::Determination | Self::IronResult => Action::ApproveDeterminations,
        }
    }

    /// What is decided.
    #[must_use]
    pub fn decision(self) -> &'static str {
        match self {
            Self::PrimaryStandard | Self::Reagent | Self::Titrant | Self::ControlMaterial | Self::Run => "release",
            Self::Method | Self::ChartPhase | Self::Determination | Self::IronResult => "approve",
        }
    }

    /// Page of one of them.
    pub(super) fn page(self, id: Uuid) -> String {
        let folder = match self {
            Self::PrimaryStandard => "stock/standards",
            Self::Reagent => "stock/reagents",
            Self::Titrant => "titrants",
            Self::ControlMaterial => "control-materials",
            Self::Method => "methods",
            Self::ChartPhase => "chart-phases",
            Self::Run => "runs",
            Self::Determination => "determinations",
            Self::IronResult => "iron-results",
        };
        format!("/{folder}/{id}")
    }

    /// Digest of what is looked at before a decision that is no signature: the version, whose content never changes, and its state.
    pub(super) fn digest(self, version: Uuid, state: &str) -> String {
        let text = format!("ferrotitre decision 1\n{} {version} {state}\n", self.kind().table());
        hex::encode(Sha256::digest(text.as_bytes()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_is_found_by_its_name_and_the_order_is_that_of_the_list() {
        assert!(What::ALL.is_sorted());
        for what in What::ALL {
            assert_eq!(What::of(what.kind().table()), Some(what));
        }
        assert_eq!(What::of("accounts"), None);
    }

    #[test]
    fn what_is_decided_on_without_a_signature_is_told_apart_by_version_and_state() {
        let (one, other) = (Uuid::from_u128(1), Uuid::from_u128(2));
        let digest = What::Method.digest(one, "draft");
        assert_ne!(digest, What::Method.digest(other, "draft"));
        assert_ne!(digest, What::Method.digest(one, "approved"));
        assert_ne!(digest, What::Reagent.digest(one, "draft"));
    }
}
