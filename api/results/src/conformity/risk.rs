//! What a specification costs on both sides: specific and global risks, for a process as given or as the record shows it.

use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_bench::specifications::store::assignments;
use ferrotitre_bench::specifications::store::specifications::SpecificationFacts;
use ferrotitre_bench::specifications::{rules, service};
use ferrotitre_core::uncertainty::conformity::{ConformityError, Specification};
use ferrotitre_core::uncertainty::decision_rule::{DecisionRule, GuardRisk, percent, risk_curve, risks_by_guard_band};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::determinations::compared;

/// Fewest approved results from which a process is described.
const FEWEST: usize = 10;
/// Results and samples that are read for it, at most.
const MOST: usize = 1000;
/// Points of the specific risk curve.
const POINTS: usize = 81;
/// Guard bands of the picture, in tenths of U.
const TENTHS: u32 = 20;

/// A process and a measurement; what is not given is taken from the record.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct RiskQuestion {
    /// Mean of the process, in the unit of the limits.
    #[param(example = 117)]
    pub mean: Option<f64>,
    /// Standard deviation of the true values of the process.
    #[param(example = 1.5)]
    pub sd: Option<f64>,
    /// Standard uncertainty of a result.
    #[param(example = 0.55)]
    pub u: Option<f64>,
    /// Coverage factor of U; 2 if not given.
    #[param(example = 2)]
    pub k: Option<f64>,
}

/// The process that the risks are of.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ProcessView {
    /// Mean.
    pub mean: f64,
    /// Standard deviation of the true values.
    pub sd: f64,
    /// Standard uncertainty of a result.
    pub u: f64,
    /// Coverage factor of U.
    pub k: f64,
    /// Approved results that what was not given was taken from; absent where all was given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub results: Option<usize>,
    /// Where the figures come from, in words.
    pub origin: String,
}

/// A point of the specific risk curve.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RiskPoint {
    /// Measured value.
    pub y: f64,
    /// Probability that the true value conforms: the producer's risk if rejected.
    pub conformance_probability: f64,
    /// Probability that it does not: the consumer's risk if accepted.
    pub specific_consumer_risk: f64,
}

/// Risks over all that the process produces, for one guard band.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct GuardBandRisk {
    /// Length of the guard band in U.
    #[schema(example = 1.0)]
    pub w: f64,
    /// Lower acceptance limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lower_acceptance: Option<f64>,
    /// Upper acceptance limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub upper_acceptance: Option<f64>,
    /// Probability that an item does not conform and is accepted.
    pub consumer: f64,
    /// Probability that an item conforms and is rejected.
    pub producer: f64,
    /// Probability that an item is accepted.
    pub accepted: f64,
    /// Probability that an item conforms.
    pub conforming: f64,
}

impl From<&GuardRisk> for GuardBandRisk {
    fn from(of: &GuardRisk) -> Self {
        let finite = |limit: f64| Some(limit).filter(|limit| limit.is_finite());
        Self {
            w: of.w,
            lower_acceptance: finite(of.acceptance.low),
            upper_acceptance: finite(of.acceptance.high),
            consumer: of.risk.consumer,
            producer: of.risk.producer,
            accepted: of.risk.accepted,
            conforming: of.risk.conforming,
        }
    }
}

/// Risks of a specification.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RiskView {
    /// Code of the specification.
    pub code: String,
    /// Its version: the one in force, else the newest.
    pub version: i32,
    /// The limits in words.
    #[schema(example = "at most 120 g/L")]
    pub limits: String,
    /// Unit of the limits.
    pub unit: String,
    /// Code and version of its rule, and the rule in words; absent where it names none, so that the method version's counts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rule: Option<String>,
    /// Process and measurement.
    pub process: ProcessView,
    /// Risks of the rule itself; absent where it leaves nothing to accept, and where the specification names no rule.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub of_rule: Option<GuardBandRisk>,
    /// Risks against the length of the guard band; lengths that leave nothing to accept are left out.
    pub by_guard_band: Vec<GuardBandRisk>,
    /// Specific risk against the measured value.
    pub curve: Vec<RiskPoint>,
}

impl RiskView {
    /// The risks of the rule as a sentence.
    pub(super) fn in_words(&self) -> String {
        let of_rule = match (&self.rule, &self.of_rule) {
            (None, _) => "It names no decision rule: each result is judged by that of its method version.".to_owned(),
            (Some(_), None) => "The rule leaves nothing to accept with this uncertainty.".to_owned(),
            (Some(rule), Some(risk)) => format!(
                "By {rule}: consumer's risk {}, producer's risk {}; accepted {}.",
                percent(risk.consumer),
                percent(risk.producer),
                percent(risk.accepted)
            ),
        };
        let conforming = self.by_guard_band.first().map(|risk| percent(risk.conforming)).unwrap_or_default();
        format!("{of_rule} Of all that the process produces, {conforming} conforms. {}", self.process.origin)
    }
}

/// Mean, spread of the true values and uncertainty, as approved results show them.
struct Shown {
    n: usize,
    mean: f64,
    sd: f64,
    u: f64,
}

async fn shown_by_record(connection: &Connection, id: Uuid, facts: &SpecificationFacts) -> Result<Shown, Refusal> {
    let most = i64::try_from(MOST).unwrap_or(i64::MAX);
    let samples = assignments::samples_of(connection, id, most).await?;
    let what = (facts.analyte.as_str(), facts.unit.as_str(), facts.expressed.as_str());
    let results = compared::approved_results(connection, &samples, what, MOST).await?;
    let n = results.len();
    let not_enough = |words: String| Refusal::new(Code::NotEnoughData, format!("not enough data: {words}"));
    if n < FEWEST {
        return Err(not_enough(format!(
            "needs at least {FEWEST} approved results of samples under {}, there are {n}; give mean, sd and u instead",
            facts.code
        )));
    }
    let count = n as f64;
    let mean = results.iter().map(|(value, _)| value).sum::<f64>() / count;
    let variance = results.iter().map(|(value, _)| (value - mean).powi(2)).sum::<f64>() / (count - 1.0);
    let own = results.iter().map(|(_, u)| u * u).sum::<f64>() / count;
    // Results spread as true values and measurement do together.
    if variance <= own {
        return Err(not_enough(format!(
            "the {n} results spread by {:.3}, no more than their uncertainty {:.3}: nothing is left for the process; give sd",
            variance.sqrt(),
            own.sqrt()
        )));
    }
    Ok(Shown { n, mean, sd: (variance - own).sqrt(), u: own.sqrt() })
}

async fn process(
    connection: &Connection,
    id: Uuid,
    facts: &SpecificationFacts,
    asked: &RiskQuestion,
) -> Result<ProcessView, Refusal> {
    let k = asked.k.unwrap_or(2.0);
    if let (Some(mean), Some(sd), Some(u)) = (asked.mean, asked.sd, asked.u) {
        return Ok(ProcessView { mean, sd, u, k, results: None, origin: "Process as given.".to_owned() });
    }
    let shown = shown_by_record(connection, id, facts).await?;
    let given = [("mean", asked.mean), ("sd", asked.sd), ("u", asked.u)];
    let taken: Vec<&str> = given.iter().filter(|(_, given)| given.is_none()).map(|(name, _)| *name).collect();
    let origin = format!(
        "{} from {} approved results of samples under the specification; sd is their spread less the measurement's own.",
        taken.join(", "),
        shown.n
    );
    Ok(ProcessView {
        mean: asked.mean.unwrap_or(shown.mean),
        sd: asked.sd.unwrap_or(shown.sd),
        u: asked.u.unwrap_or(shown.u),
        k,
        results: Some(shown.n),
        origin,
    })
}

fn of_rule(rule: DecisionRule, limits: &Specification, process: &ProcessView) -> Result<Option<GuardRisk>, Refusal> {
    let acceptance = match rule.acceptance(limits, process.u, process.k) {
        Ok(acceptance) => acceptance,
        Err(ConformityError::NothingAcceptable { .. }) => return Ok(None),
        Err(error) => return Err(error.into()),
    };
    let risk = limits.global_risk(process.mean, process.sd, process.u, acceptance)?;
    let guard = rule.judge(limits, process.mean, process.u, process.k)?.guard;
    Ok(Some(GuardRisk { w: guard / (process.k * process.u), acceptance, risk }))
}

/// Computes the risks of a specification.
pub async fn read(db: &Db, id: Uuid, asked: &RiskQuestion) -> Result<RiskView, Refusal> {
    db.read(async |connection| {
        let version = service::judged_by(connection, id).await?;
        let facts = &version.facts;
        let rule = match facts.decision_rule {
            Some(named) => Some(rules::version(connection, named).await?),
            None => None,
        };
        let process = process(connection, id, facts, asked).await?;
        let limits = facts.limits()?;
        let widths: Vec<f64> = (0..=TENTHS).map(|tenths| f64::from(tenths) / 10.0).collect();
        let spread = (process.mean, process.sd);
        let by_guard_band = risks_by_guard_band(&limits, spread, process.u, process.k, &widths)?;
        let of_rule = match &rule {
            Some(rule) => {
                let lacks = || Refusal::new(Code::Internal, "a decision rule lacks a figure");
                of_rule(rule.facts.to_core().ok_or_else(lacks)?, &limits, &process)?
            }
            None => None,
        };
        let curve = risk_curve(&limits, process.u, POINTS)?.into_iter().map(|point| RiskPoint {
            y: point.y,
            conformance_probability: point.conformance_probability,
            specific_consumer_risk: point.specific_consumer_risk,
        });
        Ok(RiskView {
            code: facts.code.clone(),
            version: version.version,
            limits: facts.limits_in_words(),
            unit: facts.unit.clone(),
            rule: rule.map(|rule| format!("{} v{}: {}", rule.facts.code, rule.version, rule.facts.in_words())),
            of_rule: of_rule.as_ref().map(GuardBandRisk::from),
            by_guard_band: by_guard_band.iter().map(GuardBandRisk::from).collect(),
            curve: curve.collect(),
            process,
        })
    })
    .await
}
