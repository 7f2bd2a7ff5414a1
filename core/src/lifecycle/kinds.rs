//! Kinds of recorded things that have states, and what they are called.

/// Kinds of recorded things that have states, by the names of their tables.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum EntityKind {
    /// A person or an instrument.
    Account,
    /// A token of an instrument.
    ServiceToken,
    /// Measuring equipment.
    Equipment,
    /// A primary-standard lot.
    PrimaryStandard,
    /// A reagent lot.
    Reagent,
    /// A titrant lot.
    Titrant,
    /// A standardisation.
    Standardisation,
    /// A titration of a standardisation.
    StandardisationTitration,
    /// A method version.
    Method,
    /// A sample.
    Sample,
    /// An analytical run.
    Run,
    /// A blank.
    Blank,
    /// A determination.
    Determination,
    /// A titration.
    Titration,
    /// Iron(III) by difference.
    IronResult,
    /// A concession.
    Concession,
    /// A lot of control material.
    ControlMaterial,
    /// A control chart.
    ControlChart,
    /// A phase of a control chart.
    ChartPhase,
    /// A control value.
    ControlValue,
    /// A nonconformity.
    Nonconformity,
    /// A round of a proficiency test or comparison.
    ProficiencyRound,
    /// A validation study.
    ValidationStudy,
    /// A late change of limits of acceptance.
    ValidationAmendment,
    /// A datum of a validation study that is left out.
    ValidationExclusion,
    /// A conclusion of a validation study; its state is the study's.
    ValidationConclusion,
    /// Review of the audit trail.
    TrailReview,
    /// A version of a decision rule.
    DecisionRule,
    /// A version of a specification.
    Specification,
    /// An issue of a certificate of analysis.
    Certificate,
}

impl EntityKind {
    /// Every kind.
    pub const ALL: [Self; 30] = [
        Self::Account,
        Self::ServiceToken,
        Self::Equipment,
        Self::PrimaryStandard,
        Self::Reagent,
        Self::Titrant,
        Self::Standardisation,
        Self::StandardisationTitration,
        Self::Method,
        Self::Sample,
        Self::Run,
        Self::Blank,
        Self::Determination,
        Self::Titration,
        Self::IronResult,
        Self::Concession,
        Self::ControlMaterial,
        Self::ControlChart,
        Self::ChartPhase,
        Self::ControlValue,
        Self::Nonconformity,
        Self::ProficiencyRound,
        Self::ValidationStudy,
        Self::ValidationAmendment,
        Self::ValidationExclusion,
        Self::ValidationConclusion,
        Self::TrailReview,
        Self::DecisionRule,
        Self::Specification,
        Self::Certificate,
    ];

    /// Name of the table, which is also the kind's name in records.
    #[must_use]
    pub fn table(self) -> &'static str {
        match self {
            Self::Account => "accounts",
            Self::ServiceToken => "service_tokens",
            Self::Equipment => "equipment",
            Self::PrimaryStandard => "primary_standards",
            Self::Reagent => "reagents",
            Self::Titrant => "titrants",
            Self::Standardisation => "standardisations",
            Self::StandardisationTitration => "standardisation_titrations",
            Self::Method => "methods",
            Self::Sample => "samples",
            Self::Run => "runs",
            Self::Blank => "blanks",
            Self::Determination => "determinations",
            Self::Titration => "titrations",
            Self::IronResult => "iron_results",
            Self::Concession => "concessions",
            Self::ControlMaterial => "control_materials",
            Self::ControlChart => "control_charts",
            Self::ChartPhase => "chart_phases",
            Self::ControlValue => "control_values",
            Self::Nonconformity => "nonconformities",
            Self::ProficiencyRound => "proficiency_rounds",
            Self::ValidationStudy => "validation_studies",
            Self::ValidationAmendment => "validation_amendments",
            Self::ValidationExclusion => "validation_exclusions",
            Self::ValidationConclusion => "validation_conclusions",
            Self::TrailReview => "trail_reviews",
            Self::DecisionRule => "decision_rules",
            Self::Specification => "specifications",
            Self::Certificate => "certificates",
        }
    }

    /// What people call it.
    #[must_use]
    pub fn noun(self) -> &'static str {
        match self {
            Self::Account => "account",
            Self::ServiceToken => "service token",
            Self::Equipment => "equipment",
            Self::PrimaryStandard => "primary-standard lot",
            Self::Reagent => "reagent lot",
            Self::Titrant => "titrant lot",
            Self::Standardisation => "standardisation",
            Self::StandardisationTitration => "standardisation titration",
            Self::Method => "method version",
            Self::Sample => "sample",
            Self::Run => "run",
            Self::Blank => "blank",
            Self::Determination => "determination",
            Self::Titration => "titration",
            Self::IronResult => "iron result",
            Self::Concession => "concession",
            Self::ControlMaterial => "control material lot",
            Self::ControlChart => "control chart",
            Self::ChartPhase => "chart phase",
            Self::ControlValue => "control value",
            Self::Nonconformity => "nonconformity",
            Self::ProficiencyRound => "proficiency round",
            Self::ValidationStudy => "validation study",
            Self::ValidationAmendment => "amendment of limits",
            Self::ValidationExclusion => "exclusion of a datum",
            Self::ValidationConclusion => "conclusion",
            Self::TrailReview => "review of the audit trail",
            Self::DecisionRule => "decision rule",
            Self::Specification => "specification",
            Self::Certificate => "certificate",
        }
    }
}
