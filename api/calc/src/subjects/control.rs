//! Control charts: factors, limits, EWMA and CUSUM.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::control::Centre;
use ferrotitre_core::control::constants::Constants;
use ferrotitre_core::control::cusum::Cusum;
use ferrotitre_core::control::ewma::{Ewma, EwmaLimits};
use ferrotitre_core::control::limits::{self, Limits, Spread, SubgroupSpread};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::figures::control::{
    BaselineFigures, ConstantsFigures, CusumPointFigures, EwmaPointFigures, LimitsFigures, SiegmundLengthsFigures,
    SubgroupsFigures,
};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::Show;
use ferrotitre_base::core_refusals::Of;

/// A subgroup size.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ChartFactorsInput {
    /// Subgroup size, 2 or more.
    n: u32,
}

/// Factors of three-sigma limits.
#[derive(Debug, Serialize, ToSchema)]
#[expect(non_snake_case, reason = "the names of the factors in every book")]
pub struct ChartFactors {
    /// Mean and deviation of the range and mean of s, over sigma.
    basic: ConstantsFigures,
    /// Mean chart, sigma known: 3/sqrt n.
    A: f64,
    /// Mean chart from mean ranges.
    A2: f64,
    /// Mean chart from mean s.
    A3: f64,
    /// s chart from mean s, lower.
    B3: f64,
    /// s chart from mean s, upper.
    B4: f64,
    /// s chart, sigma known, lower.
    B5: f64,
    /// s chart, sigma known, upper.
    B6: f64,
    /// Range chart, sigma known, lower.
    D1: f64,
    /// Range chart, sigma known, upper: action limit.
    D2: f64,
    /// Range chart, sigma known, upper warning limit.
    range_upper_warning: f64,
    /// Range chart from mean ranges, lower.
    D3: f64,
    /// Range chart from mean ranges, upper.
    D4: f64,
    /// Individuals from mean ranges: 3/d2.
    E2: f64,
}

impl Calculation for ChartFactorsInput {
    const NAME: &'static str = "chart-factors";
    const SUMMARY: &'static str = "d2, d3, c4 and all chart factors of a subgroup size";
    const METHOD: &'static str = "quadrature of the range's distribution; ratio of gamma functions";
    const SOURCE: &'static str = "Tippett 1925; ISO 7870-2 for the names";
    const EXAMPLE: &'static str = r#"{"n": 2}"#;
    type Result = ChartFactors;

    fn calculate(self, _: Place) -> Result<Outcome<ChartFactors>, Refusal> {
        let basic = Constants::new(self.n).of("n")?;
        Ok(Outcome::of(ChartFactors {
            basic: basic.show(),
            A: basic.a(),
            A2: basic.a2(),
            A3: basic.a3(),
            B3: basic.b3(),
            B4: basic.b4(),
            B5: basic.b5(),
            B6: basic.b6(),
            D1: basic.d1(),
            D2: basic.range_upper_action(),
            range_upper_warning: basic.range_upper_warning(),
            D3: basic.range_lower_over_mean(),
            D4: basic.range_upper_over_mean(),
            E2: basic.e2(),
        }))
    }
}

/// How sigma is estimated.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum SpreadName {
    /// Standard deviation.
    #[default]
    #[serde(rename = "standard deviation")]
    StandardDeviation,
    /// Moving range of single values, or range of subgroups.
    #[serde(rename = "range")]
    Range,
}

/// A baseline of single values or of subgroups, or limits that are set.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ChartLimitsInput {
    /// Baseline of single values.
    values: Option<Vec<f64>>,
    /// Baseline of subgroups of one size.
    groups: Option<Vec<Vec<f64>>>,
    /// Centre line from a reference value; left out, the mean.
    reference: Option<f64>,
    /// How sigma is estimated.
    #[serde(default)]
    spread: SpreadName,
    /// Set limits: sigma of single values, with `reference` as the centre.
    sigma: Option<f64>,
    /// For set limits: subgroup size of mean, range and deviation charts.
    n: Option<u32>,
}

/// Limits that are set.
#[derive(Debug, Serialize, ToSchema)]
pub struct SetLimitsFigures {
    /// Chart of single values.
    individuals: LimitsFigures,
    /// Chart of means of n.
    means: Option<LimitsFigures>,
    /// Chart of ranges of n.
    ranges: Option<LimitsFigures>,
    /// Chart of standard deviations of n.
    deviations: Option<LimitsFigures>,
}

/// Limits of the charts asked for.
#[derive(Debug, Serialize, ToSchema)]
pub struct ChartLimitsFigures {
    /// Chart of single values from a baseline.
    individuals: Option<BaselineFigures>,
    /// Charts of subgroups from a baseline.
    subgroups: Option<SubgroupsFigures>,
    /// Limits that are set.
    set: Option<SetLimitsFigures>,
}

fn set_limits(centre: f64, sigma: f64, n: Option<u32>) -> Result<SetLimitsFigures, Refusal> {
    Ok(SetLimitsFigures {
        individuals: Limits::new(centre, sigma)?.show(),
        means: n.map(|n| Limits::of_means(centre, sigma, n)).transpose()?.show(),
        ranges: n.map(|n| Limits::of_ranges(sigma, n)).transpose()?.show(),
        deviations: n.map(|n| Limits::of_deviations(sigma, n)).transpose()?.show(),
    })
}

impl Calculation for ChartLimitsInput {
    const NAME: &'static str = "chart-limits";
    const SUMMARY: &'static str = "warning and action limits from a baseline, or from a set sigma";
    const METHOD: &'static str = "centre +- 2 and 3 sigma; ranges and deviations by their own factors";
    const SOURCE: &'static str = "ISO 7870-2; Nordtest TR 569 for the reference value as centre";
    const EXAMPLE: &'static str =
        r#"{"values": [52.31, 52.36, 52.30, 52.33, 52.35, 52.28, 52.34, 52.32, 52.37, 52.30], "reference": 52.33}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = ChartLimitsFigures;

    fn calculate(self, _: Place) -> Result<Outcome<ChartLimitsFigures>, Refusal> {
        let centre = self.reference.map_or(Centre::Mean, Centre::Reference);
        let mut figures = ChartLimitsFigures { individuals: None, subgroups: None, set: None };
        let mut preliminary = None;
        match (&self.values, &self.groups, self.sigma) {
            (Some(values), None, None) => {
                let spread = match self.spread {
                    SpreadName::StandardDeviation => Spread::StandardDeviation,
                    SpreadName::Range => Spread::MovingRange,
                };
                let baseline = limits::individuals(values, centre, spread)?;
                preliminary = Some((baseline.preliminary, baseline.n));
                figures.individuals = Some(baseline.show());
            }
            (None, Some(groups), None) => {
                let spread = match self.spread {
                    SpreadName::StandardDeviation => SubgroupSpread::StandardDeviation,
                    SpreadName::Range => SubgroupSpread::Range,
                };
                let found = limits::subgroups(groups, centre, spread).of("groups")?;
                preliminary = Some((found.preliminary, found.subgroups));
                figures.subgroups = Some(found.show());
            }
            (None, None, Some(sigma)) => {
                let centre = self
                    .reference
                    .ok_or_else(|| Refusal::invalid("reference", "required", "set limits need their centre", ""))?;
                figures.set = Some(set_limits(centre, sigma, self.n)?);
            }
            (values, ..) => {
                let given = if values.is_some() { "more than one" } else { "none" };
                return Err(Refusal::invalid("values", "one_of", "give values, groups or sigma", given));
            }
        }
        let outcome = Outcome::of(figures);
        Ok(match preliminary {
            Some((preliminary, n)) => {
                let finding = if preliminary { "query" } else { "met" };
                outcome.says(format!("{} points establish limits", limits::ESTABLISHED), finding, format!("{n} points"))
            }
            None => outcome,
        })
    }
}

/// Which limits an EWMA chart has.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum EwmaLimitsName {
    /// They widen from the first point on.
    #[default]
    #[serde(rename = "exact")]
    Exact,
    /// Those of a long series from the start.
    #[serde(rename = "asymptotic")]
    Asymptotic,
}

/// Design and points of a chart of weighted averages.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EwmaInput {
    /// Weight of the newest point, above 0, at most 1.
    lambda: f64,
    /// Limit in standard deviations of the average.
    limit: f64,
    /// Points in sigmas from the centre line, or raw with `centre` and `sigma`.
    #[serde(default)]
    points: Vec<f64>,
    /// Centre line of raw points.
    centre: Option<f64>,
    /// Sigma of raw points.
    sigma: Option<f64>,
    /// Which limits.
    #[serde(default)]
    limits: EwmaLimitsName,
    /// Shifts, in sigmas, whose average run length is wanted.
    #[serde(default = "no_shift")]
    shifts: Vec<f64>,
}

fn no_shift() -> Vec<f64> {
    vec![0.0]
}

/// Average run length at a shift.
#[derive(Debug, Serialize, ToSchema)]
pub struct ShiftFigures {
    /// Shift of the mean, in sigmas.
    shift: f64,
    /// Average number of points to the first beyond a limit.
    average_run_length: f64,
}

/// Chart and run lengths.
#[derive(Debug, Serialize, ToSchema)]
pub struct EwmaFigures {
    /// Limit of a long series, in sigmas of single points.
    asymptotic_limit: f64,
    /// The chart.
    points: Vec<EwmaPointFigures>,
    /// Average run lengths, zero state, limits of a long series.
    run_lengths: Vec<ShiftFigures>,
}

/// Points in sigmas from the centre line.
pub(super) fn standardised(points: Vec<f64>, centre: Option<f64>, sigma: Option<f64>) -> Result<Vec<f64>, Refusal> {
    match (centre, sigma) {
        (None, None) => Ok(points),
        (Some(centre), Some(sigma)) => {
            let limits = Limits::new(centre, sigma)?;
            Ok(points.iter().map(|x| limits.standardise(*x)).collect())
        }
        (centre, _) => {
            let field = if centre.is_some() { "sigma" } else { "centre" };
            Err(Refusal::invalid(field, "required", "raw points need centre and sigma", ""))
        }
    }
}

impl Calculation for EwmaInput {
    const NAME: &'static str = "ewma";
    const SUMMARY: &'static str = "chart of exponentially weighted averages and its average run lengths";
    const METHOD: &'static str = "integral equation of the run length by Gauss-Legendre quadrature";
    const SOURCE: &'static str = "ISO 7870-6; Lucas and Saccucci 1990; Crowder 1987";
    const EXAMPLE: &'static str =
        r#"{"lambda": 0.2, "limit": 2.962, "points": [0.3, -0.5, 1.2, 0.9, 1.4, 1.1, 1.8], "shifts": [0, 1]}"#;
    const TABLE: Table = Table::Columns(&["points"]);
    type Result = EwmaFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("shifts", self.shifts.len(), 20)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<EwmaFigures>, Refusal> {
        let chart = Ewma::new(self.lambda, self.limit)?;
        let limits = match self.limits {
            EwmaLimitsName::Exact => EwmaLimits::Exact,
            EwmaLimitsName::Asymptotic => EwmaLimits::Asymptotic,
        };
        let points = chart.chart(&standardised(self.points, self.centre, self.sigma)?, limits)?;
        let mut run_lengths = Vec::new();
        for shift in self.shifts {
            run_lengths.push(ShiftFigures { shift, average_run_length: chart.average_run_length(shift)? });
        }
        let beyond = points.iter().filter(|point| point.beyond).count();
        let outcome =
            Outcome::of(EwmaFigures { asymptotic_limit: chart.asymptotic_limit(), points: points.show(), run_lengths });
        let count = points.len();
        Ok(if count == 0 {
            outcome
        } else {
            outcome.judged("in control", beyond == 0, format!("{beyond} of {count} points beyond"))
        })
    }
}

/// Design and points of a tabular chart of cumulative sums.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CusumInput {
    /// Reference value, in sigmas: half the shift to be found.
    k: f64,
    /// Decision interval, in sigmas.
    h: f64,
    /// Start of both sums; h/2 is the fast initial response.
    #[serde(default)]
    head_start: f64,
    /// Points in sigmas from the centre line, or raw with `centre` and `sigma`.
    #[serde(default)]
    points: Vec<f64>,
    /// Centre line of raw points.
    centre: Option<f64>,
    /// Sigma of raw points.
    sigma: Option<f64>,
    /// Shifts, in sigmas, whose average run length is wanted.
    #[serde(default = "no_shift")]
    shifts: Vec<f64>,
}

/// Average run lengths at a shift.
#[derive(Debug, Serialize, ToSchema)]
pub struct CusumShiftFigures {
    /// Shift of the mean, in sigmas.
    shift: f64,
    /// Both sums.
    average_run_length: f64,
    /// Upper sum alone.
    average_run_length_upper: f64,
    /// Siegmund's approximation, from a start at 0.
    siegmund: SiegmundLengthsFigures,
}

/// Chart and run lengths.
#[derive(Debug, Serialize, ToSchema)]
pub struct CusumFigures {
    /// The chart.
    points: Vec<CusumPointFigures>,
    /// Average run lengths.
    run_lengths: Vec<CusumShiftFigures>,
}

impl Calculation for CusumInput {
    const NAME: &'static str = "cusum";
    const SUMMARY: &'static str = "tabular chart of cumulative sums and its average run lengths";
    const METHOD: &'static str = "integral equation of the run length by Gauss-Legendre quadrature";
    const SOURCE: &'static str = "ISO 7870-4; Page 1954; Goel and Wu 1971; Lucas and Crosier 1982; Siegmund 1985";
    const EXAMPLE: &'static str =
        r#"{"k": 0.5, "h": 4, "points": [0.3, -0.5, 1.2, 0.9, 1.4, 1.1, 1.8, 1.6], "shifts": [0, 1]}"#;
    const TABLE: Table = Table::Columns(&["points"]);
    type Result = CusumFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("shifts", self.shifts.len(), 20)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<CusumFigures>, Refusal> {
        let chart = Cusum::new(self.k, self.h)?;
        let points = chart.chart(&standardised(self.points, self.centre, self.sigma)?, self.head_start)?;
        let mut run_lengths = Vec::new();
        for shift in self.shifts {
            run_lengths.push(CusumShiftFigures {
                shift,
                average_run_length: chart.average_run_length(shift, self.head_start)?,
                average_run_length_upper: chart.average_run_length_upper(shift, self.head_start)?,
                siegmund: chart.siegmund(shift)?.show(),
            });
        }
        let beyond = points.iter().filter(|point| point.beyond).count();
        let outcome = Outcome::of(CusumFigures { points: points.show(), run_lengths });
        let count = points.len();
        Ok(if count == 0 {
            outcome
        } else {
            outcome.judged("in control", beyond == 0, format!("{beyond} of {count} points beyond"))
        })
    }
}
