//! Outlier tests and their critical values.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::statistics::outliers::cochran::{self, Form};
use ferrotitre_core::statistics::outliers::dixon::{self, Options, Ratio};
use ferrotitre_core::statistics::outliers::grubbs::{self, pair};
use ferrotitre_core::statistics::outliers::{Finding, Sidedness, hampel};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::figures::outliers::{
    CochranTestFigures, CriticalFigures, DixonRatio, DixonTestFigures, GrubbsTestFigures, HampelResultFigures,
    PValueFigures, PairName, PairTestFigures, SidednessName, SuspectEnd,
};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::{Show, five_percent};
use ferrotitre_base::core_refusals::Of;

/// Adds the verdict of an outlier test.
fn judged<T>(outcome: Outcome<T>, rule: &str, finding: &Finding, p: f64) -> Outcome<T> {
    let detail = format!("p = {p}");
    match finding {
        Finding::None => outcome.says(rule, "met", format!("{detail}: nothing conspicuous at 5 %")),
        Finding::Straggler => outcome.says(rule, "query", format!("{detail}: straggler, p at most 5 %")),
        Finding::Outlier => outcome.says(rule, "not met", format!("{detail}: outlier, p at most 1 %")),
        Finding::NoDecision { reason } => outcome.says(rule, "no decision", format!("{reason}; {detail} shown only")),
    }
}

/// A series with a suspect end.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DixonInput {
    /// Values, 3 to 40.
    #[serde(deserialize_with = "crate::wire::numbers")]
    #[schema(value_type = crate::wire::Data)]
    values: Vec<f64>,
    /// Ratio; left out, the one recommended for the number of values.
    ratio: Option<DixonRatio>,
    /// The end fixed before looking at the data; left out, either end (two-sided).
    end: Option<SuspectEnd>,
    /// Reading step of the values; a range of three steps or less decides nothing.
    #[serde(default)]
    resolution: f64,
}

impl Calculation for DixonInput {
    const NAME: &'static str = "dixon";
    const SUMMARY: &'static str = "Dixon's test of the value farthest from the others";
    const METHOD: &'static str = "critical values and p from the null distribution by quadrature; verdict from p";
    const SOURCE: &'static str = "W. J. Dixon 1950, 1951, 1953; distribution computed";
    const EXAMPLE: &'static str = r#"{"values": [23.16, 23.18, 23.20, 23.14, 23.58], "resolution": 0.02}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = DixonTestFigures;

    fn calculate(self, _: Place) -> Result<Outcome<DixonTestFigures>, Refusal> {
        let options =
            Options { ratio: self.ratio.map(Ratio::from), end: self.end.map(Into::into), resolution: self.resolution };
        let test = dixon::test_with(&self.values, &options)?;
        Ok(judged(Outcome::of(test.show()), "Dixon's test", &test.finding, test.p))
    }
}

/// A size and a level.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DixonCriticalInput {
    /// Number of values, 3 to 40.
    n: usize,
    /// Ratio; left out, the one recommended for the number of values.
    ratio: Option<DixonRatio>,
    /// Level.
    #[serde(default = "five_percent")]
    #[schema(default = 0.05)]
    alpha: f64,
    /// Sidedness of the level.
    #[serde(default = "two_sided")]
    sidedness: SidednessName,
    /// A ratio found, whose p-value is wanted.
    statistic: Option<f64>,
}

fn two_sided() -> SidednessName {
    SidednessName::TwoSided
}

/// A critical value beside what tables print.
#[derive(Debug, Serialize, ToSchema)]
pub struct DixonCriticalFigures {
    /// Ratio.
    ratio: DixonRatio,
    /// Computed from the null distribution; this one is used.
    critical: CriticalFigures,
    /// For two sides, the one-sided value at half the level.
    half_level: Option<CriticalFigures>,
    /// The printed value, where a printed table has one.
    published: Option<CriticalFigures>,
    /// p-value of the statistic given.
    p: Option<PValueFigures>,
}

impl Calculation for DixonCriticalInput {
    const NAME: &'static str = "dixon-critical";
    const SUMMARY: &'static str = "critical value and p-value of a Dixon ratio at any size and level";
    const METHOD: &'static str = "quadrature of the null distribution, inverted; printed values beside, never used";
    const SOURCE: &'static str = "W. J. Dixon 1950, 1951, 1953; distribution computed";
    const EXAMPLE: &'static str = r#"{"n": 5, "alpha": 0.05, "sidedness": "two-sided", "statistic": 0.8636}"#;
    type Result = DixonCriticalFigures;

    fn calculate(self, _: Place) -> Result<Outcome<DixonCriticalFigures>, Refusal> {
        let ratio = self.ratio.map_or_else(|| Ratio::recommended(self.n), Ratio::from);
        let sidedness = self.sidedness.into();
        let critical = dixon::critical(ratio, self.n, self.alpha, sidedness).of("n")?;
        let half_level = match sidedness {
            Sidedness::TwoSided => Some(dixon::critical_bonferroni(ratio, self.n, self.alpha).of("n")?),
            Sidedness::OneSided => None,
        };
        let p = self.statistic.map(|r| dixon::p_value(ratio, self.n, r, sidedness)).transpose().of("n")?;
        Ok(Outcome::of(DixonCriticalFigures {
            ratio: ratio.show(),
            critical: critical.show(),
            half_level: half_level.show(),
            published: dixon::published(ratio, self.n, self.alpha, sidedness).show(),
            p: p.show(),
        }))
    }
}

/// A series whose farthest value is suspect.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GrubbsInput {
    /// Values, at least 3.
    #[serde(deserialize_with = "crate::wire::numbers")]
    #[schema(value_type = crate::wire::Data)]
    values: Vec<f64>,
    /// The end fixed before looking at the data; left out, either end (two-sided).
    end: Option<SuspectEnd>,
    /// Reading step of the values; a range of three steps or less decides nothing.
    #[serde(default)]
    resolution: f64,
}

impl Calculation for GrubbsInput {
    const NAME: &'static str = "grubbs";
    const SUMMARY: &'static str = "Grubbs' test of the value farthest from the mean";
    const METHOD: &'static str = "|suspect - mean| / s; t quantile for two sides, exact recursion for one";
    const SOURCE: &'static str = "F. E. Grubbs 1969, Technometrics 11, 1; ISO 5725-2, 7.3.4";
    const EXAMPLE: &'static str = r#"{"values": [23.16, 23.18, 23.20, 23.14, 23.58], "resolution": 0.02}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = GrubbsTestFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        // The exact one-sided distribution grows with the square of n.
        vec![("values", self.values.len(), if self.end.is_some() { 200 } else { 1_000_000 })]
    }

    fn calculate(self, _: Place) -> Result<Outcome<GrubbsTestFigures>, Refusal> {
        let test = grubbs::test_end(&self.values, self.end.map(Into::into), self.resolution)?;
        Ok(judged(Outcome::of(test.show()), "Grubbs' test", &test.finding, test.p))
    }
}

/// A series with two suspect values.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GrubbsPairInput {
    /// Values, 4 to 100.
    #[serde(deserialize_with = "crate::wire::numbers")]
    #[schema(value_type = crate::wire::Data)]
    values: Vec<f64>,
    /// Which two values are suspect.
    statistic: PairName,
    /// For two values at the same end, the end fixed beforehand; left out, either end.
    end: Option<SuspectEnd>,
    /// Reading step of the values; a range of three steps or less decides nothing.
    #[serde(default)]
    resolution: f64,
}

impl Calculation for GrubbsPairInput {
    const NAME: &'static str = "grubbs-pair";
    const SUMMARY: &'static str = "two suspect values: at one end, at both ends, or range over deviation";
    const METHOD: &'static str =
        "ratio of sums of squares; exact at one end, seeded simulation for both ends and range";
    const SOURCE: &'static str = "F. E. Grubbs 1950; H. A. David, H. O. Hartley, E. S. Pearson 1954; ISO 5725-2";
    const EXAMPLE: &'static str =
        r#"{"values": [21.48, 21.50, 21.50, 21.46, 21.92, 21.96], "statistic": "same end", "end": "high"}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = PairTestFigures;

    fn calculate(self, _: Place) -> Result<Outcome<PairTestFigures>, Refusal> {
        let test = pair::test(self.statistic.into(), &self.values, self.end.map(Into::into), self.resolution)?;
        Ok(judged(Outcome::of(test.show()), "test of two values", &test.finding, test.p.value))
    }
}

/// A statistic of two values, a size and a level.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GrubbsPairCriticalInput {
    /// Which statistic.
    statistic: PairName,
    /// Number of values, 4 to 100; 3 for the range.
    n: usize,
    /// Level.
    #[serde(default = "five_percent")]
    #[schema(default = 0.05)]
    alpha: f64,
    /// Sidedness of the level, for two values at the same end.
    #[serde(default = "two_sided")]
    sidedness: SidednessName,
}

/// A critical value of two values.
#[derive(Debug, Serialize, ToSchema)]
pub struct GrubbsPairCriticalFigures {
    /// Critical value: conspicuous below it, the range above it.
    critical: CriticalFigures,
}

impl Calculation for GrubbsPairCriticalInput {
    const NAME: &'static str = "grubbs-pair-critical";
    const SUMMARY: &'static str =
        "critical value for two suspect values: at one end, at both ends, range over deviation";
    const METHOD: &'static str = "exact at one end, seeded simulation for both ends and range";
    const SOURCE: &'static str = "F. E. Grubbs 1950; H. A. David, H. O. Hartley, E. S. Pearson 1954; ISO 5725-2";
    const EXAMPLE: &'static str = r#"{"statistic": "same end", "n": 10, "alpha": 0.05}"#;
    type Result = GrubbsPairCriticalFigures;

    fn calculate(self, _: Place) -> Result<Outcome<GrubbsPairCriticalFigures>, Refusal> {
        let critical = pair::critical(self.statistic.into(), self.n, self.alpha, self.sidedness.into()).of("n")?;
        Ok(Outcome::of(GrubbsPairCriticalFigures { critical: critical.show() }))
    }
}

/// Replicates in groups, one of them perhaps too scattered.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CochranInput {
    /// Groups of replicates, of equal size if possible.
    #[serde(deserialize_with = "crate::wire::groups")]
    #[schema(value_type = Vec<crate::wire::Data>)]
    groups: Vec<Vec<f64>>,
}

impl Calculation for CochranInput {
    const NAME: &'static str = "cochran";
    const SUMMARY: &'static str = "Cochran's test of the largest of several variances";
    const METHOD: &'static str = "largest variance over their sum; exact p, critical values in the published form";
    const SOURCE: &'static str = "ISO 5725-2, 7.3.3; W. G. Cochran 1941";
    const EXAMPLE: &'static str =
        r#"{"groups": [[23.16, 23.18], [21.50, 21.48], [37.50, 37.52], [18.02, 18.20], [40.00, 40.02]]}"#;
    const TABLE: Table = Table::Groups("groups");
    type Result = CochranTestFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("groups", self.groups.len(), 100)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<CochranTestFigures>, Refusal> {
        let test = cochran::test(&self.groups).of("groups")?;
        Ok(judged(Outcome::of(test.show()), "Cochran's test", &test.finding, test.p))
    }
}

/// A number of groups, a size and a level.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CochranCriticalInput {
    /// Number of groups, 2 to 200.
    groups: usize,
    /// Degrees of freedom of each group: replicates less one.
    degrees_of_freedom: f64,
    /// Level.
    #[serde(default = "five_percent")]
    #[schema(default = 0.05)]
    alpha: f64,
    /// A share found, whose p-value is wanted.
    statistic: Option<f64>,
}

/// Critical values of both forms.
#[derive(Debug, Serialize, ToSchema)]
pub struct CochranCriticalFigures {
    /// From the exact distribution of the largest share.
    exact: CriticalFigures,
    /// By the F formula that printed tables follow.
    published_form: CriticalFigures,
    /// Exact p-value of the statistic given.
    p: Option<PValueFigures>,
}

impl Calculation for CochranCriticalInput {
    const NAME: &'static str = "cochran-critical";
    const SUMMARY: &'static str = "critical value and p-value of Cochran's C";
    const METHOD: &'static str = "recursion over the largest share; F quantile beside";
    const SOURCE: &'static str = "ISO 5725-2, 7.3.3; W. G. Cochran 1941";
    const EXAMPLE: &'static str = r#"{"groups": 8, "degrees_of_freedom": 1, "alpha": 0.05}"#;
    type Result = CochranCriticalFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("groups", self.groups, 100)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<CochranCriticalFigures>, Refusal> {
        let (groups, degrees) = (self.groups, self.degrees_of_freedom);
        let p = self.statistic.map(|c| cochran::p_value(groups, degrees, c, Form::Exact)).transpose().of("groups")?;
        Ok(Outcome::of(CochranCriticalFigures {
            exact: cochran::critical(groups, degrees, self.alpha, Form::Exact).of("groups")?.show(),
            published_form: cochran::critical(groups, degrees, self.alpha, Form::BoundByF).of("groups")?.show(),
            p: p.show(),
        }))
    }
}

/// A size and a level.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GrubbsCriticalInput {
    /// Number of values, at least 3.
    n: usize,
    /// Level.
    #[serde(default = "five_percent")]
    #[schema(default = 0.05)]
    alpha: f64,
    /// Sidedness of the level.
    #[serde(default = "two_sided")]
    sidedness: SidednessName,
    /// A statistic found, whose p-value is wanted.
    statistic: Option<f64>,
}

/// Critical values of Grubbs' statistic.
#[derive(Debug, Serialize, ToSchema)]
pub struct GrubbsCriticalFigures {
    /// By the t quantile.
    by_t: CriticalFigures,
    /// Exact, to 200 values.
    exact: Option<CriticalFigures>,
    /// p-value of the statistic given.
    p: Option<PValueFigures>,
}

impl Calculation for GrubbsCriticalInput {
    const NAME: &'static str = "grubbs-critical";
    const SUMMARY: &'static str = "critical value and p-value of Grubbs' statistic at any size and level";
    const METHOD: &'static str = "t quantile at alpha / n or alpha / (2 n); exact distribution beside, to 200 values";
    const SOURCE: &'static str = "F. E. Grubbs 1969; ISO 5725-2, 7.3.4; K. Pearson and C. Chandra Sekar 1936";
    const EXAMPLE: &'static str = r#"{"n": 7, "alpha": 0.05}"#;
    type Result = GrubbsCriticalFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("n", self.n, if matches!(self.sidedness, SidednessName::OneSided) { 200 } else { 1_000_000 })]
    }

    fn calculate(self, _: Place) -> Result<Outcome<GrubbsCriticalFigures>, Refusal> {
        let sidedness = self.sidedness.into();
        let exact = match sidedness {
            Sidedness::TwoSided if self.n > 200 => None,
            _ => Some(grubbs::critical_exact(self.n, self.alpha, sidedness).of("n")?),
        };
        let p = self.statistic.map(|g| grubbs::p_value(self.n, g, sidedness)).transpose().of("n")?;
        Ok(Outcome::of(GrubbsCriticalFigures {
            by_t: grubbs::critical_by_t(self.n, self.alpha, sidedness).of("n")?.show(),
            exact: exact.show(),
            p: p.show(),
        }))
    }
}

fn three() -> f64 {
    3.0
}

/// A series to look through.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HampelInput {
    /// Values, at least 3.
    #[serde(deserialize_with = "crate::wire::numbers")]
    #[schema(value_type = crate::wire::Data)]
    values: Vec<f64>,
    /// Distance from the median, in scaled deviations, beyond which a value is conspicuous.
    #[serde(default = "three")]
    #[schema(default = 3.0)]
    threshold: f64,
    /// Reading step of the values; a range of three steps or less decides nothing.
    #[serde(default)]
    resolution: f64,
}

impl Calculation for HampelInput {
    const NAME: &'static str = "hampel";
    const SUMMARY: &'static str = "values far from the median in scaled median absolute deviations";
    const METHOD: &'static str = "|x - median| > threshold x 1.4826 MAD; it has no level";
    const SOURCE: &'static str = "F. R. Hampel 1974; threshold 3 to 3.5: common practice";
    const EXAMPLE: &'static str = r#"{"values": [23.16, 23.18, 23.20, 23.14, 23.58], "resolution": 0.02}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = HampelResultFigures;

    fn calculate(self, _: Place) -> Result<Outcome<HampelResultFigures>, Refusal> {
        let found = hampel::identify(&self.values, self.threshold, self.resolution)?;
        let rule = format!("Hampel's identifier, threshold {}", self.threshold);
        let outcome = Outcome::of(found.show());
        Ok(match &found.no_decision {
            Some(reason) => outcome.says(rule, "no decision", reason.to_string()),
            None => {
                let count = found.conspicuous.len();
                outcome.judged(rule, count == 0, format!("{count} of {} values are farther away", found.n))
            }
        })
    }
}
