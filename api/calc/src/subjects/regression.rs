//! Straight lines, polynomials, linear models, comparison of two methods.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::statistics::comparison::{self, LimitMultiplier};
use ferrotitre_core::statistics::regression::{self as core, LinearModel, StraightLine, Terms};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::figures::regression::{
    BlandAltmanFigures, CoefficientTestFigures, DemingFigures, InversePredictionFigures, JointTestFigures,
    LackOfFitFigures, LinearModelFigures, PassingBablokFigures, PredictionFigures, StraightLineFigures,
    TolerancePassageFigures,
};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::{Data, Show, ninety_five, one};
use ferrotitre_base::core_refusals::Of;

/// A signal whose x is wanted.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct InverseInput {
    /// Mean signal.
    y: f64,
    /// Number of signals in the mean.
    #[serde(default = "one")]
    #[schema(default = 1)]
    replicates: usize,
}

/// A tolerance that the line may leave.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ToleranceInput {
    /// Lower limit.
    low: Option<f64>,
    /// Upper limit.
    high: Option<f64>,
    /// x from which on it is watched.
    start: f64,
}

/// Points of a straight line and what is asked of it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LineInput {
    /// x.
    x: Data,
    /// y.
    y: Data,
    /// Weights, such as 1/s²; left out, all equal.
    weights: Option<Vec<f64>>,
    /// Confidence of intervals and bands.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
    /// x at which the line and its bands are wanted.
    #[serde(default)]
    predict: Vec<f64>,
    /// Further values whose mean the prediction band is for.
    #[serde(default = "one")]
    #[schema(default = 1)]
    further: usize,
    /// Signals whose x is wanted.
    #[serde(default)]
    inverse: Vec<InverseInput>,
    /// Slope that is tested.
    #[serde(default)]
    #[schema(default = 0.0)]
    stated_slope: f64,
    /// Intercept that is tested.
    #[serde(default)]
    #[schema(default = 0.0)]
    stated_intercept: f64,
    /// A tolerance whose leaving is sought.
    tolerance: Option<ToleranceInput>,
}

/// Line, tests, bands and inverse predictions.
#[derive(Debug, Serialize, ToSchema)]
pub struct LineFigures {
    /// The line.
    line: StraightLineFigures,
    /// Test of the slope against the stated one; null where the residuals leave none.
    slope_test: Option<CoefficientTestFigures>,
    /// Test of the intercept against the stated one.
    intercept_test: Option<CoefficientTestFigures>,
    /// Test of slope and intercept together against the stated ones.
    joint_test: Option<JointTestFigures>,
    /// Lack of fit against replicates of equal x; null without such replicates or with weights.
    lack_of_fit: Option<LackOfFitFigures>,
    /// Line and bands at the x asked for.
    predictions: Vec<PredictionFigures>,
    /// x of the signals asked for.
    inverse: Vec<InversePredictionFigures>,
    /// Where line and bands leave the tolerance.
    passage: Option<TolerancePassageFigures>,
}

impl Calculation for LineInput {
    const NAME: &'static str = "line";
    const SUMMARY: &'static str = "straight line, weighted or not: tests, lack of fit, bands, inverse prediction";
    const METHOD: &'static str = "least squares in double-double arithmetic; Fieller's interval for x";
    const SOURCE: &'static str = "Miller and Miller, Statistics and Chemometrics; Fieller 1954; Mandel and Linnig 1957";
    const EXAMPLE: &'static str = r#"{"x": [0, 1, 2, 3, 4, 5], "y": [0.02, 1.05, 1.96, 3.04, 3.98, 5.03],
        "predict": [2.5], "inverse": [{"y": 2.5, "replicates": 2}], "stated_slope": 1.0}"#;
    const TABLE: Table = Table::Columns(&["x", "y", "weights"]);
    type Result = LineFigures;

    fn calculate(self, _: Place) -> Result<Outcome<LineFigures>, Refusal> {
        let confidence = self.confidence;
        let line = StraightLine::fit(&self.x, &self.y, self.weights.as_deref()).of("x")?;
        let predictions: Result<Vec<_>, _> =
            self.predict.iter().map(|x| line.predict(*x, self.further, confidence)).collect();
        let inverse: Result<Vec<_>, _> =
            self.inverse.iter().map(|asked| line.inverse(asked.y, asked.replicates, confidence)).collect();
        let passage = self.tolerance.map(|asked| {
            let tolerance = core::Tolerance { low: asked.low, high: asked.high };
            core::tolerance_passage(&line, tolerance, asked.start, confidence)
        });
        let lack = match self.weights {
            None => core::lack_of_fit(&self.x, &self.y, 1).ok(),
            Some(_) => None,
        };
        // Without residual degrees of freedom there are coefficients but no tests.
        let testable = line.degrees_of_freedom > 0.0 && line.residual_sd > 0.0;
        let tests = if testable {
            let slope = line.slope_test(self.stated_slope, confidence)?;
            let intercept = line.intercept_test(self.stated_intercept, confidence)?;
            let joint = line.joint_test(self.stated_slope, self.stated_intercept)?;
            Some((slope, intercept, joint))
        } else {
            None
        };
        let mut outcome = Outcome::of(LineFigures {
            line: line.show(),
            slope_test: tests.as_ref().map(|(slope, ..)| slope.show()),
            intercept_test: tests.as_ref().map(|(_, intercept, _)| intercept.show()),
            joint_test: tests.as_ref().map(|(.., joint)| joint.show()),
            lack_of_fit: lack.as_ref().map(Show::show),
            predictions: predictions.of("predict")?.show(),
            inverse: inverse.of("inverse")?.show(),
            passage: passage.transpose().of("tolerance")?.show(),
        });
        let level = 1.0 - confidence;
        if let Some(test) = lack.and_then(|lack| lack.f_test) {
            outcome =
                outcome.judged(format!("no lack of fit, level {level:.4}"), test.p > level, format!("p = {}", test.p));
        }
        if let Some((slope, intercept, _)) = tests {
            let stated = self.stated_slope;
            let p = slope.p.two_sided;
            outcome = outcome.judged(format!("slope {stated}, level {level:.4}"), p > level, format!("p = {p}"));
            let stated = self.stated_intercept;
            let p = intercept.p.two_sided;
            outcome = outcome.judged(format!("intercept {stated}, level {level:.4}"), p > level, format!("p = {p}"));
        }
        Ok(outcome)
    }
}

fn yes() -> bool {
    true
}

fn terms(intercept: bool) -> Terms {
    if intercept { Terms::WithIntercept } else { Terms::WithoutIntercept }
}

/// Points of a polynomial.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PolynomialInput {
    /// x.
    x: Data,
    /// y.
    y: Data,
    /// Degree.
    degree: usize,
    /// Weights; left out, all equal.
    weights: Option<Vec<f64>>,
    /// Whether there is an intercept.
    #[serde(default = "yes")]
    #[schema(default = true)]
    intercept: bool,
}

/// A fitted linear model with its lack of fit.
#[derive(Debug, Serialize, ToSchema)]
pub struct PolynomialFigures {
    /// The model.
    model: LinearModelFigures,
    /// Lack of fit against replicates of equal x; null without such replicates, with weights or without intercept.
    lack_of_fit: Option<LackOfFitFigures>,
}

impl Calculation for PolynomialInput {
    const NAME: &'static str = "polynomial";
    const SUMMARY: &'static str = "polynomial by least squares, high degrees included";
    const METHOD: &'static str = "orthogonalisation in double-double arithmetic";
    const SOURCE: &'static str = "Bjorck 1967, BIT 7, 1";
    const EXAMPLE: &'static str = r#"{"x": [0, 1, 2, 3, 4, 5], "y": [1.0, 2.1, 5.2, 9.9, 17.1, 26.0], "degree": 2}"#;
    const TABLE: Table = Table::Columns(&["x", "y", "weights"]);
    type Result = PolynomialFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("degree", self.degree, 20)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<PolynomialFigures>, Refusal> {
        let weights = self.weights.as_deref();
        let model = LinearModel::polynomial(&self.x, &self.y, self.degree, terms(self.intercept), weights).of("x")?;
        let lack = match (&self.weights, self.intercept) {
            (None, true) => core::lack_of_fit(&self.x, &self.y, self.degree).ok(),
            _ => None,
        };
        Ok(Outcome::of(PolynomialFigures { model: model.show(), lack_of_fit: lack.as_ref().map(Show::show) }))
    }
}

/// A model that is linear in its coefficients.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LinearModelInput {
    /// Terms: one list of values each.
    terms: Vec<Data>,
    /// y.
    y: Data,
    /// Weights; left out, all equal.
    weights: Option<Vec<f64>>,
    /// Whether there is an intercept.
    #[serde(default = "yes")]
    #[schema(default = true)]
    intercept: bool,
}

impl Calculation for LinearModelInput {
    const NAME: &'static str = "linear-model";
    const SUMMARY: &'static str = "least squares with several terms";
    const METHOD: &'static str = "orthogonalisation in double-double arithmetic";
    const SOURCE: &'static str = "Bjorck 1967, BIT 7, 1";
    const EXAMPLE: &'static str =
        r#"{"terms": [[0, 1, 2, 3, 4, 5], [1, 0, 1, 0, 1, 0]], "y": [1.1, 1.9, 5.2, 5.9, 9.1, 10.0]}"#;
    type Result = LinearModelFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("terms", self.terms.len(), 50)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<LinearModelFigures>, Refusal> {
        let columns: Vec<_> = self.terms.into_iter().map(|term| term.0).collect();
        let weights = self.weights.as_deref();
        Ok(Outcome::of(LinearModel::fit(&columns, &self.y, terms(self.intercept), weights).of("terms")?.show()))
    }
}

/// Results of two methods for the same samples.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DemingInput {
    /// Results of the first method.
    x: Data,
    /// Results of the second method.
    y: Data,
    /// Error variance of y over that of x.
    #[serde(default = "unit")]
    #[schema(default = 1.0)]
    variance_ratio: f64,
    /// Confidence.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
}

fn unit() -> f64 {
    1.0
}

impl Calculation for DemingInput {
    const NAME: &'static str = "deming";
    const SUMMARY: &'static str = "line between two methods that both have errors";
    const METHOD: &'static str = "Deming's line; standard errors by the jackknife";
    const SOURCE: &'static str = "Deming 1943; Linnet 1993, Clin. Chem. 39, 424";
    const EXAMPLE: &'static str = r#"{"x": [10.1, 20.3, 30.2, 40.4, 50.1], "y": [10.0, 20.5, 30.1, 40.6, 50.4]}"#;
    const TABLE: Table = Table::Columns(&["x", "y"]);
    type Result = DemingFigures;

    fn calculate(self, _: Place) -> Result<Outcome<DemingFigures>, Refusal> {
        let line = comparison::deming(&self.x, &self.y, self.variance_ratio, self.confidence).of("x")?;
        let (slope, intercept) = (line.slope.interval, line.intercept.interval);
        Ok(Outcome::of(line.show())
            .judged("slope 1", slope.contains(1.0), format!("{} to {}", slope.low, slope.high))
            .judged("intercept 0", intercept.contains(0.0), format!("{} to {}", intercept.low, intercept.high)))
    }
}

/// Results of two methods for the same samples.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PassingBablokInput {
    /// Results of the first method.
    x: Data,
    /// Results of the second method.
    y: Data,
    /// Confidence.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
}

impl Calculation for PassingBablokInput {
    const NAME: &'static str = "passing-bablok";
    const SUMMARY: &'static str = "line between two methods from ranks";
    const METHOD: &'static str = "shifted median of the slopes of all pairs";
    const SOURCE: &'static str = "Passing and Bablok 1983, J. Clin. Chem. Clin. Biochem. 21, 709";
    const EXAMPLE: &'static str = r#"{"x": [10.1, 15.2, 20.3, 25.1, 30.2, 35.4, 40.4, 45.2, 50.1, 55.0],
        "y": [10.0, 15.3, 20.5, 25.0, 30.1, 35.5, 40.6, 45.1, 50.4, 55.2]}"#;
    const TABLE: Table = Table::Columns(&["x", "y"]);
    type Result = PassingBablokFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("x", self.x.len(), 2_000)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<PassingBablokFigures>, Refusal> {
        let line = comparison::passing_bablok(&self.x, &self.y, self.confidence).of("x")?;
        let detail = format!("largest sum {} against 1.36", line.linearity.statistic);
        let mut outcome =
            Outcome::of(line.show()).judged("linear, level 0.05", line.linearity.linear_at_5_percent, detail);
        for (rule, interval, value) in
            [("slope 1", line.slope_interval, 1.0), ("intercept 0", line.intercept_interval, 0.0)]
        {
            if let Some(interval) = interval {
                outcome =
                    outcome.judged(rule, interval.contains(value), format!("{} to {}", interval.low, interval.high));
            }
        }
        Ok(outcome)
    }
}

/// Results of two methods for the same samples.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BlandAltmanInput {
    /// Results of the first method.
    first: Data,
    /// Results of the second method.
    second: Data,
    /// Share of the differences that the limits are for; left out, 1.96 s.
    content: Option<f64>,
    /// 2 s in place of 1.96 s, as in the paper of 1986.
    #[serde(default)]
    two_sd: bool,
    /// Confidence of the intervals.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
}

impl Calculation for BlandAltmanInput {
    const NAME: &'static str = "bland-altman";
    const SUMMARY: &'static str = "mean difference and limits of agreement of two methods";
    const METHOD: &'static str = "mean +- z s of the differences, with confidence intervals";
    const SOURCE: &'static str = "Bland and Altman 1986, Lancet i, 307; 1999, Stat. Methods Med. Res. 8, 135";
    const EXAMPLE: &'static str =
        r#"{"first": [10.1, 20.3, 30.2, 40.4, 50.1], "second": [10.0, 20.5, 30.1, 40.6, 50.4]}"#;
    const TABLE: Table = Table::Columns(&["first", "second"]);
    type Result = BlandAltmanFigures;

    fn calculate(self, _: Place) -> Result<Outcome<BlandAltmanFigures>, Refusal> {
        let multiplier = match (self.content, self.two_sd) {
            (Some(content), false) => LimitMultiplier::Content(content),
            (None, true) => LimitMultiplier::Two,
            (None, false) => LimitMultiplier::OnePointNineSix,
            (Some(content), true) => {
                return Err(Refusal::invalid("content", "one_of", "give content or two_sd, not both", content));
            }
        };
        let found = comparison::bland_altman(&self.first, &self.second, multiplier, self.confidence).of("first")?;
        let interval = found.mean_interval;
        let detail = format!("{} to {}", interval.low, interval.high);
        Ok(Outcome::of(found.show()).judged("mean difference 0", interval.contains(0.0), detail))
    }
}
