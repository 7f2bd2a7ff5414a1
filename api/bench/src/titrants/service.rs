//! Use cases of titrant lots.

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::bench_times::{self, Observed};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::evaluations::finite;
use ferrotitre_base::ids::{FactorId, PreparationId, PrimaryStandardId, StandardisationId, TitrantId};
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::{Decimal, code, in_range, words};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::versions::Correction;
use ferrotitre_base::workings::Worked;
use ferrotitre_core::chemistry::{AIR_DENSITY, species};
use ferrotitre_core::determination::{FORMULA_SET, Preparation, PreparedTitrant, Reference, Vessel, prepare};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::equipment::service::usable;
use crate::equipment::shelf::{Found, Shelf};
use crate::nonconformities;
use crate::standards::primary;
use crate::titrants::origin::noted;
use crate::titrants::store::{self, FactorRow, PreparationFacts, TitrantRow, versions};
use crate::titrants::wire::{ConcentrationView, FactorView, NewTitrant, PreparationView, TitrantDetail, TitrantView};
use ferrotitre_base::locks;
use ferrotitre_base::pins::{self, Sight, Standing, Used};

pub const KIND: EntityKind = EntityKind::Titrant;

/// Electrons per formula unit of a lot's species.
pub fn electrons(row: &TitrantRow) -> Result<u32, Refusal> {
    let entry = species(&row.chemistry).ok_or_else(|| Refusal::new(Code::Internal, "unknown species in a record"))?;
    Ok(entry.electrons)
}

async fn view(connection: &Connection, row: TitrantRow) -> Result<TitrantView, Refusal> {
    let state = states::present(connection, KIND, row.id.0).await?.state;
    let factor_now = store::factor_at(connection, row.id, Utc::now()).await?.map(FactorView::from);
    Ok(TitrantView {
        id: row.id.0,
        code: row.code,
        cautions: species(&row.chemistry).map_or("", |entry| entry.cautions),
        species: row.chemistry,
        nominal_concentration: row.nominal_concentration,
        concentration_unit: row.concentration_unit,
        nominal_mol_per_l: row.nominal_mol_per_l,
        route: row.route,
        factor_low: row.factor_low,
        factor_high: row.factor_high,
        storage: row.storage,
        container: row.container,
        expires_at: row.expires_at,
        observed_at: row.observed_at,
        state,
        factor_now,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    })
}

pub async fn record(db: &Db, act: &Act, new: NewTitrant) -> Result<Answer, Refusal> {
    let late_reason = new.late_reason.clone();
    let row = checked(act, new)?;
    db.write(act, async |connection| {
        let late = Observed::new(KIND.table(), row.id.0, row.observed_at, late_reason.as_deref());
        bench_times::accept(connection, act, late).await?;
        view(connection, store::insert_titrant(connection, &row).await?).await
    })
    .await
}

fn checked(act: &Act, new: NewTitrant) -> Result<TitrantRow, Refusal> {
    let mut errors = FieldErrors::default();
    code(&mut errors, "code", &new.code);
    words(&mut errors, "storage", &new.storage);
    words(&mut errors, "container", &new.container);
    let entry = species(&new.species);
    errors.require(entry.is_some(), "species", "one_of", "is not a species of /api/v1/chemistries", &new.species);
    let by_equivalents = new.concentration_unit == "eq/L";
    let known_unit = by_equivalents || new.concentration_unit == "mol/L";
    errors.require(known_unit, "concentration_unit", "one_of", "must be mol/L or eq/L", &new.concentration_unit);
    in_range(&mut errors, "nominal_concentration", &new.nominal_concentration, 0.000_01, 10.0, &new.concentration_unit);
    let direct = new.route == "direct preparation";
    let route = direct || new.route == "standardisation";
    errors.require(route, "route", "one_of", "must be direct preparation or standardisation", &new.route);
    errors.require(
        !direct || new.species == "dichromate",
        "route",
        "primary_standard",
        "only dichromate is a primary standard itself; standardise the others",
        &new.route,
    );
    in_range(&mut errors, "factor_low", &new.factor_low, 0.5, 1.5, "");
    let order = new.factor_high.value() > new.factor_low.value();
    errors.require(order, "factor_high", "order", "must be above factor_low", &new.factor_high);
    let expires = new.expires_at > new.observed_at;
    errors.require(expires, "expires_at", "order", "must be after observed_at", new.expires_at.to_rfc3339());
    errors.check()?;
    not_in_the_future("observed_at", new.observed_at)?;
    let z = f64::from(entry.map_or(1, |entry| entry.electrons));
    let nominal = new.nominal_concentration.value() / if by_equivalents { z } else { 1.0 };
    let nominal_mol_per_l = if by_equivalents { number(nominal)? } else { new.nominal_concentration.clone() };
    Ok(TitrantRow {
        id: TitrantId::new(),
        code: new.code,
        chemistry: new.species,
        nominal_concentration: new.nominal_concentration,
        concentration_unit: new.concentration_unit,
        nominal_mol_per_l,
        route: new.route,
        factor_low: new.factor_low,
        factor_high: new.factor_high,
        storage: new.storage,
        container: new.container,
        expires_at: new.expires_at,
        observed_at: new.observed_at,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    })
}

/// A computed figure for a numeric column.
pub(super) fn number(value: f64) -> Result<Decimal, Refusal> {
    Decimal::of(value).ok_or_else(|| Refusal::new(Code::Internal, "a computed figure is not a number"))
}

pub async fn list(db: &Db, listing: &Listing) -> Result<Page<TitrantView>, Refusal> {
    let limit = listing.limit()?;
    db.read(async |connection| {
        let page = Page::of(store::list_titrants(connection, listing, limit + 1).await?, limit, |row| row.id.0);
        let mut items = Vec::with_capacity(page.items.len());
        for row in page.items {
            items.push(view(connection, row).await?);
        }
        Ok(Page { items, next: page.next })
    })
    .await
}

pub async fn read(db: &Db, id: Uuid) -> Result<TitrantDetail, Refusal> {
    db.read(async |connection| {
        let row = store::titrant(connection, id).await?;
        let rows = store::preparations(connection, id).await?;
        let mut preparations = Vec::new();
        let mut digest = String::new();
        for preparation in rows {
            let (view, present) = preparation_view(connection, &row, preparation).await?;
            digest = present;
            preparations.push(view);
        }
        let sign_offs =
            sign_offs::of(connection, id).await?.into_iter().map(|s| s.view(&digest, None, false)).collect();
        let moves = states::history(connection, id).await?;
        Ok(TitrantDetail { titrant: view(connection, row).await?, preparations, sign_offs, moves })
    })
    .await
}

pub async fn factors(db: &Db, id: Uuid) -> Result<Vec<FactorView>, Refusal> {
    db.read(async |connection| {
        store::titrant(connection, id).await?;
        Ok(store::factors(connection, TitrantId(id)).await?.into_iter().map(FactorView::from).collect())
    })
    .await
}

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

/// Rows a preparation is read from: those its release was signed over, or those of the present.
async fn sight(connection: &Connection, titrant: TitrantId) -> Result<Sight, Refusal> {
    let signed = pins::under(connection, &[titrant.0], "approved").await?;
    Ok(signed.get(&titrant.0).and_then(Standing::sight).unwrap_or(Sight::Present))
}

/// Evaluates a preparation with a version of its standard.
async fn evaluate(
    connection: &Connection,
    titrant: &TitrantRow,
    row: &versions::Row,
    (standard, sight): (&primary::versions::Row, &Sight),
) -> Result<(PreparedTitrant, Used), Refusal> {
    let facts = &row.facts;
    let at = facts.observed_at;
    let shelf = Shelf::load(connection, &[facts.balance, facts.flask]).await?;
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
async fn evaluated(
    connection: &Connection,
    titrant: &TitrantRow,
    row: &versions::Row,
) -> Result<(PreparedTitrant, Used), Refusal> {
    let (standard, sight) = futures_util::try_join!(
        primary::versions::exactly(connection, row.facts.primary_standard),
        sight(connection, titrant.id)
    )?;
    evaluate(connection, titrant, row, (&standard, &sight)).await
}

/// What it would come to had everything been on record then that is now.
pub(super) async fn known_now(
    connection: &Connection,
    titrant: &TitrantRow,
    row: &versions::Row,
) -> Result<PreparedTitrant, Refusal> {
    let named = primary::versions::exactly(connection, row.facts.primary_standard).await?;
    let standard = primary::versions::current(connection, named.record_id).await?;
    Ok(evaluate(connection, titrant, row, (&standard, &Sight::Present)).await?.0)
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
async fn preparation_view(
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

async fn check_preparation(connection: &Connection, facts: &PreparationFacts) -> Result<TitrantRow, Refusal> {
    not_in_the_future("observed_at", facts.observed_at)?;
    let titrant = store::titrant(connection, facts.titrant).await?;
    if titrant.route != "direct preparation" {
        return Err(Refusal::new(
            Code::StateConflict,
            format!("{} is standardised, not prepared directly", titrant.code),
        ));
    }
    let state = states::present(connection, KIND, facts.titrant).await?.state;
    if state != "prepared" {
        return Err(Refusal::new(
            Code::StateConflict,
            format!("{} is {state}; its preparation can no longer change", titrant.code),
        ));
    }
    let at = facts.observed_at;
    bench_times::there_since(at, titrant.observed_at, "observed_at", &titrant.code)?;
    let standard = usable_standard(connection, "primary_standard", facts.primary_standard, at).await?;
    let entry = standard.facts.entry()?;
    if !entry.prepares.contains(&titrant.chemistry.as_str()) {
        let message = format!("{} cannot be prepared from {}", titrant.chemistry, entry.code);
        return Err(Refusal::invalid("primary_standard", "prepares", message, &standard.facts.code));
    }
    usable(connection, "balance", facts.balance, &["balance"], at).await?.not_overdue("balance")?;
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

pub async fn record_preparation(db: &Db, act: &Act, facts: PreparationFacts) -> Result<Answer, Refusal> {
    let row = versions::first(act, facts)?;
    db.write(act, async |connection| {
        let titrant = check_preparation(connection, &row.facts).await?;
        accept(connection, act, &row.facts).await?;
        let row = versions::insert(connection, &row).await?;
        Ok(preparation_view(connection, &titrant, row).await?.0)
    })
    .await
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

/// Releases a directly prepared lot: its factor counts from the preparation on.
pub async fn release(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    id: Uuid,
    password: secrecy::SecretString,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, password).await?;
    db.write(act, async |connection| {
        let titrant = store::titrant(connection, id).await?;
        let rows = store::preparations(connection, id).await?;
        let mut parties = vec![titrant.recorded_by];
        parties.extend(rows.iter().map(|row| row.recorded_by));
        let detail = "a lot is released by somebody who did not prepare it";
        signing::not_a_party(connection, user.account, &parties, detail).await?;
        let row = rows.into_iter().next_back().ok_or_else(|| {
            Refusal::new(Code::NotEnoughData, format!("not enough data: {} has no preparation by mass", titrant.code))
        })?;
        let source = Source::Preparation(row.id);
        // What it rests on stays as it is until the signature is made; it is read once more with that held.
        locks::hold(connection, &[id]).await?;
        let (_, used) = evaluated(connection, &titrant, &row).await?;
        locks::share(connection, &used.rows().into_iter().collect::<Vec<_>>()).await?;
        let (prepared, used) = evaluated(connection, &titrant, &row).await?;
        let from = row.facts.observed_at;
        let (_, digest) = preparation_view(connection, &titrant, row).await?;
        let evaluation = enact(connection, user, &titrant, prepared, source, (from, titrant.expires_at)).await?;
        let content = Content { kind: KIND, id, digest: &digest, evaluation: Some(evaluation) };
        let signed = sign_offs::sign(connection, user, Meaning::Approved, content, None).await?;
        pins::record(connection, signed.id, &used, Some(user.account)).await?;
        states::advance(connection, act, KIND, id, &NewMove { to: "released".to_owned(), reason: None }, None).await?;
        view(connection, titrant).await
    })
    .await
}

/// What a factor comes from.
pub(super) enum Source {
    Preparation(PreparationId),
    Standardisation(StandardisationId),
}

/// Puts a factor into force; returns the evaluation as text, as it is kept.
pub(super) async fn enact(
    connection: &Connection,
    user: &CurrentUser,
    titrant: &TitrantRow,
    prepared: PreparedTitrant,
    source: Source,
    (valid_from, valid_to): (DateTime<Utc>, DateTime<Utc>),
) -> Result<String, Refusal> {
    let (low, high) = (titrant.factor_low.value(), titrant.factor_high.value());
    if !(low..=high).contains(&prepared.factor) {
        let detail = format!("the factor {} is outside the limits of the lot, {low} to {high}", prepared.factor);
        return Err(Refusal::new(Code::RuleBroken, detail));
    }
    let (preparation_id, standardisation_id) = match source {
        Source::Preparation(id) => (Some(id), None),
        Source::Standardisation(id) => (None, Some(id)),
    };
    let dof = finite(prepared.degrees_of_freedom);
    let row = FactorRow {
        id: FactorId::new(),
        titrant_id: titrant.id,
        preparation_id,
        standardisation_id,
        concentration: number(prepared.concentration)?,
        standard_uncertainty: number(prepared.u)?,
        degrees_of_freedom: match dof {
            Some(dof) => Some(number(dof)?),
            None => None,
        },
        factor: number(prepared.factor)?,
        valid_from,
        valid_to: valid_to.min(titrant.expires_at),
        evaluation: serde_json::to_string(&concentration_view(prepared, electrons(titrant)?))
            .map_err(Refusal::internal)?,
        formula_set: FORMULA_SET.to_owned(),
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: user.account,
    };
    Ok(store::insert_factor(connection, &row).await?.evaluation)
}

/// Moves a lot. An analyst may only suspend it; release has its own operation, because it needs a signature.
pub async fn advance(db: &Db, act: &Act, user: &CurrentUser, id: Uuid, asked: NewMove) -> Result<Answer, Refusal> {
    if asked.to == "released" {
        let detail = "a lot is released by its own operation or by an approved standardisation, which need a signature";
        return Err(Refusal::new(Code::IllegalMove, detail).at("to", "own_operation", &asked.to));
    }
    if !user.roles.contains(&Role::Manager) && asked.to != "suspended" {
        return Err(Refusal::new(Code::Forbidden, "an analyst may suspend a lot; every other move is a manager's"));
    }
    db.write(act, async |connection| {
        let lot = store::titrant(connection, id).await?;
        let moved = states::advance(connection, act, KIND, id, &asked, None).await?;
        if moved.to_state == "withdrawn" {
            let what = format!("titrant lot {}", lot.code);
            nonconformities::service::withdrawn_lot(connection, act, KIND, id, &what, moved.reason.as_deref()).await?;
        }
        Ok(moved)
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
    let Ok((_, used)) = evaluate(connection, &titrant, &row, (&standard, &sight)).await else { return Ok(None) };
    Ok(Some((preparation_digest(&row)?, used)))
}
