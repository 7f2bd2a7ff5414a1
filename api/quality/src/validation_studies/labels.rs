//! Where a datum belongs in its design.

use ferrotitre_base::web::decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::validation_studies::kinds::{Kind, Label};

/// Where a datum belongs in its design.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Labels {
    /// Group: a day, a level, an interferent, a storage.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "day 1")]
    pub group: Option<String>,
    /// Amount taken; total iron for iron(III) by difference. In the unit of the data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken: Option<Decimal>,
    /// Amount added, in the unit of the data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub added: Option<Decimal>,
    /// Hours since the start.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hours: Option<Decimal>,
    /// What belongs together: sample, aliquot, bottle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pair: Option<String>,
    /// Which of the arms: unspiked or spiked, without or with, reference or new; for uncertainty bottom-up,
    /// within-laboratory, bias or reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arm: Option<String>,
    /// Run of the ruggedness design, 1 to 8.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub run: Option<i32>,
    /// Who titrated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub analyst: Option<String>,
    /// Burette.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub burette: Option<String>,
    /// Titrant lot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lot: Option<String>,
    /// Anything else.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

impl Labels {
    fn has(&self, label: Label) -> bool {
        match label {
            Label::Group => self.group.is_some(),
            Label::Taken => self.taken.is_some(),
            Label::Added => self.added.is_some(),
            Label::Hours => self.hours.is_some(),
            Label::Pair => self.pair.is_some(),
            Label::Arm => self.arm.is_some(),
            Label::Run => self.run.is_some(),
        }
    }

    /// Those that place a datum in its design, without what only describes it.
    pub(super) fn of_design(self) -> Self {
        Self { analyst: None, burette: None, lot: None, note: None, ..self }
    }

    /// A label as it was entered.
    pub fn text(&self, label: Label) -> String {
        let decimal = |value: &Option<Decimal>| value.as_ref().map(ToString::to_string).unwrap_or_default();
        match label {
            Label::Group => self.group.clone().unwrap_or_default(),
            Label::Taken => decimal(&self.taken),
            Label::Added => decimal(&self.added),
            Label::Hours => decimal(&self.hours),
            Label::Pair => self.pair.clone().unwrap_or_default(),
            Label::Arm => self.arm.clone().unwrap_or_default(),
            Label::Run => self.run.map(|run| run.to_string()).unwrap_or_default(),
        }
    }

    /// What is wrong with them for a kind: label, rule, message, value.
    pub(super) fn faults(&self, kind: Kind) -> Vec<(&'static str, &'static str, String, String)> {
        let mut faults = Vec::new();
        let mut fault = |label: &'static str, rule, message: String, value: String| {
            faults.push((label, rule, message, value));
        };
        for (label, needed) in kind.labels() {
            if *needed && !self.has(*label) {
                fault(label.name(), "required", format!("is needed for {}", kind.text()), String::new());
            }
        }
        for label in [Label::Group, Label::Taken, Label::Added, Label::Hours, Label::Pair, Label::Arm, Label::Run] {
            if self.has(label) && !kind.labels().iter().any(|(known, _)| *known == label) {
                fault(label.name(), "kind", format!("says nothing in {}", kind.text()), self.text(label));
            }
        }
        let arms = kind.arms();
        if let Some(arm) = self.arm.as_ref().filter(|arm| !arms.is_empty() && !arms.contains(&arm.as_str())) {
            fault("arm", "one_of", format!("must be one of {}", arms.join(", ")), arm.clone());
        }
        if let Some(run) = self.run.filter(|run| !(1..=8).contains(run)) {
            fault("run", "range", "must be from 1 to 8".to_owned(), run.to_string());
        }
        let spiked = kind == Kind::Recovery && self.arm.as_deref() == Some("spiked");
        if spiked && self.added.as_ref().is_none_or(|added| added.value() <= 0.0) {
            let given = self.added.as_ref().map(ToString::to_string).unwrap_or_default();
            fault("added", "range", "a recovery needs an addition above 0".to_owned(), given);
        }
        if self.added.is_some() && self.arm.as_deref() == Some("unspiked") {
            fault("added", "kind", "nothing was added to an unspiked sample".to_owned(), self.text(Label::Added));
        }
        if let Some(hours) = self.hours.as_ref().filter(|hours| hours.value() < 0.0) {
            fault("hours", "range", "must not be negative".to_owned(), hours.to_string());
        }
        let texts = [
            ("group", &self.group),
            ("pair", &self.pair),
            ("analyst", &self.analyst),
            ("burette", &self.burette),
            ("lot", &self.lot),
            ("note", &self.note),
        ];
        for (name, text) in texts {
            if let Some(text) = text
                && (text.trim().is_empty() || text.chars().count() > 200)
            {
                fault(name, "length", "must have 1 to 200 characters".to_owned(), text.clone());
            }
        }
        faults
    }
}
