//! Use cases of standardisations.

mod reading;
mod titrations;

use chrono::Duration;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::bench_times::{self, Observed};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{AccountId, PrimaryStandardId, StandardisationId, TitrantId};
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::{code, in_range};
use ferrotitre_base::workings::Worked;
use ferrotitre_core::chemistry::{indicator, indicators_for};
use ferrotitre_core::determination::PreparedTitrant;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use uuid::Uuid;

use crate::equipment::service::usable;
use crate::impacts;
use crate::standards::primary;
use crate::titrants::origin;
use crate::titrants::service::{self, Source, Term, usable_standard};
use crate::titrants::store::{self, StandardisationRow, TitrantRow};
use crate::titrants::wire::{NewStandardisation, StandardisationView};
use ferrotitre_base::{locks, pins};

pub use reading::burette;
use reading::{Loaded, load, load_to_pin};
pub(super) use reading::{Read, again, as_of, known_now, reference_of, supposed};
pub use titrations::{correct_titration, instruments, record_titration, reject_titration};

const KIND: EntityKind = EntityKind::Standardisation;
const TITRATION: EntityKind = EntityKind::StandardisationTitration;
/// Fewest accepted replicates.
const MINIMUM: usize = 3;

pub async fn record(db: &Db, act: &Act, titrant: Uuid, new: NewStandardisation) -> Result<Answer, Refusal> {
    let mut errors = FieldErrors::default();
    code(&mut errors, "code", &new.code);
    errors.require(
        (1..=3660).contains(&new.valid_days),
        "valid_days",
        "range",
        "must be from 1 to 3660 days",
        new.valid_days,
    );
    errors.require(
        indicator(&new.indicator).is_some(),
        "indicator",
        "one_of",
        "is not a code of /api/v1/chemistries",
        &new.indicator,
    );
    if let Some(percent) = &new.agreement_percent {
        in_range(&mut errors, "agreement_percent", percent, 0.01, 5.0, "%");
    }
    let by_mass = new.primary_standard.is_some()
        && new.balance.is_some()
        && new.reference_titrant.is_none()
        && new.pipette.is_none();
    let by_titrant = new.reference_titrant.is_some()
        && new.pipette.is_some()
        && new.primary_standard.is_none()
        && new.balance.is_none();
    let message = "give either primary_standard and balance, or reference_titrant and pipette";
    errors.require(by_mass || by_titrant, "primary_standard", "mass_or_titrant", message, "");
    errors.check()?;
    not_in_the_future("observed_at", new.observed_at)?;
    db.write(act, async |connection| {
        let lot = store::titrant(connection, titrant).await?;
        let row = checked(connection, act, &lot, &new).await?;
        bench_times::there_since(row.observed_at, lot.observed_at, "observed_at", &lot.code)?;
        let late = Observed::new(KIND.table(), row.id.0, row.observed_at, new.late_reason.as_deref());
        bench_times::accept(connection, act, late).await?;
        let row = store::insert_standardisation(connection, &row).await?;
        if let Some(percent) = new.agreement_percent {
            store::insert_limit(connection, &row, percent).await?;
        }
        if states::present(connection, EntityKind::Titrant, titrant).await?.state == "prepared" {
            let to = NewMove { to: "standardising".to_owned(), reason: None };
            states::advance(connection, act, EntityKind::Titrant, titrant, &to, None).await?;
        }
        Ok(load(connection, row).await?.view)
    })
    .await
}

async fn checked(
    connection: &Connection,
    act: &Act,
    lot: &TitrantRow,
    new: &NewStandardisation,
) -> Result<StandardisationRow, Refusal> {
    if lot.route != "standardisation" {
        return Err(Refusal::new(Code::StateConflict, format!("{} is prepared directly, not standardised", lot.code)));
    }
    let fit: Vec<&str> = indicators_for(&lot.chemistry).iter().map(|entry| entry.code).collect();
    if !fit.contains(&new.indicator.as_str()) {
        let message = format!("shows no end point with {}: take one of {}", lot.chemistry, fit.join(", "));
        return Err(Refusal::invalid("indicator", "fits_titrant", message, &new.indicator));
    }
    let at = new.observed_at;
    usable(connection, "burette", new.burette, &["burette", "piston burette"], at).await?.not_overdue("burette")?;
    let mut primary_standard_id = None;
    let mut reference_factor_id = None;
    if let (Some(standard), Some(balance)) = (new.primary_standard, new.balance) {
        let row = primary::versions::current(connection, standard).await?;
        let standard = usable_standard(connection, "primary_standard", row.id, at).await?;
        let entry = standard.facts.entry()?;
        if !entry.standardises.contains(&lot.chemistry.as_str()) {
            let message = format!("{} is not standardised against {}", lot.chemistry, entry.code);
            return Err(Refusal::invalid("primary_standard", "standardises", message, &standard.facts.code));
        }
        usable(connection, "balance", balance, &["balance"], at).await?.not_overdue("balance")?;
        primary_standard_id = Some(PrimaryStandardId(standard.id.0));
    }
    if let (Some(other), Some(pipette)) = (new.reference_titrant, new.pipette) {
        usable(connection, "pipette", pipette, &["pipette"], at).await?.not_overdue("pipette")?;
        let factor = store::factor_at(connection, TitrantId(other), at).await?;
        let factor = factor.filter(|factor| factor.valid_to > at).ok_or_else(|| {
            Refusal::new(Code::NoFactor, "the reference titrant has no factor in force at that time").at(
                "reference_titrant",
                "factor",
                other,
            )
        })?;
        reference_factor_id = Some(factor.id);
    }
    Ok(StandardisationRow {
        id: StandardisationId::new(),
        code: new.code.clone(),
        titrant_id: lot.id,
        against: if primary_standard_id.is_some() { "primary standard" } else { "titrant" }.to_owned(),
        primary_standard_id,
        reference_factor_id,
        balance_id: new.balance,
        pipette_id: new.pipette,
        burette_id: new.burette,
        indicator: new.indicator.clone(),
        valid_days: new.valid_days,
        correct_burette: new.correct_burette,
        correct_temperature: new.correct_temperature,
        correct_buoyancy: new.correct_buoyancy,
        observed_at: at,
        recorded_by: author(act)?,
    })
}

pub async fn read(db: &Db, id: Uuid) -> Result<StandardisationView, Refusal> {
    db.snapshot(async |connection| Ok(load(connection, store::standardisation(connection, id).await?).await?.view))
        .await
}

async fn views(connection: &Connection, ids: Vec<Uuid>) -> Result<Vec<StandardisationView>, Refusal> {
    let view = async |id| Ok(load(connection, store::standardisation(connection, id).await?).await?.view);
    futures_util::future::try_join_all(ids.into_iter().map(view)).await
}

/// Standardisations that wait for their approval, newest first, each with whether somebody had a hand in it.
pub async fn submitted(db: &Db, person: AccountId, limit: i64) -> Result<Vec<(StandardisationView, bool)>, Refusal> {
    let newest = (Uuid::max(), limit);
    db.read(async |connection| {
        let mut found = Vec::new();
        for id in states::in_state(connection, KIND, "submitted", newest).await? {
            let loaded = load(connection, store::standardisation(connection, id).await?).await?;
            let involved = signing::is_one_of(connection, person, &loaded.parties).await?;
            found.push((loaded.view, involved));
        }
        Ok(found)
    })
    .await
}

pub async fn list(db: &Db, titrant: Uuid) -> Result<Vec<StandardisationView>, Refusal> {
    db.read(async |connection| {
        store::titrant(connection, titrant).await?;
        views(connection, store::standardisations_of(connection, titrant).await?).await
    })
    .await
}

pub async fn working(db: &Db, id: Uuid) -> Result<Worked, Refusal> {
    db.snapshot(async |connection| {
        let loaded = load(connection, store::standardisation(connection, id).await?).await?;
        match (loaded.result.titrant, loaded.result.missing) {
            (Some(titrant), _) => Ok(Worked {
                of: ("standardisation", id.to_string()),
                head: String::new(),
                working: titrant.working,
                foot: String::new(),
            }),
            (None, missing) => Err(Refusal::new(Code::NotEnoughData, missing.unwrap_or_default())),
        }
    })
    .await
}

fn same_content(signature: &NewSignature, digest: &str) -> Result<(), Refusal> {
    sign_offs::seen(signature, digest, || serde_json::Value::Null)
}

/// Decides, with a reason, that the factor of replicates which disagree may be used.
pub async fn decide(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    id: Uuid,
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    states::reason_given("reason", signature.reason.as_deref())?;
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| {
        hold(connection, &[Held::Standardisation(id)]).await?;
        let loaded = load(connection, store::standardisation(connection, id).await?).await?;
        if loaded.view.state != "submitted" {
            let detail = format!(
                "the standardisation is {}: a decision is made on what its author has submitted",
                loaded.view.state
            );
            return Err(Refusal::new(Code::StateConflict, detail));
        }
        if !loaded.view.discordant {
            return Err(Refusal::new(Code::StateConflict, "its replicates agree: there is nothing to decide"));
        }
        same_content(&signature, &loaded.digest)?;
        let detail = "you had a hand in this standardisation: somebody else decides on replicates that disagree";
        signing::not_a_party(connection, user.account, &loaded.parties, detail).await?;
        let content = Content { kind: KIND, id, digest: &loaded.digest, evaluation: None };
        let statement = "the replicates disagree and no cause was found: the factor may be used, for the reason given";
        sign_offs::sign_saying(connection, user, (Meaning::Decided, statement), content, &signature).await?;
        Ok(load(connection, loaded.row).await?.view)
    })
    .await
}

/// Which signature is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    Submit,
    Approve,
    Return,
    Amend,
}

impl Step {
    fn to(self) -> &'static str {
        match self {
            Self::Submit => "submitted",
            Self::Approve => "approved",
            Self::Return => "returned",
            Self::Amend => "amended",
        }
    }

    fn meaning(self) -> Meaning {
        match self {
            Self::Submit => Meaning::Authored,
            Self::Approve => Meaning::Approved,
            // Both take back what stood before.
            Self::Return | Self::Amend => Meaning::Rejected,
        }
    }

    /// Steps that put figures forward.
    fn states_figures(self) -> bool {
        matches!(self, Self::Submit | Self::Approve)
    }
}

/// Checks who signs what; returns the sentence signed.
async fn may_sign(connection: &Connection, user: &CurrentUser, step: Step, loaded: &Loaded) -> Result<String, Refusal> {
    if step.states_figures() {
        titrations::no_blank_without_iron(loaded)?;
    }
    match step {
        Step::Submit => {
            origin::still_hold(connection, &loaded.used.of("titrant_factors")).await?;
            return signing::observed_by(connection, user, &loaded.observers, &loaded.correctors).await;
        }
        Step::Approve | Step::Return => {
            let detail = "a standardisation is judged by somebody who had no hand in it: who began it, made or corrected a replicate, left one out, amended it or signed it as its author";
            signing::not_a_party(connection, user.account, &loaded.parties, detail).await?;
        }
        Step::Amend => {}
    }
    if step == Step::Approve {
        if loaded.view.discordant && !loaded.view.discordance_decided {
            let detail = "the replicates disagree and no cause was found: before approval somebody who had no hand in it must decide, with a reason, whether the factor may be used";
            return Err(Refusal::new(Code::RuleBroken, detail));
        }
        comes_to_the_same(connection, loaded).await?;
    }
    Ok(step.meaning().statement().to_owned())
}

/// Refuses to approve what would come out differently since it was submitted.
async fn comes_to_the_same(connection: &Connection, loaded: &Loaded) -> Result<(), Refusal> {
    let what: Vec<&str> =
        loaded.touched.iter().filter(|touch| touch.figures).map(|touch| touch.what.as_str()).collect();
    let Some(signed) = loaded.result.titrant.as_ref().filter(|_| !what.is_empty()) else { return Ok(()) };
    let now = origin::standardised_now(connection, loaded.row.clone()).await?;
    let close = |a: f64, b: f64| (a - b).abs() <= 1e-9 * b.abs();
    if now.as_ref().is_some_and(|now| close(now.concentration, signed.concentration) && close(now.u, signed.u)) {
        return Ok(());
    }
    let come = now.map_or_else(|| "to nothing".to_owned(), |now| format!("to a factor of {:.5}", now.factor));
    let detail = format!(
        "since it was submitted: {}. It would now come {come}, not {:.5}: return it, so that its author signs that",
        what.join("; "),
        signed.factor
    );
    Err(Refusal::new(Code::RuleBroken, detail))
}

/// Puts the factor of an approved standardisation into force: from its titrations on, or in the place of the factor that it gave
/// before it was amended.
async fn put_in_force(
    connection: &Connection,
    act: &Act,
    user: &CurrentUser,
    loaded: &Loaded,
    prepared: PreparedTitrant,
) -> Result<String, Refusal> {
    let (row, lot) = (&loaded.row, &loaded.titrant);
    let mut factors = store::factors(connection, lot.id).await?;
    factors.retain(|factor| factor.standardisation_id == Some(row.id));
    // What made an amendment necessary may have opened a nonconformity itself.
    let known = origin::touched(connection, &factors).await?;
    let before = factors.first();
    let term = match before {
        Some(factor) => Term::instead_of(factor, loaded.amended.clone().unwrap_or_default()),
        None => Term {
            valid_from: row.observed_at,
            valid_to: row.observed_at + Duration::days(i64::from(row.valid_days)),
            corrects: None,
        },
    };
    let source = Source::Standardisation(row.id);
    let factor = service::enact(connection, (act, user), lot, prepared, source, term).await?;
    if before.is_some() && !impacts::followed_up(connection, &known).await? {
        impacts::follow_up(connection, act, factor.id.0).await?;
    }
    if states::present(connection, EntityKind::Titrant, lot.id.0).await?.state == "standardising" {
        let to = NewMove { to: "released".to_owned(), reason: None };
        states::advance(connection, act, EntityKind::Titrant, lot.id.0, &to, None).await?;
    }
    Ok(factor.evaluation)
}

/// Signs a standardisation and moves it on; an approval puts its factor into force.
pub async fn sign(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    id: Uuid,
    step: Step,
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| {
        hold(connection, &[Held::Standardisation(id)]).await?;
        let row = store::standardisation(connection, id).await?;
        if step == Step::Approve {
            // Results that are signed meanwhile share both: they are held at once, in the same order.
            locks::hold(connection, &[id, row.titrant_id.0]).await?;
        }
        let loaded = match step {
            Step::Submit => load_to_pin(connection, id).await?,
            _ => load(connection, row).await?,
        };
        same_content(&signature, &loaded.digest)?;
        let statement = may_sign(connection, user, step, &loaded).await?;
        let titrant = match (&loaded.result.titrant, &loaded.result.missing) {
            (Some(titrant), _) => Some(titrant.clone()),
            (None, missing) if step.states_figures() => {
                return Err(Refusal::new(Code::NotEnoughData, missing.clone().unwrap_or_default()));
            }
            (None, _) => None,
        };
        let asked = NewMove { to: step.to().to_owned(), reason: signature.reason.clone() };
        states::advance(connection, act, KIND, id, &asked, None).await?;
        let evaluation = match (step, titrant) {
            (Step::Approve, Some(prepared)) => Some(put_in_force(connection, act, user, &loaded, prepared).await?),
            _ => None,
        };
        let content = Content { kind: KIND, id, digest: &loaded.digest, evaluation };
        let signed =
            sign_offs::sign_saying(connection, user, (step.meaning(), &statement), content, &signature).await?;
        if step == Step::Submit {
            pins::record(connection, signed.id, &loaded.used, Some(user.account)).await?;
        }
        if let (Step::Amend, Some(standing)) = (step, loaded.standing) {
            let reason = signature.reason.as_deref().unwrap_or_default();
            impacts::decided_by_amendment(connection, act, standing, reason).await?;
        }
        Ok(load(connection, loaded.row).await?.view)
    })
    .await
}
