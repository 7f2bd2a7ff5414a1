//! What would lower the uncertainty of a determination, with what the laboratory has at hand: other vessels, burettes and lots that
//! may be used today, more titres, blanks and runs. Each combination is evaluated as the determination itself is.

pub mod iron3;
pub(super) mod picture;
pub mod wire;

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::TitrantId;
use ferrotitre_base::pins::Sight;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::heavy::heavy;
use ferrotitre_bench::equipment::service as equipment;
use ferrotitre_bench::equipment::shelf::Shelf;
use ferrotitre_bench::titrants::service::{electrons, vessel};
use ferrotitre_bench::titrants::standardisations::burette;
use ferrotitre_bench::titrants::store as titrants;
use ferrotitre_core::determination::{
    Burette, Capacity, Change, Choices, Costs, Factor, Place, Planned, Planner, PlanningError, PortionAmount, Record,
    Vessel, Way,
};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::stop::{Stop, until};
use ferrotitre_core::uncertainty::plan::{Plan, cheapest, combinations, frontier, single_changes};
use uuid::Uuid;

use crate::determinations::record::load;
use crate::determinations::store;
use wire::{AskedPlan, CostsView, PlanView, PlannedView, SingleChangeView};

/// Other pieces of one kind that are tried.
const MOST_OTHERS: usize = 3;
/// Lots that are looked at.
const MOST_LOTS: i64 = 20;
/// Combinations that are evaluated for one answer.
const MOST_COMPARED: usize = 4000;
/// Ways on the frontier that are shown.
const MOST_SHOWN: usize = 40;
/// Two lots take the same volume for the same iron.
const SAME_CONCENTRATION: f64 = 0.02;
/// mL, where the burette of a record is no longer on the shelf.
const USUAL_CAPACITY: f64 = 50.0;

/// What the shelf holds today.
struct AtHand {
    pipettes: Vec<(f64, Vessel)>,
    flasks: Vec<(f64, Vessel)>,
    burettes: Vec<(f64, Burette)>,
    lots: Vec<(String, f64, Option<f64>)>,
}

async fn at_hand(db: &Db, factor: &Factor, now: DateTime<Utc>) -> Result<AtHand, Refusal> {
    let pieces = equipment::pieces(db).await?;
    let ready: Vec<_> = pieces.iter().filter(|piece| piece.ready()).collect();
    let ids: Vec<Uuid> = ready.iter().map(|piece| piece.view.id).collect();
    let (shelf, lots) = db
        .read(async |connection| Ok((Shelf::load(connection, &ids).await?, lots(connection, factor, now).await?)))
        .await?;
    let mut hand = AtHand { pipettes: Vec::new(), flasks: Vec::new(), burettes: Vec::new(), lots };
    for piece in ready {
        let Ok(found) = shelf.on(piece.view.id, now.date_naive(), &Sight::Present) else { continue };
        let nominal = found.facts.range_high.value();
        match found.facts.kind.as_str() {
            "pipette" => hand.pipettes.push((nominal, vessel(found))),
            "flask" => hand.flasks.push((nominal, vessel(found))),
            _ if found.facts.is_burette() => hand.burettes.push((nominal, burette(found)?)),
            _ => {}
        }
    }
    Ok(hand)
}

/// Lots that may take the place of the present one and are known better, with the relative uncertainty of their concentration.
async fn lots(
    connection: &Connection,
    factor: &Factor,
    now: DateTime<Utc>,
) -> Result<Vec<(String, f64, Option<f64>)>, Refusal> {
    let mut live = Vec::new();
    for state in ["released", "in use"] {
        live.extend(states::in_state(connection, EntityKind::Titrant, state, (Uuid::max(), MOST_LOTS)).await?);
    }
    let live: Vec<TitrantId> = live.into_iter().map(TitrantId).collect();
    let mut found = Vec::new();
    for (of, lot) in titrants::in_force(connection, &live, now).await? {
        let concentration = of.concentration.value();
        let alike = electrons(&lot)? == factor.electrons
            && (concentration / factor.concentration - 1.0).abs() <= SAME_CONCENTRATION;
        let relative = of.standard_uncertainty.value() / concentration;
        let better = relative < factor.u / factor.concentration;
        if alike && better && lot.code != factor.lot && lot.expires_at > now && of.valid_to > now {
            found.push((lot.code, relative, of.degrees_of_freedom.as_ref().map(Decimal::value)));
        }
    }
    found.sort_by(|a, b| a.1.total_cmp(&b.1));
    found.truncate(MOST_OTHERS);
    Ok(found)
}

fn counts(name: &str, present: usize, more: [usize; 3], change: fn(usize) -> Change) -> Choices {
    let mut ways = vec![Way { label: present.to_string(), change: None }];
    ways.extend(more.into_iter().map(|wanted| Way { label: wanted.to_string(), change: Some(change(wanted)) }));
    Choices { name: name.to_owned(), ways }
}

/// Other vessels in the place of one, the nearest in volume first.
fn vessels(name: &str, place: Place, of: &Vessel, others: &[(f64, Vessel)]) -> Choices {
    let mut others: Vec<&Vessel> =
        others.iter().map(|(_, other)| other).filter(|other| other.code != of.code).collect();
    let off = |other: &Vessel| (other.volume_ml / of.volume_ml).ln().abs();
    others.sort_by(|a, b| off(a).total_cmp(&off(b)));
    let mut ways = vec![Way { label: of.code.clone(), change: None }];
    ways.extend(
        others
            .into_iter()
            .take(MOST_OTHERS)
            .map(|other| Way { label: other.code.clone(), change: Some(Change::Vessel(place, other.clone())) }),
    );
    Choices { name: name.to_owned(), ways }
}

/// Everything that could be done otherwise.
fn choices(record: &Record, planner: &Planner<'_>, hand: &AtHand) -> Vec<Choices> {
    let portion = &record.portion;
    let mut acts = Vec::new();
    if record.rules.sigma_r_ml.is_some() {
        let n = planner.titres();
        acts.push(counts("titres", n, [n + 1, n + 2, 2 * n], Change::Titres));
    }
    let blanks = planner.blanks();
    if blanks > 0 {
        acts.push(counts("blanks", blanks, [blanks + 1, blanks + 2, blanks + 4], Change::Blanks));
    }
    acts.push(counts("runs, averaged", 1, [2, 3, 4], Change::Runs));
    let Some(first) = record.titrations.first() else { return acts };
    // A back-titration would need another amount of oxidant, too.
    if first.excess.is_none() {
        if let PortionAmount::Volume(sample) = &portion.amount {
            acts.push(vessels("sample", Place::Sample, sample, &hand.pipettes));
        }
        for (at, step) in portion.dilution.iter().enumerate() {
            let which =
                |what: &str| if portion.dilution.len() == 1 { what.to_owned() } else { format!("{what} {}", at + 1) };
            if let Some(pipette) = &step.pipette {
                acts.push(vessels(&which("pipette of step"), Place::Pipette(at), pipette, &hand.pipettes));
            }
            acts.push(vessels(&which("flask"), Place::Flask(at), &step.flask, &hand.flasks));
        }
        if let Some(aliquot) = &portion.aliquot {
            acts.push(vessels("aliquot", Place::Aliquot, aliquot, &hand.pipettes));
        }
    }
    let present = &first.burette;
    let finer = |other: &Burette| other.u_ml < present.u_ml || other.resolution_ml < present.resolution_ml;
    let others = hand.burettes.iter().filter(|(_, other)| finer(other)).take(MOST_OTHERS);
    let mut ways = vec![Way { label: first.burette.code.clone(), change: None }];
    ways.extend(
        others.map(|(holds, other)| Way {
            label: other.code.clone(),
            change: Some(Change::Burette(other.clone(), *holds)),
        }),
    );
    acts.push(Choices { name: "burette".to_owned(), ways });
    let mut ways = vec![Way { label: first.factor.lot.clone(), change: None }];
    ways.extend(
        hand.lots
            .iter()
            .map(|(code, relative, dof)| Way { label: code.clone(), change: Some(Change::Titrant(*relative, *dof)) }),
    );
    acts.push(Choices { name: "titrant".to_owned(), ways });
    acts.retain(|act| act.ways.len() > 1);
    // What has most ways loses the farthest of them, until all combinations can be evaluated while somebody waits.
    let sizes = |acts: &[Choices]| acts.iter().map(|act| act.ways.len()).collect::<Vec<usize>>();
    while combinations(&sizes(&acts)) > MOST_COMPARED
        && let Some(widest) = acts.iter_mut().max_by_key(|act| act.ways.len())
    {
        widest.ways.pop();
    }
    acts
}

fn refused(error: PlanningError) -> Refusal {
    match error {
        PlanningError::Cost(value) => Refusal::invalid("cost", "range", error.to_string(), value),
        PlanningError::Evaluation(error) => Refusal::new(Code::RuleBroken, error.to_string()),
        error => Refusal::new(Code::NotEnoughData, error.to_string()),
    }
}

/// Plans and what they are called.
struct Weighing<'a> {
    planner: &'a Planner<'a>,
    acts: &'a [Choices],
}

impl Weighing<'_> {
    fn planned(&self, plan: &Plan) -> Result<Planned, Refusal> {
        let chosen = self.acts.iter().zip(&plan.choices);
        let changes: Vec<&Change> = chosen.filter_map(|(act, way)| act.ways.get(*way)?.change.as_ref()).collect();
        self.planner.with(&changes).map_err(refused)
    }

    fn shown(&self, plan: &Plan) -> Result<PlannedView, Refusal> {
        let of = self.planned(plan)?;
        let chosen = self.acts.iter().zip(&plan.choices).filter(|(_, way)| **way > 0);
        let words = |(act, way): (&Choices, &usize)| {
            let label = |at: usize| act.ways.get(at).map_or("", |way| way.label.as_str());
            format!("{}: {} in place of {}", act.name, label(*way), label(0))
        };
        Ok(PlannedView {
            changes: chosen.map(words).collect(),
            cost: of.cost,
            titre_ml: of.titre_ml,
            fillings: of.fillings,
            u: of.u,
            expanded_uncertainty: of.expanded_uncertainty,
        })
    }

    fn single(&self, plan: &Plan, present: &Plan) -> Result<Option<SingleChangeView>, Refusal> {
        let Some((act, way)) = self.acts.iter().zip(&plan.choices).find(|(_, way)| **way > 0) else { return Ok(None) };
        let of = self.planned(plan)?;
        let label = |at: usize| act.ways.get(at).map(|way| way.label.clone()).unwrap_or_default();
        let gain = present.expanded_uncertainty - plan.expanded_uncertainty;
        let further_cost = plan.cost - present.cost;
        Ok(Some(SingleChangeView {
            act: act.name.clone(),
            from: label(0),
            to: label(*way),
            titre_ml: of.titre_ml,
            fillings: of.fillings,
            expanded_uncertainty: plan.expanded_uncertainty,
            gain_percent: 100.0 * gain / present.expanded_uncertainty,
            further_cost,
            gain_per_cost: (further_cost > 0.0).then(|| gain / further_cost),
        }))
    }
}

/// What costs nothing and gains comes first, then the gain for the cost, at last what gains nothing.
fn worth(change: &SingleChangeView) -> f64 {
    match change.gain_per_cost {
        Some(gain) => gain,
        None if change.gain_percent > 0.0 => 1e9 * change.gain_percent,
        None => change.gain_percent,
    }
}

struct Asked {
    id: Uuid,
    code: String,
    record: Record,
    burette: Capacity,
    costs: Costs,
    target: Option<f64>,
}

fn view(asked: &Asked, hand: &AtHand) -> Result<PlanView, Refusal> {
    let planner = Planner::new(&asked.record, asked.burette, asked.costs).map_err(refused)?;
    let acts = choices(&asked.record, &planner, hand);
    let compared = planner.compare(&acts).map_err(refused)?;
    let weighing = Weighing { planner: &planner, acts: &acts };
    let plans = compared.plans.as_slice();
    let nothing = || Refusal::new(Code::Internal, "a comparison lacks the present way");
    let present = plans.first().ok_or_else(nothing)?;
    let target = asked.target.unwrap_or(present.expanded_uncertainty / 2.0);
    let best = plans
        .iter()
        .min_by(|a, b| {
            a.expanded_uncertainty.total_cmp(&b.expanded_uncertainty).then_with(|| a.cost.total_cmp(&b.cost))
        })
        .ok_or_else(nothing)?;
    let mut singles = Vec::new();
    for plan in single_changes(plans) {
        singles.extend(weighing.single(plan, present)?);
    }
    singles.sort_by(|a, b| worth(b).total_cmp(&worth(a)));
    let Costs { run, titre, blank, titrant } = asked.costs;
    Ok(PlanView {
        determination: asked.id,
        code: asked.code.clone(),
        chemistry: asked.record.rules.chemistry.clone(),
        unit: asked.record.rules.reporting.unit.symbol(),
        target,
        costs: CostsView { run, titre, blank, titrant },
        present: weighing.shown(present)?,
        single_changes: singles,
        cheapest: cheapest(plans, target).map(|plan| weighing.shown(plan)).transpose()?,
        best: weighing.shown(best)?,
        frontier: frontier(plans)
            .into_iter()
            .take(MOST_SHOWN)
            .map(|plan| weighing.shown(plan))
            .collect::<Result<_, _>>()?,
        compared: plans.len(),
        impossible: compared.impossible,
    })
}

/// Plans of a determination, read under its signature where it has one.
///
/// # Errors
/// No such determination; no result to start from, or titres that disagree; a target or cost below zero.
pub async fn read(db: &Db, id: Uuid, asked: AskedPlan) -> Result<PlanView, Refusal> {
    let costs = Costs {
        run: asked.run_cost.unwrap_or(60.0),
        titre: asked.titre_cost.unwrap_or(10.0),
        blank: asked.blank_cost.unwrap_or(10.0),
        titrant: asked.titrant_cost.unwrap_or(20.0),
    };
    let named = [
        ("target", asked.target.unwrap_or_default()),
        ("run_cost", costs.run),
        ("titre_cost", costs.titre),
        ("blank_cost", costs.blank),
        ("titrant_cost", costs.titrant),
    ];
    if let Some((field, value)) = named.into_iter().find(|(_, value)| !(*value >= 0.0 && value.is_finite())) {
        return Err(Refusal::invalid(field, "range", "must be a number, 0 or more", value));
    }
    let (code, record) = db
        .snapshot(async |connection| {
            let loaded = load(connection, store::determination(connection, id).await?).await?;
            Ok((loaded.row.code.clone(), loaded.record))
        })
        .await?;
    let first = record.titrations.first().map(|titration| (titration.factor.clone(), titration.burette.code.clone()));
    let Some((factor, burette)) = first else {
        return Err(Refusal::new(Code::NotEnoughData, "not enough data: the determination has no titration yet"));
    };
    let hand = at_hand(db, &factor, Utc::now()).await?;
    let known = hand.burettes.iter().find(|(_, other)| other.code == burette);
    let ml = known.map_or(USUAL_CAPACITY, |(capacity, _)| *capacity);
    let burette = Capacity { ml, refills: asked.refills.unwrap_or(false) };
    let asked = Asked { id, code, record, burette, costs, target: asked.target };
    let stop = Stop::new();
    let _asker = stop.raised_when_dropped();
    heavy(move || until(&stop, || view(&asked, &hand))).await?.map_err(Refusal::internal)?
}
