//! Primary-standard lots with their certificates.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::bench_times;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::{Decimal, code, in_range, words};
use ferrotitre_base::web::versions::{Correction, versioned};
use ferrotitre_core::chemistry::{PRIMARY_STANDARDS, primary_standard};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_schema::primary_standards;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::certificate_files::service::{self as certificate_files, NewCertificateFile};
use crate::impacts;
use ferrotitre_base::states;
use ferrotitre_base::web::answer::Answer;
pub use versions::{advance, list, read, record};

/// A lot of a primary standard or iron reference material.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = primary_standards)]
#[serde(deny_unknown_fields)]
pub struct PrimaryStandardFacts {
    /// Lot code of the laboratory.
    #[schema(example = "PS-K2CR2O7-1")]
    pub code: String,
    /// Substance, by its code in /chemistries.
    #[schema(example = "potassium dichromate")]
    pub substance: String,
    /// Supplier.
    pub supplier: String,
    /// Supplier's lot.
    pub supplier_lot: String,
    /// Certificate number.
    pub certificate: String,
    /// SHA-256 of the certificate's file, hexadecimal.
    pub certificate_digest: Option<String>,
    /// Certified mass fraction, above 0.9 and at most 1.0005 (of an iron reference material its iron content, any value).
    #[schema(example = "0.9998")]
    pub mass_fraction: Decimal,
    /// Expanded uncertainty of the mass fraction.
    #[schema(example = "0.0002")]
    pub expanded_uncertainty: Decimal,
    /// Its coverage factor k.
    #[schema(example = "2")]
    pub coverage_factor: Decimal,
    /// What the mass fraction expresses.
    #[schema(example = "oxidising capacity")]
    pub basis: String,
    /// Density for the buoyancy correction, g/cm3; the substance's own if absent.
    #[schema(example = "2.676")]
    pub density: Option<Decimal>,
    /// Drying programme.
    #[schema(example = "2 h at 110 C")]
    pub drying: Option<String>,
    /// Amount received, g.
    pub received_g: Option<Decimal>,
    /// Day opened.
    pub opened_on: Option<NaiveDate>,
    /// Last day of use.
    pub expires_on: NaiveDate,
}

impl PrimaryStandardFacts {
    pub(crate) fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        code(&mut errors, "code", &self.code);
        let known: Vec<&str> = PRIMARY_STANDARDS.iter().map(|entry| entry.code).collect();
        let message = format!("must be one of {}", known.join(", "));
        errors.require(known.contains(&self.substance.as_str()), "substance", "one_of", message, &self.substance);
        for (field, text) in [
            ("supplier", &self.supplier),
            ("supplier_lot", &self.supplier_lot),
            ("certificate", &self.certificate),
            ("basis", &self.basis),
        ] {
            words(&mut errors, field, text);
        }
        if let Some(digest) = &self.certificate_digest {
            let hex = digest.len() == 64 && digest.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
            errors.require(hex, "certificate_digest", "sha256", "must have 64 lower-case hexadecimal digits", digest);
        }
        // A certified iron content may be any fraction; the assay of a pure standard may not.
        let lowest = if self.substance == "iron" { 0.01 } else { 0.9 };
        in_range(&mut errors, "mass_fraction", &self.mass_fraction, lowest, 1.0005, "g/g");
        // 0.02 where 0.02 % was meant would make every factor worthless, and quietly. Common practice, no source.
        let most = if self.substance == "iron" { 0.1 } else { 0.01 };
        in_range(&mut errors, "expanded_uncertainty", &self.expanded_uncertainty, 0.0, most, "g/g (0.02 % is 0.0002)");
        in_range(&mut errors, "coverage_factor", &self.coverage_factor, 1.0, 5.0, "");
        if let Some(density) = &self.density {
            in_range(&mut errors, "density", density, 0.5, 25.0, "g/cm3");
        }
        if let Some(received) = &self.received_g {
            in_range(&mut errors, "received_g", received, 0.000_001, 100_000.0, "g");
        }
        errors.check()
    }

    /// The entry of the substance.
    ///
    /// # Errors
    /// A substance that is no longer known, which is our bug.
    pub fn entry(&self) -> Result<&'static ferrotitre_core::chemistry::PrimaryStandard, Refusal> {
        primary_standard(&self.substance).ok_or_else(|| Refusal::new(Code::Internal, "unknown substance in a record"))
    }
}

/// Receives a lot with the file of its certificate.
pub async fn record_with(
    db: &Db,
    act: &Act,
    mut facts: PrimaryStandardFacts,
    file: Option<NewCertificateFile>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        if let Some(file) = &file {
            facts.certificate_digest = Some(certificate_files::keep(connection, act, file).await?.digest);
        }
        let row = versions::insert(connection, &versions::first(act, facts)?).await?;
        Ok(row.view(EntityKind::PrimaryStandard.first_state().to_owned()))
    })
    .await
}

/// Corrects a lot, with what that touches.
pub async fn correct(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<PrimaryStandardFacts>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let present = versions::current(connection, id).await?;
        let row = versions::insert(connection, &versions::next(act, &present, if_match, correction)?).await?;
        impacts::follow_up(connection, act, row.id.0).await?;
        let state = states::present(connection, EntityKind::PrimaryStandard, id).await?.state;
        Ok(row.view(state))
    })
    .await
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "primary_standards_code_once",
        code: Code::AlreadyExists,
        field: "code",
        detail: "there is a lot with this code",
    },
    ConstraintMeaning {
        constraint: "primary_standards_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody corrected it at the same moment; read it again",
    },
];

versioned! {
    table: primary_standards,
    id: PrimaryStandardId,
    facts: PrimaryStandardFacts,
    kind: ferrotitre_core::lifecycle::EntityKind::PrimaryStandard,
    path: "/api/v1/primary-standards",
    meanings: super::MEANINGS,
    also: [exactly, every, record, record_all, advance, read, list],
}

/// Present versions of the lots whose last day of use is a day or before it: identity, code, that day.
pub(super) async fn ending(
    mut connection: &Connection,
    until: NaiveDate,
) -> Result<Vec<(Uuid, String, NaiveDate)>, Refusal> {
    let lots: Vec<(Uuid, String, NaiveDate)> = primary_standards::table
        .order((primary_standards::record_id, primary_standards::version.desc()))
        .distinct_on(primary_standards::record_id)
        .select((primary_standards::record_id, primary_standards::code, primary_standards::expires_on))
        .load(&mut connection)
        .await?;
    Ok(lots.into_iter().filter(|(.., last)| *last <= until).collect())
}

/// Since when a lot has been here: since it was opened, or else since it was recorded.
pub async fn there_since(mut connection: &Connection, row: &versions::Row) -> Result<DateTime<Utc>, Refusal> {
    let recorded: DateTime<Utc> = primary_standards::table
        .filter(primary_standards::record_id.eq(row.record_id))
        .select(diesel::dsl::min(primary_standards::recorded_at).assume_not_null())
        .first(&mut connection)
        .await?;
    Ok(bench_times::declared(recorded, row.facts.opened_on))
}
