//! Several results together, with what they share: titrant, vessels, blanks of a run. What is made of them has the uncertainty that
//! is right for it.

use crate::determination::content::reported;
use crate::determination::evaluate::{EvaluationError, result_beside};
use crate::determination::facts::Record;
use crate::uncertainty::Coverage;
use crate::working::{Estimate, Handle, Identity, Sheet};

/// A result, or what is made of several.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// Value, standard uncertainty and degrees of freedom.
    pub estimate: Estimate,
    /// Expanded, by the rule of the first record.
    pub coverage: Coverage,
    /// Standard uncertainty if the results were independent: shown to warn, never used.
    pub u_if_independent: f64,
}

/// Results with everything between them.
#[derive(Debug, Clone, PartialEq)]
pub struct Joint {
    /// Results, in the order of the records.
    pub results: Vec<Combined>,
    /// Covariances, n x n, row by row in the order of the records.
    pub covariance: Vec<Vec<f64>>,
    /// Correlation coefficients, n x n; none where a result has no uncertainty.
    pub correlation: Vec<Vec<Option<f64>>>,
    /// What was asked for, in that order.
    pub combinations: Vec<Combined>,
}

/// Why results cannot be taken together.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum JointError {
    /// One has no result.
    #[error("not enough data: determination {at} of these has no result")]
    NoResult {
        /// Which, from 1.
        at: usize,
    },
    /// Two are not in the same unit.
    #[error("determination {at} of these is in {unit}, the first one in {first}")]
    UnitsDiffer {
        /// Which, from 1.
        at: usize,
        /// Its unit and substance.
        unit: String,
        /// Those of the first.
        first: String,
    },
    /// A combination of another number of results.
    #[error("{found} coefficients for {wanted} results")]
    Coefficients {
        /// How many were given.
        found: usize,
        /// How many results there are.
        wanted: usize,
    },
    /// One cannot be evaluated.
    #[error(transparent)]
    Evaluation(#[from] EvaluationError),
}

/// Evaluates records together; each combination is a coefficient for every record.
///
/// # Formula
/// y = Σ a_i x_i; U_x = C U_in Cᵀ with the exact derivatives of every result to every input; inputs of the same identity are one.
///
/// # Source
/// JCGM 102:2011, 6.2 and 7.7; JCGM 100:2008, 5.2 and F.1.2.3.
///
/// # Errors
/// [`JointError`].
pub fn joint(records: &[Record], combinations: &[Vec<f64>]) -> Result<Joint, JointError> {
    let named = |record: &Record| {
        let rule = record.rules.reporting;
        format!("{} as {:?}", rule.unit.symbol(), rule.expressed)
    };
    let sheet = Sheet::lean();
    let (mut nodes, mut agreed) = (Vec::with_capacity(records.len()), Vec::with_capacity(records.len()));
    for (at, record) in (1..).zip(records) {
        if let Some(first) = records.first().filter(|first| named(first) != named(record)) {
            return Err(JointError::UnitsDiffer { at, unit: named(record), first: named(first) });
        }
        let (node, least) = result_beside(&sheet, record)?.node.ok_or(JointError::NoResult { at })?;
        nodes.push(node);
        agreed.push((Identity::Repeatability(&record.id), least));
    }
    let Some(rule) = records.first().map(|record| record.rules.reporting) else {
        return Err(JointError::NoResult { at: 1 });
    };
    let apart: Vec<f64> = nodes.iter().map(|node| sheet.estimate(*node).u()).collect();
    let combined = |node: Handle<'_>, u_if_independent| {
        let estimate = sheet.estimate(node);
        // As a single result has it: never below that of titres that agreed.
        let of_agreed = sheet.estimate_with(node, &agreed);
        let reported = reported(&estimate, &of_agreed, &rule, None).map_err(EvaluationError::from)?;
        Ok::<_, JointError>(Combined { estimate, coverage: reported.coverage, u_if_independent })
    };
    let results = nodes.iter().zip(&apart).map(|(node, u)| combined(*node, *u)).collect::<Result<Vec<_>, _>>()?;
    let mut made = Vec::with_capacity(combinations.len());
    for coefficients in combinations {
        if coefficients.len() != nodes.len() {
            return Err(JointError::Coefficients { found: coefficients.len(), wanted: nodes.len() });
        }
        let parts: Vec<Handle<'_>> = nodes.iter().zip(coefficients).map(|(node, a)| *node * *a).collect();
        let squares = apart.iter().zip(coefficients).map(|(u, a)| (u * a).powi(2)).sum::<f64>();
        made.push(combined(sheet.sum(&parts), squares.sqrt())?);
    }
    let correlation: Vec<Vec<Option<f64>>> =
        nodes.iter().map(|a| nodes.iter().map(|b| sheet.correlation(*a, *b)).collect()).collect();
    let covariance = correlation
        .iter()
        .zip(&apart)
        .map(|(row, a)| row.iter().zip(&apart).map(|(r, b)| r.unwrap_or(0.0) * a * b).collect())
        .collect();
    Ok(Joint { results, covariance, correlation, combinations: made })
}
