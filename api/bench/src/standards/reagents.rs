//! Reagent lots.

use chrono::NaiveDate;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::{code, words};
use ferrotitre_base::web::versions::versioned;
use ferrotitre_schema::reagents;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

pub use versions::{advance, correct, list, read, record};

/// A reagent lot.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = reagents)]
#[serde(deny_unknown_fields)]
pub struct ReagentFacts {
    /// Lot code of the laboratory.
    #[schema(example = "R-SNCL2-7")]
    pub code: String,
    /// Substance.
    #[schema(example = "tin(II) chloride")]
    pub substance: String,
    /// Concentration, in words and units.
    #[schema(example = "50 g/L in 3 mol/L hydrochloric acid")]
    pub concentration: String,
    /// Supplier's lot, if bought.
    pub supplier_lot: Option<String>,
    /// Day prepared or received.
    pub prepared_on: NaiveDate,
    /// Last day of use.
    pub expires_on: NaiveDate,
    /// Hazard classes from the supplier's SDS.
    #[schema(example = "Skin Corr. 1B; STOT SE 3")]
    pub hazard_class: String,
    /// Where the SDS is kept.
    #[schema(example = "SDS folder 3, sheet 12")]
    pub sds_reference: String,
    /// Waste stream by the laboratory's own plan.
    #[schema(example = "other acid")]
    pub waste_stream: String,
}

impl ReagentFacts {
    pub(crate) fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        code(&mut errors, "code", &self.code);
        for (field, text) in [
            ("substance", &self.substance),
            ("concentration", &self.concentration),
            ("hazard_class", &self.hazard_class),
            ("sds_reference", &self.sds_reference),
            ("waste_stream", &self.waste_stream),
        ] {
            words(&mut errors, field, text);
        }
        errors.require(
            self.expires_on >= self.prepared_on,
            "expires_on",
            "order",
            "must not be before prepared_on",
            self.expires_on,
        );
        errors.check()
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "reagents_code_once",
        code: Code::AlreadyExists,
        field: "code",
        detail: "there is a lot with this code",
    },
    ConstraintMeaning {
        constraint: "reagents_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody corrected it at the same moment; read it again",
    },
];

versioned! {
    table: reagents,
    id: ReagentId,
    facts: ReagentFacts,
    kind: ferrotitre_core::lifecycle::EntityKind::Reagent,
    path: "/api/v1/reagents",
    meanings: super::MEANINGS,
    also: [every, record, record_all, correct, advance, read, list],
}

/// Present versions of the lots whose last day of use is a day or before it: identity, code, that day.
pub(super) async fn ending(
    mut connection: &Connection,
    until: NaiveDate,
) -> Result<Vec<(Uuid, String, NaiveDate)>, Refusal> {
    let lots: Vec<(Uuid, String, NaiveDate)> = reagents::table
        .order((reagents::record_id, reagents::version.desc()))
        .distinct_on(reagents::record_id)
        .select((reagents::record_id, reagents::code, reagents::expires_on))
        .load(&mut connection)
        .await?;
    Ok(lots.into_iter().filter(|(.., last)| *last <= until).collect())
}
