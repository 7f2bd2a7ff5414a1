//! Table of specifications.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use ferrotitre_base::ids::DecisionRuleId;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::{Decimal, code, words};
use ferrotitre_base::web::versions::versioned;
use ferrotitre_core::uncertainty::conformity::{self, ConformityError};
use ferrotitre_schema::specifications;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What can be judged.
pub const ANALYTES: [&str; 3] = ["iron(II)", "total iron", "iron(III)"];
/// As what a content can be expressed.
pub const EXPRESSED: [&str; 3] = ["Fe", "FeO", "Fe2O3"];
/// Units of contents.
pub const UNITS: [&str; 5] = ["mol/L", "g/L", "mg/L", "% m/m", "mol/kg"];

/// A specification: the limits of one content, and the rule by which results are judged.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = specifications)]
#[serde(deny_unknown_fields)]
pub struct SpecificationFacts {
    /// Code of the specification.
    #[schema(example = "SP-1")]
    pub code: String,
    /// Title.
    #[schema(example = "Iron(II) in pickling baths")]
    pub title: String,
    /// For whom and for what it is, in words.
    #[schema(example = "bath to be renewed above the limit; agreed with the pickling line")]
    pub scope: String,
    /// Client that it was agreed with, as the samples name it.
    pub client_reference: Option<String>,
    /// Matrix that it is for.
    #[schema(example = "hydrochloric pickling bath")]
    pub matrix: Option<String>,
    /// iron(II), total iron or iron(III).
    #[schema(example = "iron(II)")]
    pub analyte: String,
    /// As what the limits are expressed: Fe, FeO or Fe2O3.
    #[serde(default = "as_iron")]
    #[schema(default = "Fe")]
    pub expressed: String,
    /// Unit of the limits: mol/L, g/L, mg/L, % m/m or mol/kg.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Lower tolerance limit, as entered.
    #[diesel(column_name = lower_limit)]
    pub lower: Option<Decimal>,
    /// Upper tolerance limit, as entered.
    #[diesel(column_name = upper_limit)]
    #[schema(example = "120")]
    pub upper: Option<Decimal>,
    /// Version of the decision rule, approved; without one, that of the method version a result was made with counts.
    #[diesel(column_name = decision_rule_id)]
    pub decision_rule: Option<DecisionRuleId>,
    /// From when samples can be given it.
    pub effective_from: DateTime<Utc>,
    /// Until when.
    pub effective_to: Option<DateTime<Utc>>,
}

fn as_iron() -> String {
    "Fe".to_owned()
}

impl SpecificationFacts {
    /// The limits as core takes them.
    pub fn limits(&self) -> Result<conformity::Specification, ConformityError> {
        let value = |limit: &Option<Decimal>| limit.as_ref().map(Decimal::value);
        conformity::Specification::new(value(&self.lower), value(&self.upper))
    }

    /// The limits in words.
    pub fn limits_in_words(&self) -> String {
        let unit = &self.unit;
        let text = match (&self.lower, &self.upper) {
            (Some(lower), Some(upper)) => format!("from {lower} to {upper} {unit}"),
            (Some(lower), None) => format!("at least {lower} {unit}"),
            (None, Some(upper)) => format!("at most {upper} {unit}"),
            (None, None) => "no limit".to_owned(),
        };
        if self.expressed == "Fe" { text } else { format!("{text} as {}", self.expressed) }
    }

    fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        code(&mut errors, "code", &self.code);
        words(&mut errors, "title", &self.title);
        words(&mut errors, "scope", &self.scope);
        for (field, text) in [("client_reference", &self.client_reference), ("matrix", &self.matrix)] {
            if let Some(text) = text {
                words(&mut errors, field, text);
            }
        }
        for (field, text, all) in [
            ("analyte", &self.analyte, &ANALYTES[..]),
            ("expressed", &self.expressed, &EXPRESSED[..]),
            ("unit", &self.unit, &UNITS[..]),
        ] {
            let message = format!("must be one of {}", all.join(", "));
            errors.require(all.contains(&text.as_str()), field, "one_of", message, text);
        }
        match (&self.lower, &self.upper) {
            (None, None) => errors.add("upper", "a_limit", "a specification needs a lower or an upper limit", ""),
            (Some(lower), Some(upper)) => {
                let message = format!("must be above the lower limit {lower}: the limits are the wrong way round");
                errors.require(lower.value() < upper.value(), "upper", "order", message, upper);
            }
            _ => {}
        }
        if let Some(until) = self.effective_to {
            let message = "must be after the moment from which it applies";
            errors.require(until > self.effective_from, "effective_to", "order", message, until.to_rfc3339());
        }
        errors.check()
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "specifications_code_once",
        code: Code::AlreadyExists,
        field: "code",
        detail: "there is a specification with this code",
    },
    ConstraintMeaning {
        constraint: "specifications_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody drafted the next version at the same moment; read it again",
    },
    ConstraintMeaning {
        constraint: "specifications_decision_rule_id",
        code: Code::UnknownReference,
        field: "decision_rule",
        detail: "there is no such version of a decision rule",
    },
];

versioned! {
    table: specifications,
    id: SpecificationId,
    facts: SpecificationFacts,
    kind: ferrotitre_core::lifecycle::EntityKind::Specification,
    path: "/api/v1/specifications",
    meanings: super::MEANINGS,
    also: [exactly, read, list],
}
