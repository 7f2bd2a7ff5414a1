//! Data of a characteristic in the places that an expression wants them in, by the labels that the statistics go by.

use std::collections::HashMap;

use ferrotitre_base::ids::ValidationDatumId;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::validation::{
    Abscissa, Addition, DataUnit, NearZero, Pair, Places, Stated, Statistic, StudyData, expression,
};
use ferrotitre_core::working::{Fact, Index, Working};

use crate::validation_studies::answer::StudyStatistic;
use crate::validation_studies::kinds::{Design, Kind};
use crate::validation_studies::labels::Labels;
use crate::validation_studies::statistics::{Point, grouped};
use crate::validation_studies::store::{CharacteristicRow, DatumRow};

/// A datum with its digits.
pub(super) struct Held {
    datum: ValidationDatumId,
    id: String,
    index: Index,
    value: Decimal,
    u: Option<Decimal>,
    labels: Labels,
}

impl Held {
    pub(super) fn of(row: DatumRow) -> Self {
        Self {
            datum: row.id,
            id: row.id.to_string(),
            index: Index::Number(row.position.unsigned_abs()),
            value: row.value,
            u: row.standard_uncertainty,
            labels: row.labels.0,
        }
    }

    fn stated<'a>(&'a self, number: &'a Decimal, field: &'static str) -> Stated<'a> {
        let fact = Fact { kind: "validation_data", id: &self.id, field };
        Stated { reading: number.reading(), fact, index: self.index }
    }

    fn value(&self) -> Stated<'_> {
        self.stated(&self.value, "value")
    }

    fn label<'a>(&'a self, number: Option<&'a Decimal>) -> Option<Stated<'a>> {
        number.map(|number| self.stated(number, "labels"))
    }
}

/// Data that count, and the plan.
pub(super) struct Layout<'a> {
    kind: Kind,
    unit: DataUnit,
    design: &'a Design,
    points: &'a [&'a Point],
    held: HashMap<ValidationDatumId, &'a Held>,
    /// Identity of the characteristic.
    plan: String,
    replicates: Option<Decimal>,
    blanks: Option<Decimal>,
}

/// A whole number with its digits.
fn whole(number: Option<u32>) -> Option<Decimal> {
    number.and_then(|number| number.to_string().parse().ok())
}

impl<'a> Layout<'a> {
    pub(super) fn new(
        row: &'a CharacteristicRow,
        (kind, unit): (Kind, DataUnit),
        (points, held): (&'a [&'a Point], &'a [Held]),
    ) -> Self {
        let design = &row.design.0;
        Self {
            kind,
            unit,
            design,
            points,
            held: held.iter().map(|one| (one.datum, one)).collect(),
            plan: row.id.to_string(),
            replicates: whole(design.routine_replicates),
            blanks: whole(design.routine_blanks),
        }
    }

    /// The working of a statistic of the answer; none where it has no closed form.
    pub(super) fn working(
        &self,
        statistic: Statistic,
        (of, factor): (Option<&str>, usize),
        answer: &[StudyStatistic],
    ) -> Option<Working> {
        let places = statistic.has_expression().then(|| self.places(statistic, (of, factor), answer))??;
        expression(statistic, &StudyData { unit: self.unit, places })
    }

    fn planned<'s>(&'s self, number: Option<&'s Decimal>) -> Option<Stated<'s>> {
        let fact = Fact { kind: "validation_characteristics", id: &self.plan, field: "design" };
        number.map(|number| Stated { reading: number.reading(), fact, index: Index::Only })
    }

    fn of(&self, points: &[&Point]) -> Vec<&Held> {
        points.iter().filter_map(|point| self.held.get(&point.id).copied()).collect()
    }

    fn values(&self, points: &[&Point]) -> Vec<Stated<'_>> {
        self.of(points).into_iter().map(Held::value).collect()
    }

    /// Points with a label of that text; all of them where none is asked for.
    fn labelled(&self, label: impl Fn(&Labels) -> Option<String>, of: Option<&str>) -> Vec<&'a Point> {
        let wanted = |point: &&&'a Point| label(&point.labels).unwrap_or_default() == of.unwrap_or_default();
        self.points.iter().filter(wanted).copied().collect()
    }

    fn places(
        &self,
        statistic: Statistic,
        (of, factor): (Option<&str>, usize),
        answer: &[StudyStatistic],
    ) -> Option<Places<'_>> {
        let group = |labels: &Labels| labels.group.clone();
        Some(match self.kind {
            Kind::Repeatability | Kind::IntermediatePrecision => {
                let groups = grouped(self.points, |point| point.labels.group.clone());
                Places::Groups(groups.iter().map(|(_, group)| self.values(group)).collect())
            }
            Kind::Trueness | Kind::Competence => Places::Certified {
                values: self.values(self.points),
                reference: self.planned(self.design.reference.as_ref())?,
                u: self.planned(self.design.reference_u.as_ref())?,
                method_sd: self.planned(self.design.known_sd.as_ref()),
            },
            Kind::Recovery => Places::Additions(self.additions(of)),
            Kind::Linearity => self.line(Abscissa::Taken, self.points),
            Kind::Stability => self.line(Abscissa::Hours, &self.labelled(group, of)),
            Kind::Detection => Places::NearZero(Box::new(self.near_zero(self.points, false))),
            Kind::DetectionByDifference if statistic == Statistic::SdNearZeroSlope => {
                let with_s0 = |level: &str| {
                    let same = |one: &&StudyStatistic| one.name == Statistic::SdNearZeroAt;
                    answer.iter().filter(same).any(|one| one.of.as_deref() == Some(level))
                };
                let levels = grouped(self.points, |point| point.labels.taken.as_ref().map(ToString::to_string));
                let levels = levels.iter().filter(|(level, _)| with_s0(level));
                Places::Totals(levels.filter_map(|(_, group)| Some((self.total(group)?, self.values(group)))).collect())
            }
            Kind::DetectionByDifference => {
                let taken = |labels: &Labels| labels.taken.as_ref().map(ToString::to_string);
                Places::NearZero(Box::new(self.near_zero(&self.labelled(taken, of), true)))
            }
            Kind::Ruggedness => {
                let run = |number: i32| -> Vec<&Point> {
                    self.points.iter().filter(|point| point.labels.run == Some(number)).copied().collect()
                };
                Places::Runs((1..=8).map(|number| self.values(&run(number))).collect(), factor)
            }
            Kind::Selectivity => Places::Pairs(self.pairs(&self.labelled(group, of)), None),
            Kind::MethodComparison => {
                Places::Pairs(self.pairs(self.points), self.planned(self.design.variance_ratio.as_ref()))
            }
            Kind::Uncertainty => {
                let arm = |name: &str| self.values(&self.labelled(|labels| labels.arm.clone(), Some(name)));
                Places::Arms(["bottom-up", "within-laboratory", "bias", "reference"].map(arm))
            }
        })
    }

    fn line(&self, x: Abscissa, points: &[&Point]) -> Places<'_> {
        let place = |held: &'a Held| {
            let labels = &held.labels;
            let axis = match x {
                Abscissa::Taken => labels.taken.as_ref(),
                Abscissa::Hours => labels.hours.as_ref(),
            };
            Some((held.label(axis)?, held.value()))
        };
        let points = points.iter().filter_map(|point| self.held.get(&point.id).copied()).filter_map(place).collect();
        Places::Line { x, points, holding: self.planned(self.design.holding_hours.as_ref()) }
    }

    fn total(&self, points: &[&Point]) -> Option<Stated<'_>> {
        let first = self.of(points).into_iter().next()?;
        first.label(first.labels.taken.as_ref())
    }

    fn near_zero(&self, points: &[&Point], at_a_total: bool) -> NearZero<'_> {
        let all: Option<Vec<Stated<'_>>> = self
            .of(points)
            .into_iter()
            .map(|held| Some(held.stated(held.u.as_ref()?, "standard_uncertainty")))
            .collect();
        let design = self.design;
        NearZero {
            values: self.values(points),
            uncertainties: all.unwrap_or_default(),
            total: self.total(points).filter(|_| at_a_total),
            replicates: self.planned(self.replicates.as_ref()),
            blanks: self.planned(self.blanks.as_ref()),
            factor: self.planned(design.quantification_factor.as_ref()),
            titre: self.planned(design.titre_ml.as_ref()).zip(self.planned(design.titre_u_ml.as_ref())),
        }
    }

    /// Both arms of every pair that has both.
    fn arms<'p>(&self, points: &[&'p Point]) -> Vec<(Vec<&'p Point>, Vec<&'p Point>)> {
        let names = self.kind.arms();
        let arm = |members: &[&'p Point], at: usize| -> Vec<&'p Point> {
            let wanted = names.get(at).copied();
            members.iter().filter(|point| point.labels.arm.as_deref() == wanted).copied().collect()
        };
        let pairs = grouped(points, |point| point.labels.pair.clone()).into_iter();
        let pairs = pairs.map(|(_, members)| (arm(&members, 0), arm(&members, 1)));
        pairs.filter(|(first, second)| !first.is_empty() && !second.is_empty()).collect()
    }

    fn pairs(&self, points: &[&Point]) -> Vec<Pair<'_>> {
        let pairs = self.arms(points).into_iter();
        pairs.map(|(first, second)| Pair { first: self.values(&first), second: self.values(&second) }).collect()
    }

    /// Additions, or those of one amount.
    fn additions(&self, of: Option<&str>) -> Vec<Addition<'_>> {
        let mut found = Vec::new();
        for (unspiked, spiked) in self.arms(self.points) {
            for one in self.of(&spiked) {
                let Some(added) = one.labels.added.as_ref().filter(|added| added.value() > 0.0) else { continue };
                if of.is_none_or(|of| added.to_string() == of) {
                    let added = one.stated(added, "labels");
                    found.push(Addition { spiked: one.value(), unspiked: self.values(&unspiked), added });
                }
            }
        }
        found
    }
}
