//! Table of control materials.

use chrono::NaiveDate;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::{Decimal, code, words};
use ferrotitre_base::web::versions::versioned;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_schema::control_materials;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

pub const KIND: EntityKind = EntityKind::ControlMaterial;

/// A lot of control material.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = control_materials)]
#[serde(deny_unknown_fields)]
pub struct ControlMaterialFacts {
    /// Lot code on the label.
    #[schema(example = "CM-BATH-1")]
    pub code: String,
    /// CRM, RM, in-house or spiked.
    #[schema(example = "in-house")]
    pub kind: String,
    /// What it is.
    pub description: String,
    /// Matrix.
    #[schema(example = "hydrochloric pickling bath")]
    pub matrix: String,
    /// Supplier's lot, if bought.
    pub supplier_lot: Option<String>,
    /// Assigned value as entered; of a spiked sample the content added. Absent until it is certified or studied.
    #[schema(example = "118.0")]
    pub assigned_value: Option<Decimal>,
    /// Unit of the assigned value: mol/L, g/L, mg/L, % m/m or mol/kg.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Standard uncertainty of the assigned value, in the unit.
    #[schema(example = "0.12")]
    pub standard_uncertainty: Option<Decimal>,
    /// Certificate or study that the assigned value comes from.
    #[schema(example = "study VS-2026-3, signed 2026-05-30")]
    pub certificate: Option<String>,
    /// SHA-256 of its file.
    pub certificate_digest: Option<String>,
    /// Evidence of homogeneity.
    pub homogeneity: Option<String>,
    /// Evidence of stability.
    pub stability: Option<String>,
    /// The lot as registered among the samples; its portions are titrated as controls.
    #[diesel(column_name = sample_id)]
    pub sample: Option<Uuid>,
    /// Last day of use.
    pub expires_on: NaiveDate,
}

impl ControlMaterialFacts {
    /// What is wrong with it by itself.
    pub fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        code(&mut errors, "code", &self.code);
        for (field, text) in [("description", &self.description), ("matrix", &self.matrix)] {
            words(&mut errors, field, text);
        }
        let kind = matches!(self.kind.as_str(), "CRM" | "RM" | "in-house" | "spiked");
        errors.require(kind, "kind", "one_of", "must be CRM, RM, in-house or spiked", &self.kind);
        let unit = matches!(self.unit.as_str(), "mol/L" | "g/L" | "mg/L" | "% m/m" | "mol/kg");
        errors.require(unit, "unit", "one_of", "must be mol/L, g/L, mg/L, % m/m or mol/kg", &self.unit);
        if let Some(value) = &self.assigned_value {
            errors.require(value.value() > 0.0, "assigned_value", "range", "must be above 0", value);
            let message = "name the certificate or the signed study that the assigned value comes from";
            let named = self.certificate.as_ref().is_some_and(|text| !text.trim().is_empty());
            errors.require(named, "certificate", "required", message, "");
        }
        let together = self.assigned_value.is_some() == self.standard_uncertainty.is_some();
        let message = "give assigned_value and standard_uncertainty together";
        errors.require(together, "standard_uncertainty", "with_assigned_value", message, "");
        if let Some(u) = &self.standard_uncertainty {
            errors.require(u.value() >= 0.0, "standard_uncertainty", "range", "must not be negative", u);
        }
        errors.check()
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "control_materials_code_once",
        code: Code::AlreadyExists,
        field: "code",
        detail: "there is a lot with this code",
    },
    ConstraintMeaning {
        constraint: "control_materials_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody corrected it at the same moment; read it again",
    },
    ConstraintMeaning {
        constraint: "control_materials_certificate_digest_rule",
        code: Code::Invalid,
        field: "certificate_digest",
        detail: "must be 64 lower-case hexadecimal digits",
    },
];

versioned! {
    table: control_materials,
    id: ControlMaterialId,
    facts: ControlMaterialFacts,
    kind: super::KIND,
    path: "/api/v1/control-materials",
    meanings: super::MEANINGS,
    also: [every, read, list],
}

/// Lots that are registered as one of these samples, by the sample.
pub async fn of_sample(mut connection: &Connection, sample: Uuid) -> Result<Vec<Uuid>, Refusal> {
    Ok(control_materials::table
        .filter(control_materials::sample_id.eq(sample))
        .select(control_materials::record_id)
        .distinct()
        .load(&mut connection)
        .await?)
}

/// Those of these samples that a lot is or was registered as.
pub async fn among(mut connection: &Connection, samples: &[Uuid]) -> Result<Vec<Uuid>, Refusal> {
    let found: Vec<Option<Uuid>> = control_materials::table
        .filter(control_materials::sample_id.eq_any(samples))
        .select(control_materials::sample_id)
        .distinct()
        .load(&mut connection)
        .await?;
    Ok(found.into_iter().flatten().collect())
}

/// Holds a lot until the end of the transaction.
pub async fn hold(mut connection: &Connection, id: Uuid) -> Result<(), Refusal> {
    diesel::sql_query("SELECT pg_advisory_xact_lock(hashtextextended('control material ' || $1::text, 0))")
        .bind::<diesel::sql_types::Uuid, _>(id)
        .execute(&mut connection)
        .await?;
    Ok(())
}
