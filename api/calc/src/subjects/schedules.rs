//! Planning at the bench: how often a titrant is standardised, and which aliquot iron(III) by difference needs.

use ferrotitre_core::chemistry;
use ferrotitre_core::control::interval::{self as core, Costs, Growth, Schedule};
use ferrotitre_core::uncertainty::{Input, Inputs};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::subject::{Calculation, Outcome, Place};
use ferrotitre_base::refusal::Refusal;

fn ten() -> u32 {
    10
}

/// How a titrant changes, what is allowed, and what standardisations cost. All in per cent of the concentration.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StandardisationIntervalInput {
    /// Standard uncertainty that every standardisation leaves: standard, glassware, balance.
    fixed: f64,
    /// Repeatability standard deviation of a replicate.
    repeatability: f64,
    /// Steady drift per day, its size.
    #[serde(default)]
    drift_per_day: f64,
    /// Variance that a random walk adds per day, per cent squared.
    #[serde(default)]
    walk_per_day: f64,
    /// Largest standard uncertainty of the factor that is allowed.
    budget: f64,
    /// Cost of a standardisation, whatever its replicates.
    cost_each: f64,
    /// Cost of a replicate.
    cost_replicate: f64,
    /// Most replicates, up to 100.
    #[serde(default = "ten")]
    #[schema(default = 10)]
    most_replicates: u32,
}

/// A way to do it.
#[derive(Debug, Serialize, ToSchema)]
pub struct ScheduleFigures {
    /// Replicates of each standardisation.
    replicates: u32,
    /// Days between standardisations; null where nothing changes.
    days: Option<f64>,
    /// Standard uncertainty just after one, per cent.
    at_start: f64,
    /// Share of the variance that drift and walk have at the end of the interval.
    share_of_growth: f64,
    /// Cost a year.
    cost_a_year: f64,
}

/// Ways to do it.
#[derive(Debug, Serialize, ToSchema)]
pub struct StandardisationIntervalFigures {
    /// The cheapest a year; null where no number of replicates meets the budget.
    cheapest: Option<ScheduleFigures>,
    /// By number of replicates, those that meet the budget.
    schedules: Vec<ScheduleFigures>,
}

fn shown(schedule: Schedule) -> ScheduleFigures {
    ScheduleFigures {
        replicates: schedule.replicates,
        days: schedule.days.is_finite().then_some(schedule.days),
        at_start: schedule.at_start,
        share_of_growth: schedule.share_of_growth,
        cost_a_year: schedule.cost_a_year,
    }
}

impl Calculation for StandardisationIntervalInput {
    const NAME: &'static str = "standardisation-interval";
    const SUMMARY: &'static str = "longest time between standardisations that keeps a budget, at the least cost a year";
    const METHOD: &'static str = "u^2 = fixed^2 + s^2/n + (b t)^2/3 + q t, solved for t for each number of replicates";
    const SOURCE: &'static str = "JCGM 100:2008, F.2.4.5; ILAC-G24 / OIML D 10 for the aim";
    const EXAMPLE: &'static str = r#"{"fixed": 0.03, "repeatability": 0.08, "drift_per_day": 0.007, "budget": 0.1,
        "cost_each": 30, "cost_replicate": 10}"#;
    type Result = StandardisationIntervalFigures;

    fn calculate(self, _: Place) -> Result<Outcome<StandardisationIntervalFigures>, Refusal> {
        if !(1..=100).contains(&self.most_replicates) {
            return Err(Refusal::invalid("most_replicates", "range", "must be from 1 to 100", self.most_replicates));
        }
        let growth = Growth {
            fixed: self.fixed,
            repeatability: self.repeatability,
            drift_per_day: self.drift_per_day,
            walk_per_day: self.walk_per_day,
        };
        let costs = Costs { each: self.cost_each, replicate: self.cost_replicate };
        let mut schedules = Vec::new();
        for replicates in 1..=self.most_replicates {
            schedules.extend(core::schedule(growth, costs, replicates, self.budget)?.map(shown));
        }
        let cheapest = core::cheapest(growth, costs, self.most_replicates, self.budget)?.map(shown);
        let detail = match &cheapest {
            Some(found) => format!("{} replicates, {} a year", found.replicates, found.cost_a_year),
            None => "a fresh standardisation already exceeds it".to_owned(),
        };
        let met = cheapest.is_some();
        let rule = format!("u of the factor within {} %", self.budget);
        Ok(Outcome::of(StandardisationIntervalFigures { cheapest, schedules }).judged(rule, met, detail))
    }
}

/// An aliquot that could be taken.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AliquotInput {
    /// Volume, mL.
    ml: f64,
    /// Standard uncertainty, mL.
    #[serde(default)]
    u_ml: f64,
}

fn ratios() -> Vec<f64> {
    vec![0.0, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99]
}

fn window() -> [f64; 2] {
    [30.0, 45.0]
}

fn one() -> f64 {
    1.0
}

/// A total iron, the titrant, and the aliquots at hand.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Iron3PlanInput {
    /// Total iron expected, g/L.
    total: f64,
    /// Electrons per formula unit of the titrant.
    electrons: u32,
    /// Concentration of the titrant, mol/L.
    concentration: f64,
    /// Relative standard uncertainty of the titrant's concentration.
    #[serde(default)]
    relative_u_concentration: f64,
    /// Dilution before the aliquot: final over initial volume.
    #[serde(default = "one")]
    #[schema(default = 1.0)]
    dilution: f64,
    /// Relative standard uncertainty of the dilution.
    #[serde(default)]
    relative_u_dilution: f64,
    /// Aliquots.
    aliquots: Vec<AliquotInput>,
    /// Standard uncertainty of a titre, mL: scatter over the root of the replicates, end point.
    u_titre_ml: f64,
    /// Shares of iron(II) in total iron at which u is wanted.
    #[serde(default = "ratios")]
    ratios: Vec<f64>,
    /// Titres that are wanted for total iron, mL.
    #[serde(default = "window")]
    titre_ml: [f64; 2],
}

/// Iron(III) at one share of iron(II).
#[derive(Debug, Serialize, ToSchema)]
pub struct Iron3AtRatio {
    /// Iron(II) over total iron.
    ratio: f64,
    /// Iron(III), g/L.
    iron3: f64,
    /// Standard uncertainty, g/L.
    u: f64,
    /// The same over the value; null where there is no iron(III).
    relative_u: Option<f64>,
    /// Standard uncertainty if the two titrations were taken as independent, g/L: wrong.
    u_if_independent: f64,
}

/// An aliquot and what it brings.
#[derive(Debug, Serialize, ToSchema)]
pub struct AliquotFigures {
    /// Volume, mL.
    ml: f64,
    /// Titre of total iron, mL.
    titre_ml: f64,
    /// Whether that titre is among those wanted.
    wanted: bool,
    /// u against the share of iron(II).
    map: Vec<Iron3AtRatio>,
}

/// Aliquots.
#[derive(Debug, Serialize, ToSchema)]
pub struct Iron3PlanFigures {
    /// The aliquot, of those with a wanted titre, with the least u where there is no iron(II); null where none has one.
    best_ml: Option<f64>,
    /// Aliquot that would bring the titre to the middle of those wanted, mL.
    ideal_ml: f64,
    /// All aliquots.
    aliquots: Vec<AliquotFigures>,
}

impl Iron3PlanInput {
    fn checked(&self) -> Result<(), Refusal> {
        for (field, value) in [
            ("total", self.total),
            ("concentration", self.concentration),
            ("dilution", self.dilution),
            ("titre_ml", self.titre_ml[0]),
        ] {
            if !(value > 0.0 && value < 1e9) {
                return Err(Refusal::invalid(field, "range", "must be greater than 0, and below 1e9", value));
            }
        }
        for (field, value) in [
            ("u_titre_ml", self.u_titre_ml),
            ("relative_u_concentration", self.relative_u_concentration),
            ("relative_u_dilution", self.relative_u_dilution),
        ] {
            if !(0.0..1e9).contains(&value) {
                return Err(Refusal::invalid(field, "range", "must be 0 or more, and below 1e9", value));
            }
        }
        if !(1..=10).contains(&self.electrons) {
            return Err(Refusal::invalid("electrons", "range", "must be from 1 to 10", self.electrons));
        }
        if self.titre_ml[1] <= self.titre_ml[0] {
            return Err(Refusal::invalid("titre_ml", "order", "the second must be the larger", self.titre_ml[1]));
        }
        if let Some((at, bad)) = self.ratios.iter().enumerate().find(|(_, ratio)| !(0.0..=1.0).contains(*ratio)) {
            return Err(Refusal::invalid(&format!("ratios[{at}]"), "range", "must be from 0 to 1", bad));
        }
        let bad =
            |aliquot: &AliquotInput| !(aliquot.ml > 0.0 && aliquot.ml < 1e6 && (0.0..1e6).contains(&aliquot.u_ml));
        if let Some((at, found)) = self.aliquots.iter().enumerate().find(|(_, aliquot)| bad(aliquot)) {
            let message = "must be above 0 mL with a standard uncertainty of 0 or more";
            return Err(Refusal::invalid(&format!("aliquots[{at}]"), "range", message, found.ml));
        }
        if self.aliquots.is_empty() || self.aliquots.len().saturating_mul(self.ratios.len()) > 10_000 {
            return Err(Refusal::invalid("aliquots", "size", "must be at least one", self.aliquots.len()));
        }
        Ok(())
    }

    /// Titrant for total iron in an aliquot, mL.
    fn titre(&self, aliquot_ml: f64) -> f64 {
        let per_ml = f64::from(self.electrons) * self.concentration * chemistry::iron().value;
        self.total * aliquot_ml / (self.dilution * per_ml)
    }

    fn at_ratio(&self, aliquot: AliquotInput, ratio: f64) -> Result<Iron3AtRatio, Refusal> {
        let titre = self.titre(aliquot.ml);
        let mut inputs = Inputs::new();
        let mut add = |id: &str, value: f64, u: f64| inputs.add(Input::new(id, "", "", value, u));
        let c = add("concentration", self.concentration, self.relative_u_concentration * self.concentration)?;
        let dilution = add("dilution", self.dilution, self.relative_u_dilution * self.dilution)?;
        let taken = add("aliquot", aliquot.ml, aliquot.u_ml)?;
        let total = add("titre of total iron", titre, self.u_titre_ml)?;
        let ferrous = add("titre of iron(II)", ratio * titre, self.u_titre_ml)?;
        let factor = c * dilution * (f64::from(self.electrons) * chemistry::iron().value) / taken;
        let (total, ferrous) = (factor.clone() * total, factor * ferrous);
        let iron3 = &total - &ferrous;
        let u = inputs.standard_uncertainty(&iron3);
        let apart = inputs.standard_uncertainty(&total).hypot(inputs.standard_uncertainty(&ferrous));
        let value = iron3.value();
        Ok(Iron3AtRatio {
            ratio,
            iron3: value,
            u,
            relative_u: (ratio < 1.0).then(|| u / value),
            u_if_independent: apart,
        })
    }
}

impl Calculation for Iron3PlanInput {
    const NAME: &'static str = "iron3-plan";
    const SUMMARY: &'static str = "u of iron(III) by difference against the share of iron(II), and the aliquot to take";
    const METHOD: &'static str = "both titrations share titrant, dilution and pipette; titre = total V / (D z c M)";
    const SOURCE: &'static str = "JCGM 100:2008, equation (13) and F.1.2.3";
    const EXAMPLE: &'static str = r#"{"total": 129.45, "electrons": 6, "concentration": 0.016667, "relative_u_concentration": 0.001,
        "dilution": 25, "relative_u_dilution": 0.0008, "aliquots": [{"ml": 25, "u_ml": 0.015}, {"ml": 50, "u_ml": 0.02}],
        "u_titre_ml": 0.02}"#;
    type Result = Iron3PlanFigures;

    fn calculate(self, _: Place) -> Result<Outcome<Iron3PlanFigures>, Refusal> {
        self.checked()?;
        let [low, high] = self.titre_ml;
        let mut aliquots = Vec::new();
        for aliquot in &self.aliquots {
            let titre_ml = self.titre(aliquot.ml);
            let map =
                self.ratios.iter().map(|ratio| self.at_ratio(*aliquot, *ratio)).collect::<Result<_, Refusal>>()?;
            aliquots.push(AliquotFigures { ml: aliquot.ml, titre_ml, wanted: (low..=high).contains(&titre_ml), map });
        }
        let mut best: Option<(f64, f64)> = None;
        for aliquot in self.aliquots.iter().filter(|aliquot| (low..=high).contains(&self.titre(aliquot.ml))) {
            let u = self.at_ratio(*aliquot, 0.0)?.u;
            if best.is_none_or(|(_, least)| u < least) {
                best = Some((aliquot.ml, u));
            }
        }
        let best_ml = best.map(|(ml, _)| ml);
        let ideal_ml = 0.5 * (low + high) / self.titre(1.0);
        let detail = match best_ml {
            Some(ml) => format!("{ml} mL"),
            None => format!("none of the aliquots; {ideal_ml} mL would bring it to the middle"),
        };
        let rule = format!("titre of total iron from {low} to {high} mL");
        Ok(Outcome::of(Iron3PlanFigures { best_ml, ideal_ml, aliquots }).judged(rule, best_ml.is_some(), detail))
    }
}
