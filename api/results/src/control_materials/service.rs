//! Use cases of control materials.

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::{self, NewMove, StateMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_bench::nonconformities;
use ferrotitre_bench::samples::samples;
use uuid::Uuid;

use crate::control_materials::store::{ControlMaterialFacts, KIND, hold, versions};

pub use crate::control_materials::store::of_sample;
pub use versions::{list, read};

async fn sample_exists(connection: &Connection, facts: &ControlMaterialFacts) -> Result<(), Refusal> {
    let Some(sample) = facts.sample else { return Ok(()) };
    samples::versions::current(connection, sample).await.map_err(|refusal| match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at("sample", "exists", sample),
        _ => refusal,
    })?;
    Ok(())
}

/// Records a lot.
pub async fn record(db: &Db, act: &Act, facts: ControlMaterialFacts) -> Result<Answer, Refusal> {
    facts.check()?;
    db.write(act, async |connection| record_in(connection, act, facts).await).await
}

/// Records a lot in a transaction that does more.
pub async fn record_in(connection: &Connection, act: &Act, facts: ControlMaterialFacts) -> Result<Lot, Refusal> {
    let row = versions::first(act, facts)?;
    sample_exists(connection, &row.facts).await?;
    Ok(versions::insert(connection, &row).await?.view(KIND.first_state().to_owned()))
}

/// A lot in its present version.
pub type Lot = VersionView<ControlMaterialFacts>;

/// A lot that is there, in a transaction that does more.
///
/// # Errors
/// [`Code::UnknownReference`] naming the field.
pub async fn present(connection: &Connection, field: &str, id: Uuid) -> Result<Lot, Refusal> {
    let row = found(connection, field, id).await?;
    Ok(row.view(states::present(connection, KIND, id).await?.state))
}

/// Corrects a lot. Limits that were made from an earlier assigned value stay as they were signed.
pub async fn correct(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<ControlMaterialFacts>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| correct_in(connection, act, id, if_match, correction).await).await
}

/// Corrects a lot in a transaction that does more.
pub async fn correct_in(
    connection: &Connection,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<ControlMaterialFacts>,
) -> Result<Lot, Refusal> {
    let present = versions::current(connection, id).await?;
    let row = versions::next(act, &present, if_match, correction)?;
    sample_exists(connection, &row.facts).await?;
    let state = states::present(connection, KIND, id).await?.state;
    if state != KIND.first_state() && row.facts.sample != present.facts.sample {
        let message = "a lot that was released keeps the sample it is registered as: its portions are controls";
        let given = row.facts.sample.unwrap_or_default();
        return Err(Refusal::invalid("facts.sample", "released", message, given));
    }
    Ok(versions::insert(connection, &row).await?.view(state))
}

/// States of the lots that a sample is registered as.
async fn lots_of(connection: &Connection, sample: Uuid) -> Result<Vec<String>, Refusal> {
    let mut found = Vec::new();
    for lot in of_sample(connection, sample).await? {
        if versions::current(connection, lot).await?.facts.sample == Some(sample) {
            found.push(states::present(connection, KIND, lot).await?.state);
        }
    }
    Ok(found)
}

/// Whether a sample is a control material: a lot of it was released at some time.
pub async fn is_control(connection: &Connection, sample: Uuid) -> Result<bool, Refusal> {
    Ok(lots_of(connection, sample).await?.iter().any(|state| state != KIND.first_state()))
}

/// Whether a sample may be titrated as a control: it is a control material of which a lot is released.
///
/// # Errors
/// A client's sample, or a lot that is not released.
pub async fn usable_as_control(connection: &Connection, field: &str, sample: Uuid) -> Result<(), Refusal> {
    let lots = lots_of(connection, sample).await?;
    if lots.iter().any(|state| matches!(state.as_str(), "released" | "in use")) {
        return Ok(());
    }
    let (code, detail) = match lots.first() {
        None => (Code::Invalid, "control is for samples of control materials only; this one is a client's".to_owned()),
        Some(state) => (Code::NotReleased, format!("the lot of control material is {state}")),
    };
    Err(Refusal::new(code, detail).at(field, "control_material", "control"))
}

/// Moves a lot. One without an assigned value is not released; a withdrawn one opens a nonconformity.
pub async fn advance(db: &Db, act: &Act, id: Uuid, asked: NewMove) -> Result<Answer, Refusal> {
    db.write(act, async |connection| advance_in(connection, act, id, asked).await).await
}

/// Moves a lot in a transaction that does more.
pub async fn advance_in(connection: &Connection, act: &Act, id: Uuid, asked: NewMove) -> Result<StateMove, Refusal> {
    let present = versions::current(connection, id).await?;
    if asked.to == "released" {
        assigned(&present.facts)?;
        if present.facts.expires_on < Utc::now().date_naive() {
            let detail = format!("{} expired on {}", present.facts.code, present.facts.expires_on);
            return Err(Refusal::new(Code::Expired, detail).at("to", "expires_on", &asked.to));
        }
    }
    let moved = states::advance(connection, act, KIND, id, &asked, None).await?;
    if moved.to_state == "withdrawn" {
        let what = format!("control material {}", present.facts.code);
        nonconformities::service::withdrawn_lot(connection, act, KIND, id, &what, moved.reason.as_deref()).await?;
    }
    Ok(moved)
}

/// Assigned value and its standard uncertainty.
///
/// # Errors
/// [`Code::NotEnoughData`]: the lot has none.
pub fn assigned(facts: &ControlMaterialFacts) -> Result<(f64, f64), Refusal> {
    match (&facts.assigned_value, &facts.standard_uncertainty) {
        (Some(value), Some(u)) => Ok((value.value(), u.value())),
        _ => {
            let detail = format!(
                "not enough data: control material {} has no assigned value; give the certified value or the one of a signed study",
                facts.code
            );
            Err(Refusal::new(Code::NotEnoughData, detail).at("assigned_value", "required", ""))
        }
    }
}

/// A lot by its identity.
///
/// # Errors
/// [`Code::UnknownReference`] naming the field.
pub async fn known(connection: &Connection, field: &str, id: Uuid) -> Result<ControlMaterialFacts, Refusal> {
    Ok(found(connection, field, id).await?.facts)
}

async fn found(connection: &Connection, field: &str, id: Uuid) -> Result<versions::Row, Refusal> {
    versions::current(connection, id).await.map_err(|refusal| match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", id),
        _ => refusal,
    })
}

/// A lot that may be used at a time: released or in use, not expired, with an assigned value. Its first use is recorded.
///
/// # Errors
/// Not released, expired, without assigned value.
pub async fn use_at(
    connection: &Connection,
    act: &Act,
    id: Uuid,
    at: DateTime<Utc>,
) -> Result<ControlMaterialFacts, Refusal> {
    let facts = known(connection, "material", id).await?;
    assigned(&facts)?;
    let state = states::present(connection, KIND, id).await?.state;
    if at.date_naive() > facts.expires_on {
        let detail = format!("control material {} expired on {}", facts.code, facts.expires_on);
        return Err(Refusal::new(Code::Expired, detail).at("material", "expired", &facts.code));
    }
    match state.as_str() {
        "released" => {
            // Two runs may use the lot for the first time at the same moment; one of them records it.
            hold(connection, id).await?;
            if states::present(connection, KIND, id).await?.state == "released" {
                let to = NewMove { to: "in use".to_owned(), reason: None };
                states::advance(connection, act, KIND, id, &to, None).await?;
            }
        }
        "in use" => {}
        _ => {
            let detail = format!("control material {} is {state}", facts.code);
            return Err(Refusal::new(Code::NotReleased, detail).at("material", "released", &facts.code));
        }
    }
    Ok(facts)
}
