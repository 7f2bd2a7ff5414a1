//! Tails and quantiles of distributions.

use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_core::statistics::agreement::StudentisedRange;
use ferrotitre_core::statistics::distribution::{Beta, Binomial, ChiSquared, FisherF, Normal, StudentT};
use ferrotitre_core::statistics::noncentral_t::NoncentralT;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::subject::{Calculation, Outcome, Place};

/// Distributions by name.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DistributionName {
    /// Standard normal; no parameters.
    Normal,
    /// Student's t; parameters: degrees of freedom, and a noncentrality if there is one.
    T,
    /// Chi-squared; parameter: degrees of freedom.
    ChiSquare,
    /// F; parameters: degrees of freedom of numerator and denominator.
    F,
    /// Beta; parameters: the two shapes.
    Beta,
    /// Binomial; parameters: trials and probability.
    Binomial,
    /// Studentised range; parameters: number of values, degrees of freedom (left out: infinite).
    StudentisedRange,
}

/// A distribution and what is asked of it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DistributionInput {
    /// Distribution.
    distribution: DistributionName,
    /// Its parameters, in the order that its description names.
    #[serde(default)]
    parameters: Vec<f64>,
    /// Value whose tails are wanted.
    x: Option<f64>,
    /// Lower-tail probability whose quantile is wanted.
    p: Option<f64>,
    /// Upper-tail probability whose quantile is wanted: keeps its digits where 1 - p would not.
    upper_p: Option<f64>,
}

/// Tails and quantile.
#[derive(Debug, Default, Serialize, ToSchema)]
pub struct DistributionFigures {
    /// P(X <= x).
    lower_tail: Option<f64>,
    /// P(X > x), computed as such.
    upper_tail: Option<f64>,
    /// Density at x, or the probability of x for counts.
    density: Option<f64>,
    /// Value with the lower-tail probability asked for.
    quantile: Option<f64>,
    /// Value with the upper-tail probability asked for.
    upper_quantile: Option<f64>,
}

impl Calculation for DistributionInput {
    const NAME: &'static str = "distribution";
    const SUMMARY: &'static str = "tails and quantiles of normal, t, chi-square, F, beta, binomial, studentised range";
    const METHOD: &'static str = "incomplete beta and gamma functions, each tail by itself; quadrature for the range";
    const SOURCE: &'static str = "DLMF 8.4, 8.17";
    const EXAMPLE: &'static str = r#"{"distribution": "t", "parameters": [4], "x": 2.776, "upper_p": 0.025}"#;
    type Result = DistributionFigures;

    fn calculate(self, _: Place) -> Result<Outcome<DistributionFigures>, Refusal> {
        of(self.distribution, &self.parameters, (self.x, self.p, self.upper_p)).map(Outcome::of)
    }
}

impl DistributionFigures {
    /// Puts the figures together.
    fn new(tails: Option<(f64, f64, Option<f64>)>, quantile: Option<f64>, upper_quantile: Option<f64>) -> Self {
        let (lower_tail, upper_tail, density) = match tails {
            Some((lower, upper, density)) => (Some(lower), Some(upper), density),
            None => (None, None, None),
        };
        Self { lower_tail, upper_tail, density, quantile, upper_quantile }
    }

    /// An answer without any figure asks nothing.
    fn asked(self) -> Result<Self, Refusal> {
        if self.lower_tail.is_none() && self.quantile.is_none() && self.upper_quantile.is_none() {
            return Err(Refusal::new(Code::Invalid, "give x, p or upper_p").at("x", "required", ""));
        }
        Ok(self)
    }
}

type Asked = (Option<f64>, Option<f64>, Option<f64>);

macro_rules! figures {
    ($distribution:expr, $asked:expr) => {{
        let distribution = $distribution;
        let (x, p, upper_p) = $asked;
        let tails = x.map(|x| (distribution.cdf(x), distribution.sf(x), Some(distribution.pdf(x))));
        let quantile = p.map(|p| distribution.quantile(p)).transpose()?;
        let upper = upper_p.map(|p| distribution.upper_quantile(p)).transpose()?;
        DistributionFigures::new(tails, quantile, upper)
    }};
}

fn count(name: &str, value: f64, most: f64) -> Result<u64, Refusal> {
    if value.fract() == 0.0 && (0.0..=most).contains(&value) {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a whole number in range")]
        return Ok(value as u64);
    }
    Err(Refusal::invalid(name, "whole", format!("must be a whole number from 0 to {most}"), value))
}

fn binomial((trials, success): (f64, f64), (x, p, upper_p): Asked) -> Result<DistributionFigures, Refusal> {
    let distribution = Binomial::new(count("parameters[0]", trials, 1e9)?, success)?;
    let tails = x
        .map(|x| count("x", x, 1e9).map(|k| (distribution.cdf(k), distribution.sf(k), Some(distribution.pmf(k)))))
        .transpose()?;
    #[expect(clippy::cast_precision_loss, reason = "counts up to 1e9")]
    let quantile = p.map(|p| distribution.quantile(p)).transpose()?.map(|k| k as f64);
    #[expect(clippy::cast_precision_loss, reason = "counts up to 1e9")]
    let upper = upper_p.map(|p| distribution.upper_quantile(p)).transpose()?.map(|k| k as f64);
    Ok(DistributionFigures::new(tails, quantile, upper))
}

fn studentised_range(k: f64, degrees: f64, (x, p, upper_p): Asked) -> Result<DistributionFigures, Refusal> {
    let k = u32::try_from(count("parameters[0]", k, 1000.0)?).unwrap_or(u32::MAX);
    let distribution = StudentisedRange::new(k, degrees)?;
    let tails = x.map(|x| (distribution.cdf(x), distribution.sf(x), None));
    let quantile = p.map(|p| distribution.quantile(p)).transpose()?;
    let upper = upper_p.map(|p| distribution.upper_quantile(p)).transpose()?;
    Ok(DistributionFigures::new(tails, quantile, upper))
}

fn noncentral(degrees: f64, noncentrality: f64, (x, p, upper_p): Asked) -> Result<DistributionFigures, Refusal> {
    let distribution = NoncentralT::new(degrees, noncentrality)?;
    let tails = x.map(|x| (distribution.cdf(x), distribution.sf(x), None));
    let quantile = p.map(|p| distribution.quantile(p)).transpose()?;
    if let Some(p) = upper_p {
        return Err(Refusal::invalid("upper_p", "unsupported", "give p for a noncentral distribution", p));
    }
    Ok(DistributionFigures::new(tails, quantile, None))
}

/// Figures of the distribution asked for.
fn of(name: DistributionName, parameters: &[f64], asked: Asked) -> Result<DistributionFigures, Refusal> {
    let figures = match (name, parameters) {
        (DistributionName::Normal, []) => figures!(Normal, asked),
        (DistributionName::T, [degrees]) => figures!(StudentT::new(*degrees)?, asked),
        (DistributionName::T, [degrees, noncentrality]) => noncentral(*degrees, *noncentrality, asked)?,
        (DistributionName::ChiSquare, [degrees]) => figures!(ChiSquared::new(*degrees)?, asked),
        (DistributionName::F, [numerator, denominator]) => figures!(FisherF::new(*numerator, *denominator)?, asked),
        (DistributionName::Beta, [a, b]) => figures!(Beta::new(*a, *b)?, asked),
        (DistributionName::Binomial, [trials, success]) => binomial((*trials, *success), asked)?,
        (DistributionName::StudentisedRange, [k]) => studentised_range(*k, f64::INFINITY, asked)?,
        (DistributionName::StudentisedRange, [k, degrees]) => studentised_range(*k, *degrees, asked)?,
        _ => {
            let message = "normal takes none; t 1 or 2; chi-square 1; f, beta, binomial 2; studentised-range 1 or 2";
            return Err(Refusal::invalid("parameters", "length", message, parameters.len()));
        }
    };
    figures.asked()
}
