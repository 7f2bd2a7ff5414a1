//! Use cases of titrant lots.

use std::collections::HashSet;

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::bench_times::{self, Observed};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::evaluations::finite;
use ferrotitre_base::ids::{FactorId, PreparationId, StandardisationId, TitrantId};
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::{Decimal, code, in_range, words};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_core::chemistry::species;
use ferrotitre_core::determination::{FORMULA_SET, PreparedTitrant};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use uuid::Uuid;

use crate::impacts;
use crate::impacts::wire::TouchView;
use crate::nonconformities;
use crate::standards::primary;
use crate::titrants::preparations::{self, concentration_view, evaluated, preparation_view};
pub use crate::titrants::preparations::{
    amend_preparation, correct_preparation, record_preparation, usable_standard, vessel, working,
};
use crate::titrants::store::corrections;
use crate::titrants::store::{self, FactorRow, PreparationFacts, TitrantRow, versions};
use crate::titrants::wire::{FactorView, NewTitrant, RecordedTitrant, TitrantDetail, TitrantView};
use ferrotitre_base::locks;
use ferrotitre_base::pins::{self, Used};

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

/// Records a lot, and its preparation by mass if that comes with it: both or neither.
pub async fn record(db: &Db, act: &Act, mut new: NewTitrant) -> Result<Answer, Refusal> {
    let late_reason = new.late_reason.clone();
    let preparation = new.preparation.take();
    if preparation.is_some() && new.route != "direct preparation" {
        let message = "is of a lot that is prepared directly; leave it out, and standardise this one";
        return Err(Refusal::invalid("preparation", "route", message, &new.route));
    }
    let row = checked(act, new)?;
    db.write(act, async |connection| {
        let late = Observed::new(KIND.table(), row.id.0, row.observed_at, late_reason.as_deref());
        bench_times::accept(connection, act, late).await?;
        let row = store::insert_titrant(connection, &row).await?;
        let preparation = match preparation {
            Some(new) => {
                let prepared = preparations::record_in(connection, act, new.of(row.id.0, row.observed_at)).await;
                Some(prepared.map_err(|refusal| refusal.under("preparation", of_the_lot))?)
            }
            None => None,
        };
        Ok(RecordedTitrant { titrant: view(connection, row).await?, preparation })
    })
    .await
}

/// What a preparation that comes with its lot takes from it.
fn of_the_lot(field: &str) -> Option<String> {
    (field == "observed_at").then(|| field.to_owned())
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
    errors.require(order, "factor_high", "order", "must be above the lower limit of the factor", &new.factor_high);
    let expires = new.expires_at > new.observed_at;
    errors.require(
        expires,
        "expires_at",
        "order",
        "must be after the time of preparation",
        new.expires_at.to_rfc3339(),
    );
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
        let released = pins::under(connection, &[id], "approved").await?.remove(&id).map(|standing| standing.sign_off);
        let touched = impacts::store::touching(connection, released.as_slice()).await?;
        let factor = in_force(connection, &row).await?;
        let newest = preparations.last().map(|of| of.preparation.version_id);
        Ok(TitrantDetail {
            amended: factor.and_then(|factor| factor.preparation_id).is_some_and(|of| Some(of.0) != newest),
            touched: touched.iter().map(TouchView::from).collect(),
            titrant: view(connection, row).await?,
            preparations,
            content_digest: digest,
            sign_offs,
            moves,
        })
    })
    .await
}

pub async fn factors(db: &Db, id: Uuid) -> Result<Vec<FactorView>, Refusal> {
    db.read(async |connection| {
        store::titrant(connection, id).await?;
        let lot = [TitrantId(id)];
        let all = store::factors_of(connection, &lot).await?.into_iter().rev();
        let corrected = corrections::of_lots(connection, &lot).await?;
        Ok(all.map(|row| FactorView::from(row).beside(&corrected)).collect())
    })
    .await
}

/// The factor that the preparation of a released lot gave it.
pub(super) async fn in_force(connection: &Connection, titrant: &TitrantRow) -> Result<Option<FactorRow>, Refusal> {
    let all = store::factors(connection, titrant.id).await?;
    Ok(all.into_iter().find(|factor| factor.preparation_id.is_some()))
}

/// A preparation with its standard in the present version, which an amendment names, and that one's code.
pub async fn with_present_standard(db: &Db, facts: PreparationFacts) -> Result<(PreparationFacts, String), Refusal> {
    db.read(async |connection| {
        let named = primary::versions::exactly(connection, facts.primary_standard).await?;
        let present = primary::versions::current(connection, named.record_id).await?;
        Ok((PreparationFacts { primary_standard: present.id, ..facts.clone() }, present.facts.code))
    })
    .await
}

/// Refuses a preparation that does not name the present version of its standard, whose figures it is computed with.
async fn names_present_standard(connection: &Connection, row: &versions::Row, released: bool) -> Result<(), Refusal> {
    let named = primary::versions::exactly(connection, row.facts.primary_standard).await?;
    if primary::versions::current(connection, named.record_id).await?.id == named.id {
        return Ok(());
    }
    let how = if released { "amend" } else { "correct" };
    let detail = format!(
        "the certificate of {} was corrected: {how} the preparation to name its present version",
        named.facts.code
    );
    Err(Refusal::new(Code::StateConflict, detail))
}

/// Evaluates a preparation for a release: what it rests on is shared first, so that it stays as it is until the signature is made.
async fn evaluated_to_pin(
    connection: &Connection,
    titrant: &TitrantRow,
    row: &versions::Row,
) -> Result<(PreparedTitrant, Used), Refusal> {
    let mut shared: HashSet<Uuid> = HashSet::new();
    loop {
        let (prepared, used) = evaluated(connection, titrant, row).await?;
        let rows = used.rows();
        if rows.is_subset(&shared) {
            return Ok((prepared, used));
        }
        locks::share(connection, &rows.iter().copied().collect::<Vec<_>>()).await?;
        shared.extend(rows);
    }
}

/// Releases a directly prepared lot: its factor counts from the preparation on. Where the preparation was amended after the
/// release, the new factor takes the place of the one before.
pub async fn release(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    id: Uuid,
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| release_in(connection, act, user, id, &signature).await).await
}

/// Releases a lot in a transaction that does more, for somebody whose secret was asked already.
pub async fn release_in(
    connection: &Connection,
    act: &Act,
    user: &CurrentUser,
    id: Uuid,
    signature: &NewSignature,
) -> Result<TitrantView, Refusal> {
    // Nobody corrects the preparation, moves the lot or puts a factor of it into force meanwhile.
    locks::hold(connection, &[id]).await?;
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
    let before = in_force(connection, &titrant).await?;
    if before.as_ref().is_some_and(|factor| factor.preparation_id == Some(row.id)) {
        return Err(Refusal::new(Code::StateConflict, format!("{} is released with this preparation", titrant.code)));
    }
    let (prepared, used) = evaluated_to_pin(connection, &titrant, &row).await?;
    names_present_standard(connection, &row, before.is_some()).await?;
    let term = match &before {
        Some(factor) => Term::instead_of(factor, row.reason.clone().unwrap_or_default()),
        None => Term { valid_from: row.facts.observed_at, valid_to: titrant.expires_at, corrects: None },
    };
    let (_, digest) = preparation_view(connection, &titrant, row).await?;
    let factor = enact(connection, (act, user), &titrant, prepared, source, term).await?;
    let content = Content { kind: KIND, id, digest: &digest, evaluation: Some(factor.evaluation) };
    let signed = sign_offs::sign(connection, user, Meaning::Approved, content, signature).await?;
    pins::record(connection, signed.id, &used, Some(user.account)).await?;
    if before.is_none() {
        let to = NewMove { to: "released".to_owned(), reason: None };
        states::advance(connection, act, KIND, id, &to, None).await?;
    }
    view(connection, titrant).await
}

/// What a factor comes from.
pub(super) enum Source {
    Preparation(PreparationId),
    Standardisation(StandardisationId),
}

/// From when to when a factor counts, and whose place it takes.
pub(super) struct Term {
    pub(super) valid_from: DateTime<Utc>,
    pub(super) valid_to: DateTime<Utc>,
    /// The factor that it corrects, with the reason.
    pub(super) corrects: Option<(FactorId, String)>,
}

impl Term {
    /// In the place of another, from the same moment and for as long.
    pub(super) fn instead_of(factor: &FactorRow, reason: String) -> Self {
        Self { valid_from: factor.valid_from, valid_to: factor.valid_to, corrects: Some((factor.id, reason)) }
    }
}

/// Puts a factor into force, with the evaluation as text, as it is kept.
pub(super) async fn enact(
    connection: &Connection,
    (act, user): (&Act, &CurrentUser),
    titrant: &TitrantRow,
    prepared: PreparedTitrant,
    source: Source,
    term: Term,
) -> Result<FactorRow, Refusal> {
    let (low, high) = (titrant.factor_low.value(), titrant.factor_high.value());
    if !(low..=high).contains(&prepared.factor) {
        let detail = format!("the factor {:.5} is outside the limits of the lot, {low} to {high}", prepared.factor);
        if term.corrects.is_none() {
            return Err(Refusal::new(Code::RuleBroken, detail));
        }
        // What was titrated with it has the factor that it had; nothing more is.
        let state = states::present(connection, KIND, titrant.id.0).await?.state;
        if matches!(state.as_str(), "released" | "in use") {
            let to = NewMove { to: "suspended".to_owned(), reason: Some(detail) };
            states::advance(connection, act, KIND, titrant.id.0, &to, None).await?;
        }
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
        valid_from: term.valid_from,
        valid_to: term.valid_to.min(titrant.expires_at),
        evaluation: serde_json::to_string(&concentration_view(prepared, electrons(titrant)?))
            .map_err(Refusal::internal)?,
        formula_set: FORMULA_SET.to_owned(),
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: user.account,
    };
    if let Some((corrects, reason)) = term.corrects {
        corrections::announce(connection, row.id, (corrects, &reason), user.account).await?;
    }
    store::insert_factor(connection, &row).await
}

/// Whether somebody with these roles may make a plain move to this state: a release needs a signature, and an analyst only suspends.
#[must_use]
pub fn may_move(roles: &[Role], to: &str) -> bool {
    to != "released" && (roles.contains(&Role::Manager) || to == "suspended")
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
