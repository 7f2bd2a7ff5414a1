//! Preparations by mass: what they come to, read from the rows their lot's release was signed over, or from those of the present.

use chrono::{DateTime, Utc};
use ferrotitre_base::bench_times::{self, Observed};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::evaluations::finite;
use ferrotitre_base::ids::{PrimaryStandardId, TitrantId};
use ferrotitre_base::locks;
use ferrotitre_base::pins::{Sight, Used};
use ferrotitre_base::recording::not_in_the_future;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_base::workings::Worked;
use ferrotitre_core::chemistry::AIR_DENSITY;
use ferrotitre_core::determination::{Preparation, PreparedTitrant, Reference, Vessel, prepare};
use ferrotitre_core::lifecycle::EntityKind;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::equipment::service::usable;
use crate::equipment::shelf::{Found, Shelf};
use crate::equipment::store::{EquipmentFacts, versions as equipment};
use crate::impacts;
use crate::instrument_readings::uses::{self, Measured};
use crate::readings;
use crate::standards::primary;
use crate::supposed::Supposed;
use crate::titrants::origin::{self, noted};
use crate::titrants::service::{KIND, electrons, in_force};
use crate::titrants::store::{self, PreparationFacts, TitrantRow, behind, versions};
use crate::titrants::wire::{ConcentrationView, NewPreparation, PreparationView};

/// A vessel for core.
pub fn vessel(found: Found<'_>) -> Vessel {
    let calibration = found.calibration;
    Vessel {
        id: calibration.id.to_string(),
        code: found.facts.code.clone(),
        volume_ml: calibration.calibrated_value.as_ref().map_or(found.facts.range_high.value(), Decimal::value),
        u_ml: calibration.standard_uncertainty.value(),
        dof: calibration.degrees_of_freedom.as_ref().map(Decimal::value),
    }
}

/// A primary-standard lot for core, weighed on a balance.
pub(super) fn reference(
    row: &primary::versions::Row,
    balance: Found<'_>,
    buoyancy: bool,
) -> Result<Reference, Refusal> {
    let entry = row.facts.entry()?;
    let mass = entry.molar_mass();
    let facts = &row.facts;
    Ok(Reference {
        id: row.id.to_string(),
        code: facts.code.clone(),
        mass_fraction: facts.mass_fraction.value(),
        mass_fraction_u: facts.expanded_uncertainty.value() / facts.coverage_factor.value(),
        molar_mass: mass.value,
        molar_mass_u: mass.u,
        electrons: f64::from(entry.electrons),
        density: buoyancy.then(|| facts.density.as_ref().map_or(entry.density, Decimal::value)),
        air_density: AIR_DENSITY,
        balance_id: balance.calibration.id.to_string(),
        balance_u: balance.calibration.standard_uncertainty.value(),
    })
}

/// A primary-standard lot that may be used at a time.
///
/// # Errors
/// Unknown, not released, expired.
pub async fn usable_standard(
    connection: &Connection,
    field: &str,
    id: PrimaryStandardId,
    at: DateTime<Utc>,
) -> Result<primary::versions::Row, Refusal> {
    let row = primary::versions::exactly(connection, id).await.map_err(|refusal| match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", id),
        _ => refusal,
    })?;
    let state = states::present(connection, EntityKind::PrimaryStandard, row.record_id).await?.state;
    if !matches!(state.as_str(), "released" | "in use") {
        let detail = format!("the lot {} is {state}", row.facts.code);
        return Err(Refusal::new(Code::NotReleased, detail).at(field, "released", &row.facts.code));
    }
    let since = primary::there_since(connection, &row).await?;
    bench_times::there_since(at, since, field, &row.facts.code)?;
    if row.facts.expires_on < at.date_naive() {
        let detail = format!("the lot {} expired on {}", row.facts.code, row.facts.expires_on);
        return Err(Refusal::new(Code::Expired, detail).at(field, "not_expired", &row.facts.code));
    }
    Ok(row)
}

/// Rows a version of a preparation is read from: those a release was signed over, or those of the present.
async fn sight(connection: &Connection, titrant: TitrantId, row: &versions::Row) -> Result<Sight, Refusal> {
    Ok(behind::of_preparation(connection, titrant, row.id).await?.unwrap_or(Sight::Present))
}

/// Evaluates a preparation with a version of its standard.
async fn evaluate(
    connection: &Connection,
    titrant: &TitrantRow,
    row: &versions::Row,
    (standard, sight): (&primary::versions::Row, &Sight),
    supposed: &Supposed,
) -> Result<(PreparedTitrant, Used), Refusal> {
    let facts = &row.facts;
    let at = facts.observed_at;
    let mut shelf = Shelf::load(connection, &[facts.balance, facts.flask]).await?;
    shelf.suppose(supposed);
    let balance = shelf.on(facts.balance, at.date_naive(), sight)?;
    let flask = shelf.on(facts.flask, at.date_naive(), sight)?;
    let mut used = Used::default();
    let rows = [
        ("titrants", titrant.id.0),
        ("titrant_preparations", row.id.0),
        ("primary_standards", standard.id.0),
        ("equipment", balance.version.0),
        ("equipment_calibrations", balance.calibration.id.0),
        ("equipment", flask.version.0),
        ("equipment_calibrations", flask.calibration.id.0),
    ];
    noted(&mut used, &rows, at);
    let preparation = Preparation {
        id: row.id.to_string(),
        reference: reference(standard, balance, true)?,
        mass_g: facts.mass_g.value(),
        mass_text: facts.mass_g.to_string(),
        flask: vessel(flask),
        temperature: facts.solution_temperature.value(),
        nominal: titrant.nominal_mol_per_l.value(),
        factor_limits: (titrant.factor_low.value(), titrant.factor_high.value()),
    };
    let made = prepare(&preparation);
    let made = made.map_err(|error| Refusal::new(Code::NotEnoughData, error.to_string()).because(error))?;
    Ok((made, used))
}

/// The same with the version of the standard that it names, as it is read now.
pub(super) async fn evaluated(
    connection: &Connection,
    titrant: &TitrantRow,
    row: &versions::Row,
) -> Result<(PreparedTitrant, Used), Refusal> {
    let (standard, sight) = futures_util::try_join!(
        primary::versions::exactly(connection, row.facts.primary_standard),
        sight(connection, titrant.id, row)
    )?;
    evaluate(connection, titrant, row, (&standard, &sight), &Supposed::default()).await
}

/// What it would come to had everything been on record then that is now.
pub(super) async fn known_now(
    connection: &Connection,
    titrant: &TitrantRow,
    row: &versions::Row,
) -> Result<PreparedTitrant, Refusal> {
    let named = primary::versions::exactly(connection, row.facts.primary_standard).await?;
    let standard = primary::versions::current(connection, named.record_id).await?;
    Ok(evaluate(connection, titrant, row, (&standard, &Sight::Present), &Supposed::default()).await?.0)
}

/// What it would come to under a hypothesis, from the rows its lot's release was signed over; none where that concerns nothing of it.
pub(super) async fn supposed(
    connection: &Connection,
    titrant: &TitrantRow,
    row: &versions::Row,
    supposed: &Supposed,
) -> Result<Option<PreparedTitrant>, Refusal> {
    let (mut standard, sight) = futures_util::try_join!(
        primary::versions::exactly(connection, row.facts.primary_standard),
        sight(connection, titrant.id, row)
    )?;
    let concerned = supposed.in_standard(&mut standard);
    let (made, used) = evaluate(connection, titrant, row, (&standard, &sight), supposed).await?;
    Ok((concerned || supposed.concerns(&used)).then_some(made))
}

pub(super) fn concentration_view(prepared: PreparedTitrant, electrons: u32) -> ConcentrationView {
    ConcentrationView {
        concentration: prepared.concentration,
        equivalents_per_litre: prepared.concentration * f64::from(electrons),
        u: prepared.u,
        degrees_of_freedom: finite(prepared.degrees_of_freedom),
        factor: prepared.factor,
        budget: prepared.budget.into_iter().map(Into::into).collect(),
        verdicts: prepared.verdicts.into_iter().map(Into::into).collect(),
        working: (&prepared.working).into(),
    }
}

/// Digest of what a signature on a preparation covers.
fn preparation_digest(row: &versions::Row) -> Result<String, Refusal> {
    let facts = serde_json::to_string(&(row.id, &row.facts)).map_err(Refusal::internal)?;
    Ok(hex::encode(Sha256::digest(facts.as_bytes())))
}

/// The preparation with its evaluation, and the digest of what a signature would cover.
pub(super) async fn preparation_view(
    connection: &Connection,
    titrant: &TitrantRow,
    row: versions::Row,
) -> Result<(PreparationView, String), Refusal> {
    let z = electrons(titrant)?;
    let evaluation = evaluated(connection, titrant, &row).await.ok().map(|(made, _)| concentration_view(made, z));
    let state = states::present(connection, KIND, titrant.id.0).await?.state;
    let digest = preparation_digest(&row)?;
    Ok((PreparationView { preparation: row.view(state), evaluation }, digest))
}

/// The working of a preparation, as its newest version has it.
pub async fn working(db: &Db, id: Uuid) -> Result<Worked, Refusal> {
    db.snapshot(async |connection| {
        let row = versions::current(connection, id).await?;
        let titrant = store::titrant(connection, row.facts.titrant).await?;
        let (prepared, _) = evaluated(connection, &titrant, &row).await?;
        Ok(Worked {
            of: ("preparation", id.to_string()),
            head: String::new(),
            working: prepared.working,
            foot: String::new(),
        })
    })
    .await
}

/// Checks that a standard may be used at a time, and that the titrant is prepared from it.
async fn prepares(
    connection: &Connection,
    field: &str,
    titrant: &TitrantRow,
    (standard, at): (PrimaryStandardId, DateTime<Utc>),
) -> Result<(), Refusal> {
    let standard = usable_standard(connection, field, standard, at).await?;
    let entry = standard.facts.entry()?;
    if !entry.prepares.contains(&titrant.chemistry.as_str()) {
        let message = format!("{} cannot be prepared from {}", titrant.chemistry, entry.code);
        return Err(Refusal::invalid(field, "prepares", message, &standard.facts.code));
    }
    Ok(())
}

fn weighed(field: &str, facts: &PreparationFacts, balance: &EquipmentFacts) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    readings::weighed(&mut errors, field, &facts.mass_g, balance);
    errors.check()
}

async fn check_preparation(connection: &Connection, facts: &PreparationFacts) -> Result<TitrantRow, Refusal> {
    not_in_the_future("observed_at", facts.observed_at)?;
    // Nobody releases the lot meanwhile.
    locks::hold(connection, &[facts.titrant]).await?;
    let titrant = store::titrant(connection, facts.titrant).await?;
    if titrant.route != "direct preparation" {
        return Err(Refusal::new(
            Code::StateConflict,
            format!("{} is standardised, not prepared directly", titrant.code),
        ));
    }
    let state = states::present(connection, KIND, facts.titrant).await?.state;
    if state != "prepared" {
        let detail =
            format!("{} is {state}: its preparation changes only by an amendment, which is a manager's", titrant.code);
        return Err(Refusal::new(Code::StateConflict, detail));
    }
    let at = facts.observed_at;
    bench_times::there_since(at, titrant.observed_at, "observed_at", &titrant.code)?;
    prepares(connection, "primary_standard", &titrant, (facts.primary_standard, at)).await?;
    let balance = usable(connection, "balance", facts.balance, &["balance"], at).await?.not_overdue("balance")?;
    weighed("mass_g", facts, &balance.facts)?;
    usable(connection, "flask", facts.flask, &["flask"], at).await?.not_overdue("flask")?;
    Ok(titrant)
}

/// A preparation made long ago is explained by its lot, which was recorded late itself and says why.
async fn accept(connection: &Connection, act: &Act, facts: &PreparationFacts) -> Result<(), Refusal> {
    let late = Observed::new("titrant_preparations", facts.titrant, facts.observed_at, None);
    bench_times::accept(connection, act, late.within(facts.titrant)).await.map_err(|mut refusal| {
        for field in refusal.fields.iter_mut().filter(|field| field.field == "late_reason") {
            field.field = "observed_at".to_owned();
            field.message = "is long ago: record the lot with the reason why it is recorded late".to_owned();
        }
        refusal
    })
}

pub async fn record_preparation(db: &Db, act: &Act, new: NewPreparation) -> Result<Answer, Refusal> {
    db.write(act, async |connection| record_in(connection, act, new).await).await
}

/// Records a preparation in a transaction that does more.
pub(super) async fn record_in(
    connection: &Connection,
    act: &Act,
    new: NewPreparation,
) -> Result<PreparationView, Refusal> {
    let (facts, accepted) = new.split();
    let row = versions::first(act, facts)?;
    let titrant = check_preparation(connection, &row.facts).await?;
    accept(connection, act, &row.facts).await?;
    let row = versions::insert(connection, &row).await?;
    let made = uses::Made { table: "titrant_preparations", row: row.id.0, record: row.record_id };
    uses::note(connection, act, made, &accepted, &measured(&row.facts)).await?;
    Ok(preparation_view(connection, &titrant, row).await?.0)
}

/// Its mass, as something that an instrument may have sent.
pub(super) fn measured(facts: &PreparationFacts) -> [Measured<'_>; 1] {
    [Measured { field: "mass_g".to_owned(), equipment: facts.balance, value: &facts.mass_g }]
}

pub async fn correct_preparation(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<PreparationFacts>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let present = versions::current(connection, id).await?;
        let row = versions::next(act, &present, if_match, correction)?;
        let titrant = check_preparation(connection, &row.facts).await?;
        if row.facts.observed_at != present.facts.observed_at {
            accept(connection, act, &row.facts).await?;
        }
        let row = versions::insert(connection, &row).await?;
        Ok(preparation_view(connection, &titrant, row).await?.0)
    })
    .await
}

/// Checks an amendment of a released preparation. What it was made with may have left the shelf since, or be out of service: only
/// what is named anew must be usable at that time.
async fn check_amendment(
    connection: &Connection,
    before: &PreparationFacts,
    facts: &PreparationFacts,
) -> Result<TitrantRow, Refusal> {
    let titrant = store::titrant(connection, before.titrant).await?;
    if in_force(connection, &titrant).await?.is_none() {
        let detail = format!("{} has not been released: correct its preparation", titrant.code);
        return Err(Refusal::new(Code::StateConflict, detail));
    }
    let mut errors = FieldErrors::default();
    let message = "stays: a preparation is of one lot";
    errors.require(facts.titrant == before.titrant, "facts.titrant", "same_lot", message, facts.titrant);
    let message = "stays: the corrected factor counts from the same moment";
    let same_time = facts.observed_at == before.observed_at;
    errors.require(same_time, "facts.observed_at", "same_moment", message, facts.observed_at);
    errors.check()?;
    let at = facts.observed_at;
    let named = |id| primary::versions::exactly(connection, id);
    let (old, new) = (named(before.primary_standard).await?, named(facts.primary_standard).await?);
    if primary::versions::current(connection, new.record_id).await?.id != new.id {
        let message = format!("name the present version of {}", new.facts.code);
        return Err(Refusal::invalid("facts.primary_standard", "present", message, facts.primary_standard));
    }
    if old.record_id != new.record_id {
        prepares(connection, "facts.primary_standard", &titrant, (facts.primary_standard, at)).await?;
    }
    if facts.balance != before.balance {
        let field = "facts.balance";
        usable(connection, field, facts.balance, &["balance"], at).await?.not_overdue(field)?;
    }
    if facts.mass_g != before.mass_g || facts.balance != before.balance {
        // Whatever became of the balance since, it shows what it showed.
        weighed("facts.mass_g", facts, &equipment::current(connection, facts.balance).await?.facts)?;
    }
    if facts.flask != before.flask {
        let field = "facts.flask";
        usable(connection, field, facts.flask, &["flask"], at).await?.not_overdue(field)?;
    }
    Ok(titrant)
}

/// Amends the preparation of a released lot: a new version, whose factor takes the place of the one in force once a manager who had
/// no hand in it has signed it.
pub async fn amend_preparation(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<PreparationFacts>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        locks::hold(connection, &[versions::current(connection, id).await?.facts.titrant]).await?;
        let present = versions::current(connection, id).await?;
        let row = versions::next(act, &present, if_match, correction)?;
        let titrant = check_amendment(connection, &present.facts, &row.facts).await?;
        let factor = in_force(connection, &titrant).await?;
        let known = origin::touched(connection, factor.as_slice()).await?;
        let row = versions::insert(connection, &row).await?;
        // What made the amendment necessary may have opened a nonconformity itself.
        if !impacts::followed_up(connection, &known).await? {
            impacts::follow_up(connection, act, row.id.0).await?;
        }
        Ok(preparation_view(connection, &titrant, row).await?.0)
    })
    .await
}

/// What the release of a lot was signed over, as it was at a moment: digest and rows.
pub(super) async fn as_of(
    connection: &Connection,
    id: Uuid,
    moment: DateTime<Utc>,
) -> Result<Option<(String, Used)>, Refusal> {
    let titrant = store::titrant(connection, id).await?;
    let rows = store::preparations(connection, id).await?;
    let Some(row) = rows.into_iter().rfind(|row| row.recorded_at <= moment) else { return Ok(None) };
    let standard = primary::versions::exactly(connection, row.facts.primary_standard).await?;
    let sight = Sight::AsOf(moment);
    let Ok((_, used)) = evaluate(connection, &titrant, &row, (&standard, &sight), &Supposed::default()).await else {
        return Ok(None);
    };
    Ok(Some((preparation_digest(&row)?, used)))
}

/// A preparation evaluated again from what the release was signed over: digest and concentration.
pub(super) async fn again(
    connection: &Connection,
    titrant: &TitrantRow,
    row: &versions::Row,
    sight: &Sight,
) -> Result<(String, PreparedTitrant), Refusal> {
    let standard = primary::versions::exactly(connection, row.facts.primary_standard).await?;
    let (made, _) = evaluate(connection, titrant, row, (&standard, sight), &Supposed::default()).await?;
    Ok((preparation_digest(row)?, made))
}
