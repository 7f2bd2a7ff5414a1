//! What would lower the uncertainty of a determination: its record with other titres, blanks, vessels or runs, evaluated as if it
//! had been made so.

mod changed;
mod iron3;

use crate::determination::blank::usable;
use crate::determination::content;
use crate::determination::evaluate::{Beside, EvaluationError, ResultOutcome, result_beside};
use crate::determination::facts::{Burette, Record, Titration, Vessel};
use crate::determination::titre::Fate;
use crate::stop;
use crate::uncertainty::plan::{MOST_PLANS, Plan, combinations, turn};
use crate::working::{Identity, Sheet};
use changed::{copy, scale, taken, taken_after, with_burette, with_titrant, with_vessel};
pub use iron3::{Iron3At, iron3_map};

/// One thing done otherwise.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// So many accurate titres that count.
    Titres(usize),
    /// So many blanks in the run.
    Blanks(usize),
    /// Another burette, in all titrations and blanks, and what it holds, mL.
    Burette(Burette, f64),
    /// Another vessel at a place of the portion; the titre follows the amount of iron.
    Vessel(Place, Vessel),
    /// A titrant whose concentration is known so well: relative standard uncertainty, and its degrees of freedom.
    Titrant(f64, Option<f64>),
    /// The mean of so many determinations, each in a run of its own, with blanks and weighings of its own and the same vessels,
    /// burette and titrant.
    Runs(usize),
}

/// Where a vessel of a portion is used; the same one may be at several places.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Pipette of the sample.
    Sample,
    /// Pipette of a step of the dilution chain, from 0.
    Pipette(usize),
    /// Flask of a step, from 0.
    Flask(usize),
    /// Pipette of the titrated aliquot.
    Aliquot,
}

/// A way of doing a thing.
#[derive(Debug, Clone, PartialEq)]
pub struct Way {
    /// What it is called.
    pub label: String,
    /// What is then different; none for the present way.
    pub change: Option<Change>,
}

/// A thing that can be done in several ways.
#[derive(Debug, Clone, PartialEq)]
pub struct Choices {
    /// What it is called.
    pub name: String,
    /// The ways; the first is the present one.
    pub ways: Vec<Way>,
}

/// What acts cost, in whatever unit all costs are in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Costs {
    /// A run: what it takes to begin one.
    pub run: f64,
    /// A titration.
    pub titre: f64,
    /// A blank.
    pub blank: f64,
    /// Another titrant.
    pub titrant: f64,
}

/// What a determination would come to.
#[derive(Debug, Clone, PartialEq)]
pub struct Planned {
    /// Value in the reporting unit: as at present, but for the rounding of readings.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom.
    pub degrees_of_freedom: crate::uncertainty::DegreesOfFreedom,
    /// Expanded uncertainty, unrounded.
    pub expanded_uncertainty: f64,
    /// Titre less blank, mL.
    pub titre_ml: f64,
    /// Fillings of the burette for one titre.
    pub fillings: usize,
    /// What it costs.
    pub cost: f64,
}

/// Why a plan has no figures.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlanningError {
    /// No result to start from.
    #[error("not enough data: {0}")]
    Unsettled(String),
    /// A change of the amount in a back-titration, where a larger one lowers the titre.
    #[error("another vessel is not planned for a back-titration: its oxidant would have to change, too")]
    BackTitration,
    /// A count below the present one.
    #[error("{wanted} {what} are fewer than the {present} at present")]
    Fewer {
        /// What is counted.
        what: &'static str,
        /// How many were wanted.
        wanted: usize,
        /// How many there are.
        present: usize,
    },
    /// No blank to take as a pattern.
    #[error("the run has no blank that counts")]
    NoBlank,
    /// The method's rule does not use further titres.
    #[error("by the method's rule {used} titres count, not {wanted}")]
    NotCounted {
        /// How many would count.
        used: usize,
        /// How many were wanted.
        wanted: usize,
    },
    /// Without a repeatability of the method, one more titre has an unknown scatter.
    #[error("not enough data: the method states no repeatability, by which more titres could be judged beforehand")]
    NoRepeatability,
    /// More goes in than the flask holds.
    #[error("{pipette} mL do not go into a flask of {flask} mL")]
    DoesNotFit {
        /// Volume taken, mL.
        pipette: f64,
        /// Flask, mL.
        flask: f64,
    },
    /// A titre that needs more than one filling, where none is to.
    #[error("a titre of {titre:.2} mL takes more than one filling of a burette of {capacity} mL")]
    Refill {
        /// Reading, blank included, mL.
        titre: f64,
        /// Burette, mL.
        capacity: f64,
    },
    /// A place that the portion does not have.
    #[error("the portion has no vessel at this place: {0:?}")]
    NoVessel(Place),
    /// A cost that is no number.
    #[error("a cost must be a number, 0 or more, not {0}")]
    Cost(f64),
    /// Neither fewer than one run nor more than are planned.
    #[error("a mean of {0} runs is not planned (1 to 20)")]
    Runs(usize),
    /// More combinations than are compared.
    #[error("{found} combinations are more than {MOST_COMBINATIONS}")]
    TooMany {
        /// How many there are.
        found: usize,
    },
    /// The evaluation is refused.
    #[error(transparent)]
    Evaluation(#[from] EvaluationError),
}

/// Most combinations that are evaluated.
pub const MOST_COMBINATIONS: usize = 20_000;
const _: () = assert!(MOST_COMBINATIONS <= MOST_PLANS);
const MOST_RUNS: usize = 20;

/// Combinations of ways, and what was left out of them.
#[derive(Debug, Clone, PartialEq)]
pub struct Compared {
    /// Every combination that can be made, the present one first.
    pub plans: Vec<Plan>,
    /// How many cannot be made: what does not fit, or the rule of the method does not count.
    pub impossible: usize,
}

/// A determination that is to be improved.
#[derive(Debug)]
pub struct Planner<'r> {
    record: &'r Record,
    /// Positions of the titrations that count.
    used: Vec<usize>,
    /// Titre less blank of every titration, mL.
    net_ml: Vec<f64>,
    blanks: usize,
    burette: Capacity,
    costs: Costs,
}

/// What a burette holds, and whether it may be filled again for one titre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capacity {
    /// mL.
    pub ml: f64,
    /// Whether plans may take more than one filling for a titre.
    pub refills: bool,
}

impl<'r> Planner<'r> {
    /// Starts from a determination whose titres agree.
    ///
    /// # Errors
    /// [`PlanningError::Unsettled`] where there is no result or its titres disagree; a cost that is none.
    pub fn new(record: &'r Record, burette: Capacity, costs: Costs) -> Result<Self, PlanningError> {
        if let Some(wrong) = [costs.run, costs.titre, costs.blank, costs.titrant]
            .into_iter()
            .find(|cost| !(*cost >= 0.0 && cost.is_finite()))
        {
            return Err(PlanningError::Cost(wrong));
        }
        let sheet = Sheet::lean();
        let Beside { titres, outcome, node, .. } = result_beside(&sheet, record)?;
        if node.is_none() || outcome != ResultOutcome::Concordant {
            let why = match outcome {
                ResultOutcome::Discordant => "its titres disagree; find the cause first",
                _ => "the determination has no result yet",
            };
            return Err(PlanningError::Unsettled(why.to_owned()));
        }
        let used = (0..titres.len()).filter(|at| titres[*at].fate == Fate::Used).collect();
        let net_ml = titres.iter().map(|titre| titre.net_ml).collect();
        let blanks = if record.rules.subtract_blank { usable(record).len() } else { 0 };
        Ok(Self { record, used, net_ml, blanks, burette, costs })
    }

    /// Titres that count at present.
    #[must_use]
    pub fn titres(&self) -> usize {
        self.used.len()
    }

    /// Blanks that count at present; none where the method subtracts none.
    #[must_use]
    pub fn blanks(&self) -> usize {
        self.blanks
    }

    /// What the determination would come to with these changes.
    ///
    /// # Formula
    /// The evaluation of the record as it would be. More titres and blanks have the repeatability of the method; a larger aliquot
    /// has a titre that is as much larger; the mean of m runs shares what all have in common: JCGM 100:2008, F.1.2.3.
    ///
    /// # Source
    /// JCGM 100:2008, equations (10) and (G.2b), evaluated anew for every plan: nothing is linearised over the changes.
    ///
    /// # Errors
    /// A change that cannot be made; see [`PlanningError`].
    pub fn with(&self, changes: &[&Change]) -> Result<Planned, PlanningError> {
        let mut record = self.record.clone();
        let (mut titres, mut blanks, mut runs, mut other_titrant) = (self.titres(), self.blanks, 1, false);
        let mut capacity = self.burette;
        let before = taken(&record.portion)?;
        for change in changes {
            match change {
                Change::Titres(wanted) => titres = more("titres", *wanted, titres)?,
                Change::Blanks(wanted) => blanks = more("blanks", *wanted, blanks)?,
                Change::Burette(burette, holds) => {
                    with_burette(&mut record, burette);
                    capacity.ml = *holds;
                }
                Change::Vessel(place, by) => with_vessel(&mut record.portion, *place, by)?,
                Change::Titrant(relative_u, dof) => {
                    with_titrant(&mut record, *relative_u, *dof);
                    other_titrant = true;
                }
                Change::Runs(wanted @ 1..=MOST_RUNS) => runs = *wanted,
                Change::Runs(wanted) => return Err(PlanningError::Runs(*wanted)),
            }
        }
        // The present record is left as it is, down to its readings.
        if changes.iter().any(|change| matches!(change, Change::Vessel(..) | Change::Burette(..))) {
            let ratio = taken_after(&record.portion)? / before;
            scale(&mut record, &self.net_ml, ratio, capacity)?;
        }
        self.repeat(&mut record, titres, blanks)?;
        let of = evaluated(record, titres, runs)?;
        let Costs { run, titre, blank, titrant } = self.costs;
        let each = run + titre * titres as f64 + blank * blanks as f64;
        let cost = each * runs as f64 + if other_titrant { titrant } else { 0.0 };
        Ok(Planned { cost, ..of })
    }

    /// Adds titres like the one nearest to the mean, and blanks like the first.
    fn repeat(&self, record: &mut Record, titres: usize, blanks: usize) -> Result<(), PlanningError> {
        if titres > self.used.len() {
            if record.rules.sigma_r_ml.is_none() {
                return Err(PlanningError::NoRepeatability);
            }
            let mean = self.used.iter().map(|at| self.net_ml[*at]).sum::<f64>() / self.used.len() as f64;
            let off = |at: &usize| (self.net_ml[*at] - mean).abs();
            let nearest = self.used.iter().copied().min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or_default();
            for number in self.used.len()..titres {
                let mut another = record.titrations[nearest].clone();
                another.id = format!("{} again {number}", another.id);
                another.position = u32::try_from(record.titrations.len() + 1).unwrap_or(u32::MAX);
                record.titrations.push(another);
            }
        }
        if blanks > self.blanks {
            let pattern = usable(self.record).first().map(|blank| blank.id.clone()).ok_or(PlanningError::NoBlank)?;
            let pattern =
                record.blanks.iter().find(|blank| blank.id == pattern).cloned().ok_or(PlanningError::NoBlank)?;
            record.blanks.extend((self.blanks..blanks).map(|number| {
                let mut another = pattern.clone();
                another.id = format!("{} again {number}", another.id);
                another
            }));
        }
        Ok(())
    }

    /// Every combination of the ways that can be made, the present one first.
    ///
    /// # Errors
    /// More than [`MOST_COMBINATIONS`], or a present way that has no figures.
    pub fn compare(&self, acts: &[Choices]) -> Result<Compared, PlanningError> {
        let sizes: Vec<usize> = acts.iter().map(|act| act.ways.len().max(1)).collect();
        let found = combinations(&sizes);
        if found > MOST_COMBINATIONS {
            return Err(PlanningError::TooMany { found });
        }
        let mut compared = Compared { plans: Vec::with_capacity(found), impossible: 0 };
        let mut choices = vec![0; acts.len()];
        loop {
            stop::point();
            let changes: Vec<&Change> =
                acts.iter().zip(&choices).filter_map(|(act, way)| act.ways.get(*way)?.change.as_ref()).collect();
            match self.with(&changes) {
                Ok(of) => compared.plans.push(Plan {
                    choices: choices.clone(),
                    cost: of.cost,
                    value: of.value,
                    u: of.u,
                    degrees_of_freedom: of.degrees_of_freedom,
                    expanded_uncertainty: of.expanded_uncertainty,
                }),
                // What does not fit is no plan; the present way always is one.
                Err(_) if !compared.plans.is_empty() => compared.impossible += 1,
                Err(error) => return Err(error),
            }
            if !turn(&mut choices, &sizes) {
                return Ok(compared);
            }
        }
    }
}

/// What the mean of so many runs of a record comes to, its cost not yet known.
fn evaluated(record: Record, titres: usize, runs: usize) -> Result<Planned, PlanningError> {
    let reporting = (record.rules.reporting, record.rules.loq);
    let mut copies: Vec<Record> = (1..runs).map(|run| copy(&record, run)).collect();
    copies.push(record);
    let sheet = Sheet::lean();
    let (mut nodes, mut agreed) = (Vec::with_capacity(runs), Vec::with_capacity(runs));
    let (mut titre_ml, mut fillings) = (0.0, 1);
    for copy in &copies {
        let of = result_beside(&sheet, copy)?;
        let used: Vec<&Titration> = (of.titres.iter().zip(&copy.titrations))
            .filter(|(titre, _)| titre.fate == Fate::Used)
            .map(|(_, titration)| titration)
            .collect();
        if used.len() != titres {
            return Err(PlanningError::NotCounted { used: used.len(), wanted: titres });
        }
        let (node, least) = of.node.ok_or_else(|| PlanningError::Unsettled("the plan has no result".to_owned()))?;
        titre_ml = of.net_ml.unwrap_or_default();
        fillings = used.iter().map(|titration| titration.segments.len()).max().unwrap_or(1);
        nodes.push(node);
        agreed.push((Identity::Repeatability(&copy.id), least));
    }
    let node = if let [only] = nodes.as_slice() { *only } else { sheet.mean(&nodes) };
    let estimate = sheet.estimate(node);
    let reported = content::reported(&estimate, &sheet.estimate_with(node, &agreed), &reporting.0, reporting.1)
        .map_err(EvaluationError::from)?;
    Ok(Planned {
        value: estimate.value(),
        u: estimate.u(),
        degrees_of_freedom: estimate.degrees_of_freedom(),
        expanded_uncertainty: reported.coverage.expanded_uncertainty,
        titre_ml,
        fillings,
        cost: 0.0,
    })
}

fn more(what: &'static str, wanted: usize, present: usize) -> Result<usize, PlanningError> {
    if wanted < present {
        return Err(PlanningError::Fewer { what, wanted, present });
    }
    Ok(wanted)
}
