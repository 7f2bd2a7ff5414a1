//! Table of method versions.

use diesel::prelude::*;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::{code, words};
use ferrotitre_base::web::json::Json;
use ferrotitre_base::web::versions::versioned;
use ferrotitre_core::chemistry::{chemistry, indicator, reduction};
use ferrotitre_schema::methods;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::methods::rules::MethodRules;

/// A method version.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = methods)]
#[serde(deny_unknown_fields)]
pub struct MethodFacts {
    /// Code of the method.
    #[schema(example = "M1")]
    pub code: String,
    /// Title.
    #[schema(example = "Iron(II) in pickling baths by dichromate titration")]
    pub title: String,
    /// Principle, in words.
    pub principle: String,
    /// iron(II) or total iron.
    #[schema(example = "iron(II)")]
    pub analyte: String,
    /// Matrix it is validated for.
    #[schema(example = "hydrochloric pickling bath")]
    pub matrix: String,
    /// Titration chemistry, by its code in /chemistries.
    #[schema(example = "dichromate")]
    pub chemistry: String,
    /// Reduction procedure, by its code; none for a direct titration.
    #[schema(example = "none")]
    pub reduction: String,
    /// Indicator, by its code.
    #[schema(example = "diphenylamine sulfonate")]
    pub indicator: String,
    /// Rules of replicates, corrections, blank and report.
    #[schema(value_type = MethodRules)]
    pub rules: Json<MethodRules>,
    /// Why a mercury reduction was chosen over a mercury-free one.
    pub mercury_reason: Option<String>,
}

impl MethodFacts {
    pub(super) fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        code(&mut errors, "code", &self.code);
        for (field, text) in [("title", &self.title), ("principle", &self.principle), ("matrix", &self.matrix)] {
            words(&mut errors, field, text);
        }
        let analyte = matches!(self.analyte.as_str(), "iron(II)" | "total iron");
        errors.require(analyte, "analyte", "one_of", "must be iron(II) or total iron", &self.analyte);
        match chemistry(&self.chemistry) {
            None => errors.add("chemistry", "one_of", "is not a code of /api/v1/chemistries", &self.chemistry),
            Some(entry) => {
                let message = format!("must be one of {} for {}", entry.indicators.join(", "), entry.code);
                errors.require(
                    entry.indicators.contains(&self.indicator.as_str()),
                    "indicator",
                    "one_of",
                    message,
                    &self.indicator,
                );
            }
        }
        errors.require(
            indicator(&self.indicator).is_some(),
            "indicator",
            "one_of",
            "is not a code of /api/v1/chemistries",
            &self.indicator,
        );
        match reduction(&self.reduction) {
            None => errors.add("reduction", "one_of", "is not a code of /api/v1/chemistries", &self.reduction),
            Some(entry) => {
                let direct = self.analyte == "iron(II)";
                let message = "iron(II) is titrated without a reduction; total iron needs one";
                errors.require(direct == (entry.code == "none"), "reduction", "analyte", message, &self.reduction);
                let reason = self.mercury_reason.as_deref().unwrap_or_default();
                let message = "a mercury reduction is never the default: say why no mercury-free one will do (at least 5 characters)";
                errors.require(!entry.mercury || reason.trim().len() >= 5, "mercury_reason", "reason", message, reason);
            }
        }
        self.rules.0.check(&mut errors);
        errors.check()
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "methods_code_once",
        code: Code::AlreadyExists,
        field: "code",
        detail: "there is a method with this code",
    },
    ConstraintMeaning {
        constraint: "methods_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody revised it at the same moment; read it again",
    },
];

versioned! {
    table: methods,
    id: MethodId,
    facts: MethodFacts,
    kind: ferrotitre_core::lifecycle::EntityKind::Method,
    path: "/api/v1/methods",
    meanings: super::MEANINGS,
    also: [exactly, several, read, list],
}

/// Identities of all versions of a method.
pub async fn version_ids(mut connection: &Connection, record: Uuid) -> Result<Vec<MethodId>, Refusal> {
    let of_method = methods::table.filter(methods::record_id.eq(record)).select(methods::id);
    Ok(diesel_async::RunQueryDsl::load(of_method, &mut connection).await?)
}
