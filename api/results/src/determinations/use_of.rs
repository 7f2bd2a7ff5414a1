//! What may be used in a titration, at its time: titrant lots with a factor in force, burettes in calibration.

use chrono::{DateTime, Utc};
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{ConcessionId, TitrantId};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::decimal::{Decimal, in_range};
use ferrotitre_bench::concessions;
use ferrotitre_bench::equipment::service::{Usable, usable};
use ferrotitre_bench::titrants::store::{self, FactorRow};
use ferrotitre_core::chemistry::chemistry;
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

/// A titrant lot in use, with the factor in force.
pub struct Titrant {
    pub factor: FactorRow,
    pub state: String,
}

/// A burette in use.
pub struct Burette {
    pub usable: Usable,
}

fn unknown(refusal: Refusal, field: &str, id: Uuid) -> Refusal {
    match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", id),
        _ => refusal,
    }
}

/// A lot that may be titrated with at a time; the factor is looked up, never given.
///
/// # Errors
/// Unknown, of another species, not released or suspended, expired (unless a concession covers it), without a factor in force.
pub async fn titrant(
    connection: &Connection,
    method_chemistry: &str,
    id: Uuid,
    at: DateTime<Utc>,
    concession: Option<ConcessionId>,
) -> Result<Titrant, Refusal> {
    let species = chemistry(method_chemistry).map_or("", |entry| entry.titrant);
    lot(connection, "titrant", &[species], id, at, concession).await
}

/// The same for any of several species, such as the oxidant of a back-titration.
pub async fn lot(
    connection: &Connection,
    field: &str,
    species: &[&str],
    id: Uuid,
    at: DateTime<Utc>,
    concession: Option<ConcessionId>,
) -> Result<Titrant, Refusal> {
    let (row, present, factor) = futures_util::try_join!(
        async { store::titrant(connection, id).await.map_err(|refusal| unknown(refusal, field, id)) },
        states::present(connection, EntityKind::Titrant, id),
        store::factor_at(connection, TitrantId(id), at)
    )?;
    if !species.contains(&row.chemistry.as_str()) {
        let message = format!("must be a lot of {}, but {} is {}", species.join(" or "), row.code, row.chemistry);
        return Err(Refusal::invalid(field, "species", message, &row.code));
    }
    let state = present.state;
    if state == "expired" || row.expires_at <= at {
        let refusal = Refusal::new(Code::Expired, format!("{} expired at {}", row.code, row.expires_at)).at(
            field,
            "not_expired",
            &row.code,
        );
        concessions::excuse(connection, concession, id, at, refusal).await?;
    } else if !matches!(state.as_str(), "released" | "in use") {
        return Err(
            Refusal::new(Code::NotReleased, format!("{} is {state}", row.code)).at(field, "released", &row.code)
        );
    }
    let factor = factor.ok_or_else(|| {
        Refusal::new(Code::NoFactor, format!("{} had no factor in force at {at}", row.code))
            .at(field, "factor", &row.code)
    })?;
    if factor.valid_to <= at {
        let detail = format!("the factor of {} ended at {}: standardise the lot again", row.code, factor.valid_to);
        let refusal = Refusal::new(Code::Expired, detail).at(field, "factor_valid", &row.code);
        concessions::excuse(connection, concession, id, at, refusal).await?;
    }
    Ok(Titrant { factor, state })
}

/// A burette that may be used at a time.
///
/// # Errors
/// Unknown, no burette, out of service, overdue (unless a concession covers it).
pub async fn burette(
    connection: &Connection,
    id: Uuid,
    at: DateTime<Utc>,
    concession: Option<ConcessionId>,
) -> Result<Burette, Refusal> {
    let usable = usable(connection, "burette", id, &["burette", "piston burette"], at).await?;
    if usable.overdue {
        let detail = format!("the calibration of {} was due on {}", usable.facts.code, usable.calibration.due_on);
        let refusal = Refusal::new(Code::Overdue, detail).at("burette", "not_overdue", &usable.facts.code);
        concessions::excuse(connection, concession, id, at, refusal).await?;
    }
    Ok(Burette { usable })
}

/// Temperature of the titrant: within the range of the water formula, required where the method corrects for it.
pub fn temperature(errors: &mut FieldErrors, given: Option<&Decimal>, required: bool) {
    match given {
        Some(temperature) => in_range(errors, "solution_temperature", temperature, 5.0, 40.0, "C"),
        None => errors.require(
            !required,
            "solution_temperature",
            "required",
            "the method corrects volumes for temperature: give it",
            "",
        ),
    }
}
