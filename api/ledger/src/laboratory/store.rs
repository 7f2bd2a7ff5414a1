//! Table of the laboratory's identity.

use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::words;
use ferrotitre_base::web::versions::versioned;
use ferrotitre_schema::laboratories;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Name of the one thing there is, for refusals.
struct Kind;

impl Kind {
    fn noun(&self) -> &'static str {
        "laboratory"
    }
}

/// The laboratory as its certificates name it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = laboratories)]
#[serde(deny_unknown_fields)]
pub struct LaboratoryFacts {
    /// Name.
    #[schema(example = "Harbour Street Analytical")]
    pub name: String,
    /// Postal address, and where the work is done if that is elsewhere.
    #[schema(example = "12 Harbour Street, Portmere")]
    pub address: String,
    /// How it is reached.
    #[schema(example = "telephone 01632 960 114")]
    pub contact: String,
    /// What certificates say of its accreditation, in full; left out if they say nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accreditation: Option<String>,
    /// Address below which the status of a certificate is looked up; the number is added to it, and both stand in the symbol.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "http://iron.harbour.example:8420/certificates/")]
    pub status_address: Option<String>,
}

impl LaboratoryFacts {
    fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        for (field, text) in [("name", &self.name), ("address", &self.address), ("contact", &self.contact)] {
            words(&mut errors, field, text);
        }
        if let Some(text) = &self.accreditation {
            words(&mut errors, "accreditation", text);
        }
        if let Some(text) = &self.status_address {
            let scheme = text.starts_with("http://") || text.starts_with("https://");
            let good = scheme && text.ends_with('/') && text.len() <= 120 && text.chars().all(|c| c.is_ascii_graphic());
            let message =
                "must be an address that begins with http:// or https://, ends with / and has at most 120 characters";
            errors.require(good, "status_address", "address", message, text);
        }
        errors.check()
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "laboratories_one",
        code: Code::AlreadyExists,
        field: "",
        detail: "the laboratory is described already: correct that",
    },
    ConstraintMeaning {
        constraint: "laboratories_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody corrected it at the same moment; read it again",
    },
];

versioned! {
    table: laboratories,
    id: LaboratoryId,
    facts: LaboratoryFacts,
    kind: super::Kind,
    path: "/api/v1/laboratory",
    meanings: super::MEANINGS,
    also: [],
}

/// All versions, oldest first.
pub async fn all(mut connection: &Connection) -> Result<Vec<versions::Row>, Refusal> {
    Ok(laboratories::table
        .order(laboratories::version)
        .select(versions::Row::as_select())
        .load(&mut connection)
        .await?)
}

/// The present version, if there is any.
pub async fn present(connection: &Connection) -> Result<Option<versions::Row>, Refusal> {
    Ok(all(connection).await?.pop())
}
