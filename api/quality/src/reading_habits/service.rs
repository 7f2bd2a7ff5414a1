//! Use cases of reading habits.

use std::collections::{BTreeMap, HashMap, HashSet};

use actix_web::web;
use bigdecimal::BigDecimal;
use chrono::{Duration, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::sees_only_own;
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_bench::equipment::service as equipment;
use ferrotitre_bench::methods::service as methods;
use ferrotitre_core::statistics::discovery::benjamini_hochberg;
use ferrotitre_core::statistics::integrity::ReadingStep;
use ferrotitre_ledger::accounts::service as accounts;
use ferrotitre_results::determinations::bulk::{self, Selection, Tabled};
use uuid::Uuid;

use crate::reading_habits::signs::{self, Basis, Set};
use crate::reading_habits::wire::{Counts, HabitsQuestion, HabitsView, PersonView, SignView};

/// Days looked back if nothing else is asked.
const DAYS: i64 = 90;
/// Determinations looked at, at most.
const MOST: usize = 5000;
/// Determinations that are read at once.
const AT_ONCE: i64 = 250;
/// Share of false alarms accepted among the signs that stand out (common practice, no source).
const FALSE_DISCOVERIES: f64 = 0.05;

/// What is known of methods and burettes.
struct Known {
    /// Step to which each burette is read, mL.
    steps: HashMap<Uuid, f64>,
    /// Code, repeatability, limit and fewest titres of each method version.
    methods: HashMap<Uuid, (Basis, usize)>,
}

/// One person's titrations as they are gathered.
#[derive(Default)]
struct Gathered {
    counts: Counts,
    /// Final readings by step, in µL.
    finals: BTreeMap<u64, Vec<BigDecimal>>,
    /// Samples with the mark at which a titration began: where both are the same, final readings differ by scatter alone, and
    /// only the first counts.
    begun: HashSet<(Uuid, Vec<BigDecimal>)>,
    /// Sets by method version and step.
    sets: Vec<(Basis, Vec<Set>)>,
}

fn step_of(step_ml: f64) -> Option<ReadingStep> {
    let known = [ReadingStep::Hundredth, ReadingStep::Fiftieth, ReadingStep::Twentieth, ReadingStep::Tenth];
    known.into_iter().find(|step| microlitres(step_ml) == microlitres(step.text().parse().unwrap_or_default()))
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a burette's step, far below 2^53 µL")]
fn microlitres(ml: f64) -> u64 {
    (ml * 1000.0).round() as u64
}

/// Whose titrations are looked at; nobody who is an analyst only sees another's.
fn whose(user: &CurrentUser, asked: Option<Uuid>) -> Result<Option<Uuid>, Refusal> {
    if !sees_only_own(&user.roles) {
        return Ok(asked);
    }
    match asked {
        Some(other) if other != user.account.0 => {
            Err(Refusal::new(Code::Forbidden, "reading habits are shown to the person, managers and auditors"))
        }
        _ => Ok(Some(user.account.0)),
    }
}

/// Reading habits of a time.
pub(super) async fn of(db: &Db, user: &CurrentUser, question: &HabitsQuestion) -> Result<HabitsView, Refusal> {
    let until = question.until.unwrap_or_else(Utc::now);
    let from = question.from.unwrap_or(until - Duration::days(DAYS));
    if from >= until {
        return Err(Refusal::invalid("from", "before", "must be before until", from.to_rfc3339()));
    }
    let whose = whose(user, question.account)?;
    let recorded_by = whose.map(AccountId);
    let wanted = Selection { from: Some(from), until: Some(until), recorded_by, ..Selection::default() };
    let mut known = Known { steps: steps(db).await?, methods: HashMap::new() };
    let mut people: BTreeMap<Uuid, Gathered> = BTreeMap::new();
    let (mut determinations, mut after) = (0, None);
    loop {
        let page = bulk::page(db, &wanted, after, AT_ONCE).await?;
        after = page.next;
        let gathered = bulk::gathered(db, page.items).await?;
        let evaluated = web::block(move || gathered.evaluated()).await.map_err(Refusal::internal)??;
        know_methods(db, &mut known, &evaluated).await?;
        determinations += evaluated.len();
        evaluated.iter().for_each(|of| gather(&mut people, &known, of));
        if after.is_none() || determinations >= MOST {
            break;
        }
    }
    // Of a determination that several people worked on, the others are not asked for.
    people.retain(|person, _| whose.is_none_or(|only| only == *person));
    let ids: Vec<Uuid> = people.keys().copied().collect();
    let names = accounts::names(db, &ids).await?;
    let mut people: Vec<PersonView> = people
        .into_iter()
        .map(|(account, of)| PersonView {
            account,
            name: names.get(&account).cloned().unwrap_or_default(),
            counts: of.counts,
            signs: of.signs(),
        })
        .collect();
    people.sort_by(|a, b| a.name.cmp(&b.name));
    adjust(&mut people)?;
    Ok(HabitsView {
        from,
        until,
        determinations,
        cut_off: after.is_some(),
        false_discovery_rate: FALSE_DISCOVERIES,
        people,
    })
}

/// Steps of the burettes that are not retired.
async fn steps(db: &Db) -> Result<HashMap<Uuid, f64>, Refusal> {
    let pieces = equipment::pieces(db).await?.into_iter();
    Ok(pieces.filter_map(|piece| Some((piece.view.id, piece.view.facts.resolution.as_ref()?.value()))).collect())
}

async fn know_methods(db: &Db, known: &mut Known, determinations: &[Tabled]) -> Result<(), Refusal> {
    for of in determinations {
        if known.methods.contains_key(&of.method.0) {
            continue;
        }
        let facts = methods::version(db, of.method).await?.facts;
        let rules = &facts.rules.0;
        let basis = Basis {
            method: facts.code.clone(),
            sigma_r_ml: rules.sigma_r_ml.as_ref().map(|sigma| sigma.value()),
            limit_ml: rules.concordance_limit_ml.value(),
            step_ml: f64::NAN,
        };
        known.methods.insert(of.method.0, (basis, rules.minimum_titres));
    }
    Ok(())
}

/// Adds a determination to those who titrated for it.
fn gather(people: &mut BTreeMap<Uuid, Gathered>, known: &Known, of: &Tabled) {
    let standing = of.titrations.iter().filter(|(_, titre)| titre.fate != "superseded");
    let mut accurate: Vec<(Uuid, Uuid, BigDecimal)> = Vec::new();
    for (titration, titre) in standing {
        let gathered = people.entry(titration.recorded_by.0).or_default();
        let counts = &mut gathered.counts;
        counts.titrations += 1;
        counts.corrections += u64::from(titration.version > 1);
        counts.saved_late += u64::from(titration.late);
        match titre.fate {
            "used" => counts.used += 1,
            "not used" => counts.not_used += 1,
            "rough" => counts.rough += 1,
            "rejected" => counts.rejected += 1,
            "failed reduction" => counts.failed_reductions += 1,
            _ => {}
        }
        let burette = titration.facts.burette;
        if let Some(step) = known.steps.get(&burette) {
            let decimals = |readings: &[Decimal]| readings.iter().map(|one| one.reading().decimal().clone()).collect();
            let begun: Vec<BigDecimal> = decimals(&titration.facts.initial_readings);
            if gathered.begun.insert((of.sample, begun)) {
                let finals: Vec<BigDecimal> = decimals(&titration.facts.final_readings);
                gathered.finals.entry(microlitres(*step)).or_default().extend(finals);
            }
        }
        if matches!(titre.fate, "used" | "not used") {
            accurate.extend(titre.difference_ml.parse().ok().map(|titre| (titration.recorded_by.0, burette, titre)));
        }
    }
    let Some((person, burette, _)) = accurate.first() else { return };
    let (person, burette) = (*person, *burette);
    let Some((basis, fewest)) = known.methods.get(&of.method.0) else { return };
    // Titres of several people or burettes are nobody's set.
    if accurate.iter().any(|(by, with, _)| (*by, *with) != (person, burette)) {
        return;
    }
    let gathered = people.entry(person).or_default();
    gathered.counts.beyond_the_fewest += accurate.len().saturating_sub(*fewest) as u64;
    let Some(step_ml) = known.steps.get(&burette).copied() else { return };
    let basis = Basis { step_ml, ..basis.clone() };
    let set = Set { titres: accurate.into_iter().map(|(.., titre)| titre).collect() };
    match gathered.sets.iter_mut().find(|(of, _)| *of == basis) {
        Some((_, sets)) => sets.push(set),
        None => gathered.sets.push((basis, vec![set])),
    }
}

impl Gathered {
    fn signs(&self) -> Vec<SignView> {
        let mut found = Vec::new();
        for (step, finals) in &self.finals {
            found.extend(step_of(*step as f64 / 1000.0).map(|step| signs::last_digits(finals, step)));
        }
        found.extend(self.sets.iter().flat_map(|(basis, sets)| signs::of_sets(basis, sets)));
        found
    }
}

/// Many signs are looked for at once: some would stand out by chance alone.
fn adjust(people: &mut [PersonView]) -> Result<(), Refusal> {
    let mut signs: Vec<_> =
        people.iter_mut().flat_map(|person| &mut person.signs).filter(|sign| sign.p.is_some()).collect();
    let p: Vec<f64> = signs.iter().filter_map(|sign| sign.p).collect();
    let discoveries = benjamini_hochberg(&p, FALSE_DISCOVERIES).map_err(Refusal::internal)?;
    for (sign, discovery) in signs.iter_mut().zip(discoveries) {
        sign.p_adjusted = Some(discovery.adjusted);
        sign.stands_out = discovery.shown;
    }
    Ok(())
}
