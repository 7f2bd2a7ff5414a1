//! Plans of a determination against sums of squares by hand, and what no plan may do.
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

#[path = "support/bath.rs"]
mod bath;
#[path = "support/baths.rs"]
#[expect(dead_code, reason = "a plan needs only some of them")]
mod baths;

use ferrotitre_core::determination::{
    BetweenRuns, Burette, Capacity, Change, Choices, Costs, Detail, Place, Planner, PlanningError, Record, Way,
    evaluate, iron3, iron3_map,
};
use ferrotitre_core::uncertainty::plan::{cheapest, single_changes};
use proptest::prelude::*;

use bath::vessel;
use baths::{blank, record};

const B50: Capacity = Capacity { ml: 50.0, refills: false };
const FREE: Costs = Costs { run: 0.0, titre: 0.0, blank: 0.0, titrant: 0.0 };

fn with_blank(base: i64, offsets: &[i64]) -> Record {
    let mut record = record("d", base, offsets);
    record.rules.subtract_blank = true;
    record.blanks = vec![blank(Some(2.0), "2.04")];
    record
}

fn planner(record: &Record) -> Planner<'_> {
    Planner::new(record, B50, FREE).unwrap()
}

fn u_with(record: &Record, changes: &[&Change]) -> f64 {
    planner(record).with(changes).unwrap().u
}

/// Contribution of a line of the budget to u, in the unit of the result.
fn line(record: &Record, label: &str) -> f64 {
    let budget = evaluate(record, Detail::Working).unwrap().budget;
    budget
        .iter()
        .filter(|line| line.input.label.contains(label))
        .map(|line| line.contribution.powi(2))
        .sum::<f64>()
        .sqrt()
}

fn near(found: f64, expected: f64) {
    assert!((found / expected - 1.0).abs() < 1e-9, "{found} for {expected}");
}

#[test]
fn no_change_is_the_determination_itself() {
    for between in [None, Some(BetweenRuns::Component(0.002, Some(30.0))), Some(BetweenRuns::AtLeast(0.004))] {
        let mut record = with_blank(2146, &[0, 2, 4]);
        record.rules.between_runs = between;
        let present = evaluate(&record, Detail::Figures).unwrap();
        let planned = planner(&record).with(&[]).unwrap();
        assert_eq!(planned.value, present.result.unwrap().value());
        assert_eq!(planned.u, present.result.unwrap().u());
        assert_eq!(planned.expanded_uncertainty, present.reported.unwrap().coverage.expanded_uncertainty);
        assert_eq!(Some(planned.titre_ml), present.titre_ml);
    }
}

/// JCGM 100:2008, 4.2.3: of n values with one standard deviation each, the mean has it over the root of n. All else is as it was.
#[test]
fn more_titres_and_blanks_divide_their_own_lines_alone() {
    let record = with_blank(2146, &[0, 0]);
    let (all, of_titre, of_blank) = (u_with(&record, &[]), line(&record, "repeatability"), line(&record, "blank"));
    // By hand: 0.03 mL over the root of 2, and 0.03 mL, times 5.5845 g/L per mL.
    near(of_titre, 0.03 / 2.0_f64.sqrt() * 5.5845);
    near(of_blank, 0.03 * 5.5845);
    let rest = all.powi(2) - of_titre.powi(2) - of_blank.powi(2);
    let more = u_with(&record, &[&Change::Titres(4), &Change::Blanks(3)]);
    near(more, (rest + of_titre.powi(2) / 2.0 + of_blank.powi(2) / 3.0).sqrt());
}

/// JCGM 100:2008, F.1.2.3: what runs have in common stays, what each has of its own goes with the root of their number.
#[test]
fn the_mean_of_runs_shares_vessels_and_titrant() {
    let mut record = with_blank(2146, &[0, 0]);
    record.rules.between_runs = Some(BetweenRuns::Component(0.003, None));
    let own = ["repeatability", "blank", "run"].map(|label| line(&record, label).powi(2)).iter().sum::<f64>();
    let all = u_with(&record, &[]).powi(2);
    assert!(own > 0.5 * all, "{own} of {all}");
    near(u_with(&record, &[&Change::Runs(4)]), (all - own + own / 4.0).sqrt());
}

/// Twice the aliquot has twice the titre: errors in mL weigh half, relative ones as before. By hand with 50.00 mL, u 0.02 mL.
#[test]
fn a_larger_aliquot_has_a_larger_titre() {
    let mut record = with_blank(1904, &[0, 0]);
    record.blanks[0].segments = vec![bath::segment("0.00", "2.00")];
    let mut by = vessel("P50", 50.0);
    by.u_ml = 0.02;
    let planned = planner(&record).with(&[&Change::Vessel(Place::Aliquot, by.clone())]).unwrap();
    near(planned.titre_ml, 38.08);
    assert_eq!(planned.fillings, 1);
    let millilitres =
        (0.03_f64.powi(2) / 2.0 + 0.03_f64.powi(2) + 0.01_f64.powi(2) + 0.012_f64.powi(2)) / 38.08_f64.powi(2);
    let relative =
        (0.01 / 10.0_f64).powi(2) + (0.08 / 250.0_f64).powi(2) + (0.02 / 50.0_f64).powi(2) + 0.0015_f64.powi(2);
    // The molar mass of iron, 55.845(2), rectangular: 2e-5.
    let molar_mass = (0.002 / 3.0_f64.sqrt() / 55.845).powi(2);
    near(planned.u / planned.value, (millilitres + relative + molar_mass).sqrt());
    near(planned.value, planner(&record).with(&[]).unwrap().value);
    // 57 mL take two fillings, each with the error of the burette.
    let record = with_blank(2854, &[0, 0]);
    let larger = Change::Vessel(Place::Aliquot, by);
    let refilled = Planner::new(&record, Capacity { refills: true, ..B50 }, FREE).unwrap();
    assert_eq!(refilled.with(&[&larger]).unwrap().fillings, 2);
    assert!(matches!(planner(&record).with(&[&larger]), Err(PlanningError::Refill { capacity: 50.0, .. })));
    // Nor do 28 mL go into a burette of 25 mL.
    let smaller = Change::Burette(Burette { u_ml: 0.006, ..bath::burette() }, 25.0);
    assert!(matches!(planner(&record).with(&[&smaller]), Err(PlanningError::Refill { capacity: 25.0, .. })));
    let finer = planner(&record).with(&[&Change::Burette(Burette { u_ml: 0.006, ..bath::burette() }, 50.0)]).unwrap();
    assert!(finer.u < planner(&record).with(&[]).unwrap().u);
}

/// The same pipette may take the sample and the aliquot; another one in the place of one of them leaves the other.
#[test]
fn a_vessel_is_changed_at_its_place_alone() {
    let mut record = with_blank(1204, &[0, 0]);
    record.portion.amount = ferrotitre_core::determination::PortionAmount::Volume(vessel("P25", 25.0));
    record.portion.aliquot = Some(vessel("P25", 25.0));
    let present = planner(&record).with(&[]).unwrap();
    for place in [Place::Sample, Place::Aliquot] {
        let planned = planner(&record).with(&[&Change::Vessel(place, vessel("P50", 50.0))]).unwrap();
        near(planned.titre_ml, 2.0 * present.titre_ml);
        near(planned.value, present.value);
    }
    let flask = planner(&record).with(&[&Change::Vessel(Place::Flask(0), vessel("F500", 500.0))]).unwrap();
    near(flask.titre_ml, present.titre_ml / 2.0);
}

#[test]
fn what_cannot_be_made_is_said() {
    let record = with_blank(2146, &[0, 0]);
    let refused = |changes: &[&Change]| planner(&record).with(changes).unwrap_err();
    let by = |volume| Change::Vessel(Place::Aliquot, vessel("P", volume));
    assert_eq!(refused(&[&by(250.0)]), PlanningError::DoesNotFit { pipette: 250.0, flask: 250.0 });
    assert_eq!(
        refused(&[&Change::Vessel(Place::Pipette(0), vessel("P", 7.0))]),
        PlanningError::NoVessel(Place::Pipette(0))
    );
    assert_eq!(refused(&[&Change::Titres(1)]), PlanningError::Fewer { what: "titres", wanted: 1, present: 2 });
    assert_eq!(refused(&[&Change::Runs(0)]), PlanningError::Runs(0));
    let mut unknown = record.clone();
    unknown.rules.sigma_r_ml = None;
    assert_eq!(planner(&unknown).with(&[&Change::Titres(3)]).unwrap_err(), PlanningError::NoRepeatability);
    let discordant = with_blank(2146, &[0, 900, 1900, 2500]);
    assert!(matches!(Planner::new(&discordant, B50, FREE), Err(PlanningError::Unsettled(_))));
    assert!(matches!(Planner::new(&record, B50, Costs { run: -1.0, ..FREE }), Err(PlanningError::Cost(_))));
}

#[test]
fn combinations_are_costed_and_those_that_do_not_fit_left_out() {
    let record = with_blank(2146, &[0, 0]);
    let costs = Costs { run: 40.0, titre: 8.0, blank: 10.0, titrant: 100.0 };
    let planner = Planner::new(&record, B50, costs).unwrap();
    let way = |label: &str, change: Option<Change>| Way { label: label.to_owned(), change };
    let too_large = Change::Vessel(Place::Aliquot, vessel("P300", 300.0));
    let acts = [
        Choices { name: "blanks".into(), ways: vec![way("1", None), way("4", Some(Change::Blanks(4)))] },
        Choices { name: "aliquot".into(), ways: vec![way("P25", None), way("P300", Some(too_large))] },
        Choices { name: "runs".into(), ways: vec![way("1", None), way("2", Some(Change::Runs(2)))] },
    ];
    let compared = planner.compare(&acts).unwrap();
    assert_eq!((compared.plans.len(), compared.impossible), (4, 4));
    let costs: Vec<f64> = compared.plans.iter().map(|plan| plan.cost).collect();
    // By hand: 40 + 2 x 8 + 10; twice that; 40 + 2 x 8 + 4 x 10; twice that.
    assert_eq!(costs, [66.0, 132.0, 96.0, 192.0]);
    assert_eq!(single_changes(&compared.plans).len(), 2);
    let target = compared.plans[2].expanded_uncertainty;
    assert_eq!(cheapest(&compared.plans, target).unwrap().choices, [1, 0, 0]);
    assert_eq!(cheapest(&compared.plans, 0.0), None);
}

/// The map passes through the pair it begins with, and doubles its titres with twice the aliquot. Iron(III) of a pure iron(III)
/// solution has the u of its total and of a titre of nothing: by hand, errors in mL times 5.5845 g/L, the rest on the total alone.
#[test]
fn the_map_of_iron3_passes_through_its_own_pair() {
    let (total, iron2) = (with_blank(2346, &[0, 0]), with_blank(2146, &[0, 0]));
    let mut total = total;
    total.id = "t".into();
    total.titrations.iter_mut().for_each(|titration| titration.id.push('t'));
    let derived = iron3(&total, &iron2, Detail::Figures).unwrap();
    let own = 1.0 - derived.value.unwrap() / derived.total.result.unwrap().value();
    let map = iron3_map((&total, &iron2), None, &[0.0, own], B50).unwrap();
    near(map[1].value, derived.value.unwrap());
    near(map[1].u, derived.u.unwrap());
    near(map[0].iron2_ml + 1.0, 1.0);
    let content = derived.total.result.unwrap().value();
    near(map[0].value, content);
    let relative =
        (0.01 / 10.0_f64).powi(2) + (0.08 / 250.0_f64).powi(2) + (0.015 / 25.0_f64).powi(2) + 0.0015_f64.powi(2);
    let molar_mass = (0.002 / 3.0_f64.sqrt() / 55.845).powi(2);
    // Each titre has a repeatability of its own; blank, burette and end point are shared and cancel.
    let millilitres = 2.0 * 0.03_f64.powi(2) / 2.0;
    near(map[0].u, (millilitres * 5.5845_f64.powi(2) + (relative + molar_mass) * content.powi(2)).sqrt());
    let mut by = vessel("P50", 50.0);
    by.u_ml = 0.02;
    let larger = iron3_map((&total, &iron2), Some(&by), &[own], B50).unwrap();
    near(larger[0].total_ml, 2.0 * map[1].total_ml);
    assert!(larger[0].u < map[1].u);
    by.volume_ml = 100.0;
    assert!(matches!(iron3_map((&total, &iron2), Some(&by), &[own], B50), Err(PlanningError::Refill { .. })));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn more_work_never_raises_u(
        base in 800i64..4500, a in 0i64..8, titres in 2usize..7, blanks in 1usize..6, runs in 1usize..6, component in 0.0f64..0.01,
    ) {
        let mut record = with_blank(base, &[0, a]);
        record.rules.between_runs = Some(BetweenRuns::Component(component, None));
        let before = u_with(&record, &[]);
        let changes = [Change::Titres(titres), Change::Blanks(blanks), Change::Runs(runs)];
        for kept in 0..8 {
            let chosen: Vec<&Change> = changes.iter().enumerate().filter(|(at, _)| kept >> at & 1 == 1).map(|(_, one)| one).collect();
            prop_assert!(u_with(&record, &chosen) <= before * (1.0 + 1e-12));
        }
    }
}
