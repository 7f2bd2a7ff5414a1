//! What determinations of one method have shown of the random lines of its budget: scatter of titres within a determination, of
//! blanks within a run, of results of one sample.

use crate::control::budget::{self, Test};
use crate::control::drift::FactorPoint;
use crate::determination::blank::blank_volumes;
use crate::determination::evaluate::{Beside, EvaluationError, ResultOutcome, result_beside};
use crate::determination::facts::{Record, Rules};
use crate::determination::titre::Fate;
use crate::statistics::regression::StraightLine;
use crate::working::Sheet;

/// Fewest degrees of freedom that say anything of a budget; common practice, no source.
pub const FEWEST_DEGREES: usize = 8;

/// A standard deviation that was seen, beside the one that is claimed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Values behind it.
    pub values: usize,
    /// Degrees of freedom.
    pub degrees_of_freedom: usize,
    /// Pooled standard deviation: mL, or the unit of the result.
    pub seen: f64,
    /// What the budget claims, pooled in the same way.
    pub claimed: f64,
    /// Squares over claimed variances against chi-squared.
    pub test: Test,
}

/// What was seen, or that there is too little of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Evidence {
    /// Enough to hold the claim against.
    Seen(Seen),
    /// Fewer than [`FEWEST_DEGREES`] degrees of freedom.
    TooLittle {
        /// How many there are.
        degrees_of_freedom: usize,
    },
    /// The budget claims no standard deviation beforehand: each determination takes its own scatter.
    NoClaim,
}

/// Sums for a pooled standard deviation.
#[derive(Default)]
struct Pool {
    values: usize,
    degrees: usize,
    squares: f64,
    claimed: f64,
    statistic: f64,
}

impl Pool {
    /// Values about their own mean, each with a claimed standard deviation.
    fn add(&mut self, values: &[f64], claimed: f64) {
        let n = values.len();
        if n < 2 {
            return;
        }
        let mean = values.iter().sum::<f64>() / n as f64;
        let squares = values.iter().map(|value| (value - mean).powi(2)).sum();
        self.add_squares((n, n - 1), squares, claimed);
    }

    fn add_squares(&mut self, (values, degrees): (usize, usize), squares: f64, claimed: f64) {
        self.values += values;
        self.degrees += degrees;
        self.squares += squares;
        self.claimed += degrees as f64 * claimed * claimed;
        self.statistic += squares / (claimed * claimed);
    }

    fn evidence(&self) -> Evidence {
        let freedom = self.degrees as f64;
        if self.degrees < FEWEST_DEGREES {
            return Evidence::TooLittle { degrees_of_freedom: self.degrees };
        }
        match budget::scatter(self.statistic, freedom) {
            Ok(test) => Evidence::Seen(Seen {
                values: self.values,
                degrees_of_freedom: self.degrees,
                seen: (self.squares / freedom).sqrt(),
                claimed: (self.claimed / freedom).sqrt(),
                test,
            }),
            Err(_) => Evidence::NoClaim,
        }
    }
}

/// Standard deviation of a single titre or blank that the rules claim: that of the method, never less than the reading step allows.
fn claimed(rules: &Rules, resolution_ml: f64) -> Option<f64> {
    let (sigma, _) = rules.sigma_r_ml?;
    Some(sigma.max(resolution_ml / 6.0_f64.sqrt()))
}

/// Scatter of the accurate titres of each determination about their mean, against the repeatability of the method. Titres that were
/// rejected with a cause are left out; those that a rule did not use are not. A discordant determination claims the scatter that it
/// showed itself, and has no say here.
///
/// # Formula
/// χ² = Σ (V_ij - V_i)² / σ_r², with Σ (n_i - 1) degrees of freedom
///
/// # Source
/// Pooled variance: ISO 5725-2:2019, 7.4; test: NIST/SEMATECH e-Handbook, 7.2.3.
///
/// # Errors
/// A record that cannot be evaluated.
pub fn titres_seen(records: &[Record]) -> Result<Evidence, EvaluationError> {
    let mut pool = Pool::default();
    for record in records {
        let resolution = record.titrations.first().map_or(0.0, |titration| titration.burette.resolution_ml);
        let Some(claimed) = claimed(&record.rules, resolution) else { return Ok(Evidence::NoClaim) };
        let sheet = Sheet::lean();
        let Beside { titres, outcome, .. } = result_beside(&sheet, record)?;
        if outcome == ResultOutcome::Discordant {
            continue;
        }
        let counted = titres.iter().filter(|titre| matches!(titre.fate, Fate::Used | Fate::NotUsed));
        pool.add(&counted.map(|titre| titre.volume_ml).collect::<Vec<f64>>(), claimed);
    }
    Ok(pool.evidence())
}

/// Scatter of the blanks of each run about their mean, against the repeatability that the budget takes for a single blank. Records
/// that share their blanks are counted once.
///
/// # Source
/// As [`titres_seen`].
///
/// # Errors
/// A record that cannot be evaluated.
pub fn blanks_seen(records: &[Record]) -> Result<Evidence, EvaluationError> {
    let mut pool = Pool::default();
    let mut known: Vec<Vec<&str>> = Vec::new();
    for record in records {
        let blanks: Vec<&str> = record.blanks.iter().map(|blank| blank.id.as_str()).collect();
        if !record.rules.subtract_blank || blanks.is_empty() || known.contains(&blanks) {
            continue;
        }
        let resolution = record.blanks.first().map_or(0.0, |blank| blank.burette.resolution_ml);
        let Some(claimed) = claimed(&record.rules, resolution) else { return Ok(Evidence::NoClaim) };
        pool.add(&blank_volumes(record)?, claimed);
        known.push(blanks);
    }
    Ok(pool.evidence())
}

/// Scatter of the factors of a lot about the line they drift along, against their own uncertainties. What all standardisations
/// share, standard and burette, adds to u and not to the scatter, so that this errs towards leaving a factor alone.
///
/// # Formula
/// χ² = Σ (f_i - a - b t_i)² / u_i², of the line weighted by 1 / u_i², with n - 2 degrees of freedom
///
/// # Source
/// NIST/SEMATECH e-Handbook, 4.4.5.2 (weighted least squares) and 7.2.3.
#[must_use]
pub fn factors_seen(points: &[FactorPoint]) -> Evidence {
    let degrees_of_freedom = points.len().saturating_sub(2);
    if degrees_of_freedom < FEWEST_DEGREES {
        return Evidence::TooLittle { degrees_of_freedom };
    }
    let days: Vec<f64> = points.iter().map(|point| point.day).collect();
    let factors: Vec<f64> = points.iter().map(|point| point.factor).collect();
    let weights: Vec<f64> = points.iter().map(|point| 1.0 / (point.u * point.u)).collect();
    let freedom = degrees_of_freedom as f64;
    let line = StraightLine::fit(&days, &factors, Some(&weights)).ok();
    let tested = line.and_then(|line| Some((budget::scatter(line.residual_ss, freedom).ok()?, line)));
    match tested {
        Some((test, line)) => Evidence::Seen(Seen {
            values: points.len(),
            degrees_of_freedom,
            seen: (line.residuals.iter().map(|residual| residual * residual).sum::<f64>() / freedom).sqrt(),
            claimed: (points.iter().map(|point| point.u * point.u).sum::<f64>() / points.len() as f64).sqrt(),
            test,
        }),
        None => Evidence::NoClaim,
    }
}

/// Differences of two results of one sample from two test portions, against what the budget claims for the difference: what both
/// share, titrant, vessels, a blank, cancels.
///
/// # Formula
/// χ² = Σ d_i² / u²(d_i), with one degree of freedom for each pair; s = √(Σ d_i² / 2 n)
///
/// # Source
/// s from duplicates: NT TR 537 (edition 4), 5; u of a difference: JCGM 100:2008, 5.2 and F.1.2.3.
///
/// # Errors
/// A record that cannot be evaluated.
pub fn duplicates_seen(pairs: &[(Record, Record)]) -> Result<Evidence, EvaluationError> {
    let mut pool = Pool::default();
    for (first, second) in pairs {
        let sheet = Sheet::lean();
        let (one, other) = (result_beside(&sheet, first)?, result_beside(&sheet, second)?);
        let settled = [one.outcome, other.outcome].iter().all(|outcome| *outcome == ResultOutcome::Concordant);
        let (Some((a, _)), Some((b, _)), true) = (one.node, other.node, settled) else { continue };
        let difference = sheet.estimate(a - b);
        // Half of the variance of a difference is that of a single result.
        pool.add_squares((2, 1), difference.value().powi(2) / 2.0, difference.u() / 2.0_f64.sqrt());
    }
    Ok(pool.evidence())
}
