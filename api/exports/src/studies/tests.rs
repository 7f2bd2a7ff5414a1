//! Every expression against the service's own algorithm, over the same data and without a spreadsheet.
//!
//! Both are the project's own; published figures tie the algorithms to the world (`tests/reference`). The data are made up,
//! differently in every round, with groups of different size and contents from traces to nearly pure.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use ferrotitre_base::ids::ValidationDatumId;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::validation::cells::{Block, Column, Evaluation, Numbers};
use ferrotitre_core::validation::{DataUnit, Statistic};
use ferrotitre_core::working::ContentUnit;
use ferrotitre_quality::validation_studies::data::Labels;
use ferrotitre_quality::validation_studies::kinds::{Design, Factor, Kind, Limit, Rule};
use ferrotitre_quality::validation_studies::statistics::{Point, Question, study};
use uuid::Uuid;

use super::{places, sorted};

/// Rounds with each kind.
const ROUNDS: u64 = 60;
/// First row of data.
const FIRST: usize = 5;

/// Numbers as good as random, the same in every run (a linear congruential generator, Knuth's MMIX).
struct Dice(u64);

impl Dice {
    fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    /// From low to high, both included.
    fn count(&mut self, low: usize, high: usize) -> usize {
        low + (self.share() * (high - low + 1) as f64) as usize
    }
}

fn decimal(value: f64, places: usize) -> Decimal {
    format!("{value:.places$}").parse().unwrap()
}

/// A characteristic while its data are made up.
struct Made {
    kind: Kind,
    unit: DataUnit,
    design: Design,
    limits: Vec<Limit>,
    points: Vec<Point>,
    dice: Dice,
    level: f64,
    scatter: f64,
}

impl Made {
    fn new(kind: Kind, round: u64) -> Self {
        let mut dice = Dice(1 + round * 1_000_003 + kind as u64);
        let units = [ContentUnit::GramsPerLitre, ContentUnit::PercentByMass, ContentUnit::MilligramsPerLitre];
        let level = [0.8, 12.0, 52.0, 96.0][dice.count(0, 3)];
        let scatter = level * dice.between(0.0005, 0.01);
        let unit = DataUnit::Content(units[dice.count(0, 2)]);
        let design = Design { confidence: round.is_multiple_of(3).then(|| decimal(0.99, 2)), ..Design::default() };
        Self { kind, unit, design, limits: Vec::new(), points: Vec::new(), dice, level, scatter }
    }

    /// A value about a level, to five places.
    fn about(&mut self, level: f64) -> f64 {
        let off = (0..6).map(|_| self.dice.between(-0.7, 0.7)).sum::<f64>();
        decimal(level + self.scatter * off, 5).value()
    }

    fn add(&mut self, value: f64, labels: Labels) {
        let position = i32::try_from(self.points.len() + 1).unwrap();
        let id = ValidationDatumId(Uuid::from_u128(position.unsigned_abs().into()));
        let u = Some(decimal(self.scatter * self.dice.between(0.5, 2.0), 6).value());
        self.points.push(Point { id, position, value, u, labels: Arc::new(labels) });
    }

    fn interval_limit(&mut self, statistic: Statistic, margin: f64) {
        self.limits.push(Limit {
            statistic: statistic.key().to_owned(),
            rule: Rule::Interval,
            lower: Some(decimal(-margin, 4)),
            upper: Some(decimal(margin, 4)),
            unit: statistic.unit(self.unit).to_owned(),
        });
    }

    /// Data in groups of one to four, one of them of two at least; lines of a group stand among those of others.
    fn groups(&mut self, groups: usize) {
        let offs: Vec<f64> = (0..groups).map(|_| self.about(0.0)).collect();
        let mut rows: Vec<usize> = (0..groups).flat_map(|group| vec![group; self.dice.count(1, 4)]).collect();
        rows.push(0);
        let turn = self.dice.count(0, rows.len() - 1);
        rows.rotate_left(turn);
        for group in rows {
            let value = self.about(self.level + offs[group]);
            let label = (groups > 1).then(|| format!("day {group}"));
            self.add(value, Labels { group: label, ..Labels::default() });
        }
    }

    fn plain(&mut self, level: f64) {
        for _ in 0..self.dice.count(3, 12) {
            let value = self.about(level);
            self.add(value, Labels::default());
        }
    }

    fn certified(&mut self) {
        let reference = self.about(self.level);
        self.design.reference = Some(decimal(reference, 4));
        self.design.reference_u = Some(decimal(self.scatter, 5));
        self.known_sd();
        self.plain(self.level);
    }

    fn known_sd(&mut self) {
        self.design.known_sd = Some(decimal(self.scatter * self.dice.between(0.7, 1.5), 6));
        let dof = self.dice.between(4.0, 60.0);
        self.design.known_sd_df = (self.dice.share() < 0.7).then(|| decimal(dof, 1));
    }

    fn near_zero(&mut self) {
        self.design.routine_replicates = (self.dice.share() < 0.7).then_some(2);
        self.design.routine_blanks = (self.dice.share() < 0.5).then_some(3);
        self.design.quantification_factor = (self.dice.share() < 0.5).then(|| decimal(6.0, 1));
        if self.kind == Kind::Detection {
            return self.plain(0.0);
        }
        self.design.titre_ml = Some(decimal(20.0, 1));
        self.design.titre_u_ml = Some(decimal(0.02, 3));
        for total in [20.0, 60.0, 100.0] {
            for _ in 0..self.dice.count(2, 5) {
                let value = self.about(0.0);
                self.add(value, Labels { taken: Some(decimal(total, 0)), ..Labels::default() });
            }
        }
    }

    fn line(&mut self) {
        let mut taken: Vec<f64> = (1..=self.dice.count(3, 6)).map(|level| self.level * level as f64 / 4.0).collect();
        taken.extend_from_within(..2);
        for taken in taken {
            let value = self.about(taken * 1.002 + 0.01 * self.level);
            self.add(value, Labels { taken: Some(decimal(taken, 3)), ..Labels::default() });
        }
    }

    fn storages(&mut self) {
        self.design.holding_hours = Some(decimal(48.0, 0));
        self.interval_limit(Statistic::RelativeChange, 1.0);
        let storages = if self.dice.share() < 0.3 { vec![None] } else { vec![Some("cold"), Some("warm")] };
        for hours in [0.0, 12.0, 24.0, 48.0, 72.0] {
            for storage in &storages {
                let value = self.about(self.level * (1.0 - hours * 1e-4));
                let group = storage.map(str::to_owned);
                self.add(value, Labels { hours: Some(decimal(hours, 0)), group, ..Labels::default() });
            }
        }
    }

    fn runs(&mut self) {
        self.known_sd();
        let factor = |at: u8| Factor { name: format!("factor {at}"), low: "low".to_owned(), high: "high".to_owned() };
        self.design.factors = (1..=7).map(factor).collect();
        for run in 1..=8 {
            for _ in 0..self.dice.count(1, 2) {
                let value = self.about(self.level);
                self.add(value, Labels { run: Some(run), ..Labels::default() });
            }
        }
    }

    fn of_pair(&mut self, pair: usize, arm: &str, (value, added): (f64, Option<f64>), group: Option<&str>) {
        self.add(
            value,
            Labels {
                pair: Some(format!("pair {pair}")),
                arm: Some(arm.to_owned()),
                added: added.map(|added| decimal(added, 2)),
                group: group.map(str::to_owned),
                ..Labels::default()
            },
        );
    }

    fn additions(&mut self) {
        for pair in 0..self.dice.count(2, 5) {
            let added = [self.level / 2.0, self.level][self.dice.count(0, 1)].max(0.01);
            let added = decimal(added, 2).value();
            for _ in 0..self.dice.count(1, 3) {
                let value = self.about(self.level);
                self.of_pair(pair, "unspiked", (value, None), None);
            }
            for _ in 0..self.dice.count(1, 3) {
                let value = self.about(self.level + added);
                self.of_pair(pair, "spiked", (value, Some(added)), None);
            }
        }
    }

    fn interferents(&mut self) {
        let margin = if self.dice.share() < 0.5 { Statistic::RelativeDifference } else { Statistic::Difference };
        self.interval_limit(margin, 0.5);
        for group in ["copper", "vanadium"] {
            for pair in 0..self.dice.count(2, 6) {
                for arm in ["with", "without"] {
                    let value = self.about(self.level);
                    self.of_pair(pair, arm, (value, None), Some(group));
                }
            }
        }
    }

    fn methods(&mut self) {
        self.design.variance_ratio = (self.dice.share() < 0.5).then(|| decimal(1.5, 1));
        self.interval_limit(Statistic::MeanDifference, 0.5);
        for pair in 0..self.dice.count(4, 9) {
            let level = self.level * (1.0 + pair as f64 / 3.0);
            for arm in ["reference", "new"] {
                for _ in 0..self.dice.count(1, 2) {
                    let value = self.about(level);
                    self.of_pair(pair, arm, (value, None), None);
                }
            }
        }
    }

    fn arms(&mut self) {
        self.unit = DataUnit::Percent;
        for arm in ["bias", "within-laboratory", "reference", "bottom-up"] {
            for _ in 0..self.dice.count(1, 5) {
                let value = self.about(0.3 * self.scatter).abs() + if arm == "bias" { 0.0 } else { 0.01 };
                self.add(value, Labels { arm: Some(arm.to_owned()), ..Labels::default() });
            }
        }
    }

    fn of(kind: Kind, round: u64) -> Self {
        let mut made = Self::new(kind, round);
        match kind {
            Kind::Repeatability => {
                let groups = made.dice.count(1, 3);
                made.groups(groups);
            }
            Kind::IntermediatePrecision => {
                let groups = made.dice.count(2, 7);
                made.groups(groups);
            }
            Kind::Trueness | Kind::Competence => made.certified(),
            Kind::Detection | Kind::DetectionByDifference => made.near_zero(),
            Kind::Linearity => made.line(),
            Kind::Stability => made.storages(),
            Kind::Ruggedness => made.runs(),
            Kind::Recovery => made.additions(),
            Kind::Selectivity => made.interferents(),
            Kind::MethodComparison => made.methods(),
            Kind::Uncertainty => made.arms(),
        }
        made
    }
}

/// Data of a sheet, by their rows.
struct Data<'a>(&'a [&'a Point]);

impl Numbers for Data<'_> {
    fn number(&self, column: Column, row: usize) -> Option<f64> {
        let point = self.0.get(row.checked_sub(FIRST)?)?;
        let label = |of: &Option<Decimal>| of.as_ref().map(Decimal::value);
        match column {
            Column::Value => Some(point.value),
            Column::Uncertainty => point.u,
            Column::Taken => label(&point.labels.taken),
            Column::Added => label(&point.labels.added),
            Column::Hours => label(&point.labels.hours),
            Column::Derived(_) => None,
        }
    }
}

/// Compares every figure of the service with its expression, and both ends of its interval; which statistics were there.
fn compared(made: &Made) -> BTreeSet<&'static str> {
    let points: Vec<&Point> = made.points.iter().collect();
    let planned_n = i32::try_from(points.len()).unwrap();
    let question = Question { kind: made.kind, unit: made.unit, design: &made.design, planned_n, limits: &made.limits };
    let found = study(question, &points);
    let (points, spans) = sorted(made.kind, points, FIRST);
    let last = FIRST + points.len() - 1;
    let letters =
        HashMap::from([(Column::Uncertainty, 'B'), (Column::Taken, 'C'), (Column::Added, 'D'), (Column::Hours, 'E')]);
    let block = Block { first: FIRST, last, spans, letters, free: last + 4 };
    let cells = places::expressions(&question, &block, &points);
    let data = Data(&points);
    let evaluation = Evaluation::new(&cells, &data);
    for statistic in &found.statistics {
        let (name, of) = (statistic.name, statistic.of.as_deref());
        let estimate = cells.get(name, of).unwrap_or_else(|| panic!("{} {name:?} {of:?}", made.kind.text()));
        let ends = |low: bool| statistic.interval.map(|interval| if low { interval.low } else { interval.high });
        let interval = estimate.interval.as_ref();
        for (formula, expected) in [
            (Some(&estimate.value), Some(statistic.value)),
            (interval.map(|(low, _)| low), ends(true)),
            (interval.map(|(_, high)| high), ends(false)),
        ] {
            let Some(expected) = expected else { continue };
            let formula = formula.unwrap_or_else(|| panic!("{name:?} {of:?} has no interval"));
            let value = evaluation.value(formula);
            // Differences near zero are as exact as the data, some 1e-15 of them.
            let allowed = 1e-9 * expected.abs() + 1e-13 * made.level;
            let words = format!("{} {name:?} {of:?}: {value} is not {expected}", made.kind.text());
            assert!((value - expected).abs() <= allowed, "{words}, ={}", formula.formula());
        }
    }
    found.statistics.iter().map(|statistic| statistic.name.key()).collect()
}

#[test]
fn every_expression_has_the_value_that_the_service_reports() {
    let mut all = BTreeSet::new();
    for kind in Kind::ALL {
        let found: BTreeSet<&str> = (0..ROUNDS).flat_map(|round| compared(&Made::of(kind, round))).collect();
        let expected: BTreeSet<&str> = kind.statistics().iter().map(|statistic| statistic.key()).collect();
        assert!(expected.is_subset(&found), "{}: {found:?} of {expected:?}", kind.text());
        all.extend(found);
    }
    assert_eq!(all.len(), Statistic::ALL.len());
}

#[test]
fn margins_are_the_first_limit_on_a_whole_interval_as_the_service_takes_them() {
    let mut made = Made::new(Kind::MethodComparison, 1);
    // A second limit on the same statistic is no margin, nor is one with an open end.
    made.interval_limit(Statistic::MeanDifference, 0.5);
    made.interval_limit(Statistic::MeanDifference, 0.1);
    made.methods();
    assert!(compared(&made).contains(Statistic::EquivalenceP.key()));
    made.limits[0].upper = None;
    assert!(!compared(&made).contains(Statistic::EquivalenceP.key()));
}
