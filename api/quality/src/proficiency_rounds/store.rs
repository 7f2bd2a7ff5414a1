//! Table of rounds.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::{Decimal, code, in_range, words};
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::versions::versioned;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_schema::proficiency_rounds;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

pub const KIND: EntityKind = EntityKind::ProficiencyRound;

/// Who assigns values, by role only.
pub const PROVIDERS: [&str; 4] = ["accredited provider", "provider", "reference laboratory", "other laboratory"];
/// Units of contents.
pub const UNITS: [&str; 5] = ["mol/L", "g/L", "mg/L", "% m/m", "mol/kg"];

/// A round.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = proficiency_rounds)]
#[serde(deny_unknown_fields)]
pub struct RoundFacts {
    /// Code of the round.
    #[schema(example = "PT-2026-1")]
    pub code: String,
    /// Rounds of one series are one history.
    #[schema(example = "iron in pickling baths")]
    pub series: String,
    /// accredited provider, provider, reference laboratory or other laboratory: the role, never a name.
    #[schema(example = "accredited provider")]
    pub provider: String,
    /// Material of the round.
    #[schema(example = "hydrochloric pickling bath, sample B")]
    pub material: String,
    /// What was determined.
    #[schema(example = "total iron")]
    pub quantity: String,
    /// Unit of all values: mol/L, g/L, mg/L, % m/m or mol/kg.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Assigned value X.
    #[schema(example = "118.30")]
    pub assigned_value: Decimal,
    /// Its standard uncertainty; 0 if the provider states none.
    #[schema(example = "0.20")]
    pub assigned_u: Decimal,
    /// Coverage factor of its expanded uncertainty.
    #[schema(example = "2")]
    pub assigned_k: Decimal,
    /// Standard deviation for proficiency assessment.
    #[schema(example = "1.20")]
    pub sigma_pt: Decimal,
    /// Determination that the own result comes from; the result is then taken from it, unrounded, as it stands now.
    #[diesel(column_name = determination_id)]
    pub determination: Option<Uuid>,
    /// Own result, where it does not come from a determination on record here.
    #[schema(example = "117.58")]
    pub own_value: Option<Decimal>,
    /// Its standard uncertainty.
    #[schema(example = "0.35")]
    pub own_u: Option<Decimal>,
    /// Its coverage factor.
    #[schema(example = "2")]
    pub own_k: Option<Decimal>,
    /// Why the own result was entered and where it comes from, at least 5 characters.
    pub own_basis: Option<String>,
    /// When the provider reported the round.
    pub observed_at: DateTime<Utc>,
}

impl RoundFacts {
    fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        code(&mut errors, "code", &self.code);
        for (field, text) in [("series", &self.series), ("material", &self.material), ("quantity", &self.quantity)] {
            words(&mut errors, field, text);
        }
        let message = format!("must be one of {}", PROVIDERS.join(", "));
        let known = PROVIDERS.contains(&self.provider.as_str());
        errors.require(known, "provider", "one_of", message, &self.provider);
        let message = format!("must be one of {}", UNITS.join(", "));
        errors.require(UNITS.contains(&self.unit.as_str()), "unit", "one_of", message, &self.unit);
        let positive = |errors: &mut FieldErrors, field: &str, value: &Decimal, from_zero: bool| {
            let holds = value.value() > 0.0 || (from_zero && value.value() == 0.0);
            let message = if from_zero { "must not be negative" } else { "must be above 0" };
            errors.require(holds, field, "range", message, value);
        };
        positive(&mut errors, "assigned_u", &self.assigned_u, true);
        positive(&mut errors, "sigma_pt", &self.sigma_pt, false);
        in_range(&mut errors, "assigned_k", &self.assigned_k, 1.0, 5.0, "");
        if let Some(k) = &self.own_k {
            in_range(&mut errors, "own_k", k, 1.0, 5.0, "");
        }
        if let Some(u) = &self.own_u {
            positive(&mut errors, "own_u", u, true);
        }
        errors.check()
    }

    /// Exactly one way to the own result, as it is entered.
    pub(super) fn one_way(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        let entered = [self.own_value.is_some(), self.own_u.is_some(), self.own_k.is_some()];
        match self.determination {
            Some(_) => {
                let none = entered.iter().all(|given| !given);
                let message = "give either a determination or an own value, not both";
                errors.require(none, "own_value", "either_or", message, "");
            }
            None => {
                for (field, given) in ["own_value", "own_u", "own_k"].into_iter().zip(entered) {
                    errors.require(given, field, "required", "must be given where no determination is named", "");
                }
                let basis = self.own_basis.as_deref().map_or(0, |text| text.trim().chars().count());
                let message = "say why the result was entered and where it comes from, at least 5 characters";
                errors.require(basis >= 5, "own_basis", "reason", message, "");
            }
        }
        errors.check()
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "proficiency_rounds_code_once",
        code: Code::AlreadyExists,
        field: "code",
        detail: "there is a round with this code",
    },
    ConstraintMeaning {
        constraint: "proficiency_rounds_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody corrected it at the same moment; read it again",
    },
];

versioned! {
    table: proficiency_rounds,
    id: ProficiencyRoundId,
    facts: RoundFacts,
    kind: super::KIND,
    path: "/api/v1/proficiency-rounds",
    meanings: super::MEANINGS,
    also: [advance],
}

/// Present versions, newest recorded first; of one series if it is named.
pub(super) async fn list(
    mut connection: &Connection,
    listing: &Listing,
    series: Option<&str>,
    limit: i64,
) -> Result<Vec<versions::Row>, Refusal> {
    let newer = diesel::alias!(proficiency_rounds as newer);
    let replaced = newer.filter(newer.field(proficiency_rounds::supersedes).eq(proficiency_rounds::id.nullable()));
    let mut query = proficiency_rounds::table
        .filter(diesel::dsl::not(diesel::dsl::exists(replaced)))
        .filter(proficiency_rounds::record_id.lt(listing.before()))
        .filter(proficiency_rounds::recorded_at.ge(listing.window_start()))
        .filter(proficiency_rounds::recorded_at.lt(listing.window_end()))
        .order(proficiency_rounds::record_id.desc())
        .limit(limit)
        .select(versions::Row::as_select())
        .into_boxed();
    if let Some(series) = series {
        query = query.filter(proficiency_rounds::series.eq(series.to_owned()));
    }
    Ok(query.load(&mut connection).await?)
}

/// All versions of a round, oldest first.
pub(super) async fn history(mut connection: &Connection, id: Uuid) -> Result<Vec<versions::Row>, Refusal> {
    Ok(proficiency_rounds::table
        .filter(proficiency_rounds::record_id.eq(id))
        .order(proficiency_rounds::version)
        .select(versions::Row::as_select())
        .load(&mut connection)
        .await?)
}
