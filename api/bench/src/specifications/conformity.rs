//! Statements of conformity: what a specification says of a result as it stands.
//!
//! Nothing of a statement is stored. The version of the specification that a sample was given, its rule, and the inputs of the
//! result are records that are never changed, so that the statement of any time can be computed again; a signature keeps the
//! result bit for bit.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, DecisionRuleId, SampleSpecificationId, SpecificationId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::uncertainty::conformity::Outcome;
use ferrotitre_core::uncertainty::decision_rule::{Judgement, Limit, percent};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::specifications::store::assignments;
pub use crate::specifications::store::assignments::Assigned;
use crate::specifications::store::rules::{self, DecisionRuleFacts};
use crate::specifications::store::specifications::SpecificationFacts;

/// A version of a decision rule.
pub type RuleVersion = rules::versions::Row;

/// A content in one unit, with its standard uncertainty, unrounded.
#[derive(Debug, Clone, Copy)]
pub struct Content {
    pub unit: &'static str,
    pub expressed: &'static str,
    pub value: f64,
    pub u: f64,
}

/// The figure that is reported.
#[derive(Debug, Clone)]
pub struct ReportedContent {
    pub unit: &'static str,
    pub expressed: &'static str,
    /// Rounded.
    pub value: String,
    pub coverage_factor: f64,
}

/// A result as it is compared with limits.
#[derive(Debug, Clone)]
pub struct Compared<'a> {
    pub analyte: &'a str,
    /// Present state of the determination or iron result.
    pub state: &'a str,
    /// When it was approved, if that still stands.
    pub approved_at: Option<DateTime<Utc>>,
    /// Why there is no result, in case there is none.
    pub waits: &'a str,
    pub contents: Vec<Content>,
    pub reported: Option<ReportedContent>,
    /// Code and version of the method it was made with.
    pub method: (&'a str, i32),
    /// The decision rule that this method version names.
    pub method_rule: Option<&'a RuleVersion>,
}

/// What was compared with the limits, and what came of it.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Decided {
    /// Value that was compared, unrounded or as reported, by the rule.
    #[schema(example = 119.5)]
    pub value: f64,
    /// Standard uncertainty.
    #[schema(example = 0.55)]
    pub u: f64,
    /// Expanded uncertainty U = k u.
    #[schema(example = 1.1)]
    pub expanded_uncertainty: f64,
    /// Coverage factor k.
    #[schema(example = 2.0)]
    pub coverage_factor: f64,
    /// How far the acceptance limits lie inside the tolerance limits.
    pub guard_band: f64,
    /// Lower acceptance limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lower_acceptance: Option<f64>,
    /// Upper acceptance limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 119.095)]
    pub upper_acceptance: Option<f64>,
    /// Probability that the true value conforms.
    #[schema(example = 0.818)]
    pub conformance_probability: f64,
    /// The same in per cent, as it is written in reports.
    #[schema(example = "81.8 %")]
    pub conformance_probability_text: String,
    /// conforms, conditional or does not conform.
    #[schema(example = "conditional")]
    pub outcome: &'static str,
    /// The outcome by the name that the rule gives it.
    pub outcome_name: String,
    /// The limit that decides: lower or upper.
    #[schema(example = "upper")]
    pub deciding_limit: &'static str,
}

/// What a specification says of a result.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ConformityStatement {
    /// The assignment to the sample.
    pub assignment: SampleSpecificationId,
    /// The specification, the same in all its versions.
    pub specification: Uuid,
    /// The version that the sample was given.
    pub specification_version: SpecificationId,
    /// Code of the specification.
    #[schema(example = "SP-1")]
    pub code: String,
    /// Number of that version.
    #[schema(example = 1)]
    pub version: i32,
    /// Title of the specification.
    pub title: String,
    /// What is judged.
    #[schema(example = "iron(II)")]
    pub analyte: String,
    /// As what the limits are expressed.
    #[schema(example = "Fe")]
    pub expressed: String,
    /// Unit of the limits.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Lower tolerance limit, as entered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lower: Option<Decimal>,
    /// Upper tolerance limit, as entered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub upper: Option<Decimal>,
    /// conforms, conditional, does not conform, not enough data, or no decision rule.
    #[schema(example = "conditional")]
    pub outcome: &'static str,
    /// Decision rule, the same in all its versions; absent where none is agreed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decision_rule: Option<Uuid>,
    /// Its version.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decision_rule_version: Option<DecisionRuleId>,
    /// What names the rule: the specification, or the method version of the result where the specification names none. Iron(III)
    /// goes by the method version of its total iron.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "specification SP-1 v1")]
    pub rule_named_by: Option<String>,
    /// Code and version of the rule, and the rule in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "DR-2 v1: guard band of 1 U")]
    pub rule: Option<String>,
    /// The documented risk that goes with the rule.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub risk: Option<String>,
    /// Whether the unrounded or the reported result is compared.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "unrounded")]
    pub compared: Option<String>,
    /// When the sample was given the specification.
    pub assigned_at: DateTime<Utc>,
    /// By whom.
    pub assigned_by: AccountId,
    /// It was assigned after the result had been approved.
    pub assigned_after_approval: bool,
    /// When it was taken off the sample, after the approval of the result.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub removed_at: Option<DateTime<Utc>>,
    /// State of the result.
    #[schema(example = "approved")]
    pub result_state: String,
    /// The time the statement is of.
    pub as_of: DateTime<Utc>,
    /// The decision; absent where nothing can be decided or no rule is agreed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decided: Option<Decided>,
    /// The statement as a sentence, or why there is none.
    pub statement: String,
}

/// What a sample was ever given, with everything a statement needs.
pub async fn of_sample(connection: &Connection, sample: Uuid) -> Result<Vec<Assigned>, Refusal> {
    assignments::of_samples(connection, &[sample]).await
}

/// The same of several samples, in one statement; those that have none are left out.
pub async fn of_samples(connection: &Connection, samples: &[Uuid]) -> Result<HashMap<Uuid, Vec<Assigned>>, Refusal> {
    let mut of_each: HashMap<Uuid, Vec<Assigned>> = HashMap::new();
    if !samples.is_empty() {
        for one in assignments::of_samples(connection, samples).await? {
            of_each.entry(one.assignment.sample_id).or_default().push(one);
        }
    }
    Ok(of_each)
}

/// Decision rules of methods, read only where a specification names none.
pub async fn rules_of_methods<'a>(
    connection: &Connection,
    assigned: impl IntoIterator<Item = &'a Assigned>,
    named: &[DecisionRuleId],
) -> Result<Vec<RuleVersion>, Refusal> {
    if named.is_empty() || assigned.into_iter().all(|one| one.rule.is_some()) {
        return Ok(Vec::new());
    }
    rules::versions::several(connection, named).await
}

/// What a result is judged by. A specification that was taken off the sample is among them only if it was there when the result
/// was approved.
fn judging<'a>(assigned: &'a [Assigned], result: &Compared<'_>) -> impl Iterator<Item = &'a Assigned> {
    let approved_at = result.approved_at;
    let counts = move |one: &&Assigned| match (&one.removal, approved_at) {
        (None, _) => true,
        (Some(removal), Some(approved)) => one.assignment.recorded_at <= approved && removal.recorded_at > approved,
        (Some(_), None) => false,
    };
    assigned.iter().filter(|one| one.specification.facts.analyte == result.analyte).filter(counts)
}

/// What the specifications of a sample say of a result now.
pub fn statements(assigned: &[Assigned], result: &Compared<'_>, as_of: DateTime<Utc>) -> Vec<ConformityStatement> {
    judging(assigned, result).map(|one| statement(one, result, as_of)).collect()
}

/// A statement as long tables show it: the same decision without its words.
#[derive(Debug, Clone)]
pub struct Judged {
    pub code: String,
    pub version: i32,
    /// As in a statement.
    pub outcome: &'static str,
    pub conformance_probability: Option<f64>,
}

/// Statements as long tables show them, in the order of code, version and assignment.
pub fn judged(assigned: &[Assigned], result: &Compared<'_>) -> Vec<Judged> {
    let mut all: Vec<&Assigned> = judging(assigned, result).collect();
    let order = |one: &Assigned| (one.specification.version, one.assignment.id.0);
    all.sort_by(|a, b| (&a.specification.facts.code, order(a)).cmp(&(&b.specification.facts.code, order(b))));
    let judged = all.into_iter().map(|one| {
        let facts = &one.specification.facts;
        let decision = Applied::of(one, result).map(|applied| decide(facts, &applied.rule.facts, result).ok());
        Judged {
            code: facts.code.clone(),
            version: one.specification.version,
            outcome: outcome(decision.as_ref().map(Option::as_ref)),
            conformance_probability: decision.flatten().map(|decision| decision.judged.conformance_probability),
        }
    });
    judged.collect()
}

/// The outcome in the words of the API; none of a rule that there is not.
fn outcome(decision: Option<Option<&Decision<'_>>>) -> &'static str {
    match decision {
        None => "no decision rule",
        Some(None) => "not enough data",
        Some(Some(decision)) => match decision.judged.outcome {
            Outcome::Conforms => "conforms",
            Outcome::Conditional => "conditional",
            Outcome::DoesNotConform => "does not conform",
        },
    }
}

/// The rule that judges a result, and the method version where it is the method's own.
struct Applied<'a> {
    rule: &'a RuleVersion,
    of_method: Option<(&'a str, i32)>,
}

impl<'a> Applied<'a> {
    /// A specification's own rule, else that of the method version; none is made up.
    fn of(one: &'a Assigned, result: &'a Compared<'_>) -> Option<Self> {
        match (&one.rule, result.method_rule) {
            (Some(rule), _) => Some(Self { rule, of_method: None }),
            (None, Some(rule)) => Some(Self { rule, of_method: Some(result.method) }),
            (None, None) => None,
        }
    }

    fn named_by(&self, one: &Assigned) -> String {
        match self.of_method {
            Some((method, version)) => format!("method {method} v{version}"),
            None => format!("specification {} v{}", one.specification.facts.code, one.specification.version),
        }
    }
}

fn statement(one: &Assigned, result: &Compared<'_>, as_of: DateTime<Utc>) -> ConformityStatement {
    let facts = &one.specification.facts;
    let applied = Applied::of(one, result);
    let rule = applied.as_ref().map(|applied| applied.rule);
    let decision = applied.as_ref().map(|applied| decide(facts, &applied.rule.facts, result));
    let outcome = outcome(decision.as_ref().map(|decision| decision.as_ref().ok()));
    let (decided, said) = match (&applied, decision) {
        (Some(applied), Some(Ok(decision))) => {
            let decided = decision.in_full(outcome);
            let said = sentence(facts, applied, &decided, result);
            (Some(decided), said)
        }
        (_, Some(Err(why))) => (None, why),
        _ => {
            let (code, version, (method, of_method)) = (&facts.code, one.specification.version, result.method);
            let neither = format!("neither {code} v{version} nor method {method} v{of_method} names one");
            (None, format!("no decision rule is agreed: {neither}"))
        }
    };
    ConformityStatement {
        assignment: one.assignment.id,
        specification: one.specification.record_id,
        specification_version: one.specification.id,
        code: facts.code.clone(),
        version: one.specification.version,
        title: facts.title.clone(),
        analyte: facts.analyte.clone(),
        expressed: facts.expressed.clone(),
        unit: facts.unit.clone(),
        lower: facts.lower.clone(),
        upper: facts.upper.clone(),
        outcome,
        decision_rule: rule.map(|rule| rule.record_id),
        decision_rule_version: rule.map(|rule| rule.id),
        rule: rule.map(|rule| format!("{} v{}: {}", rule.facts.code, rule.version, rule.facts.in_words())),
        risk: rule.map(|rule| rule.facts.risk.clone()),
        compared: rule.map(|rule| rule.facts.compared.clone()),
        rule_named_by: applied.map(|applied| applied.named_by(one)),
        assigned_at: one.assignment.recorded_at,
        assigned_by: one.assignment.recorded_by,
        assigned_after_approval: result.approved_at.is_some_and(|approved| one.assignment.recorded_at > approved),
        removed_at: one.removal.as_ref().map(|removal| removal.recorded_at),
        result_state: result.state.to_owned(),
        as_of,
        decided,
        statement: said,
    }
}

/// A decision before it is put into words.
struct Decision<'a> {
    value: f64,
    u: f64,
    k: f64,
    judged: Judgement,
    /// The outcome by the name that the rule gives it.
    name: &'a str,
}

impl Decision<'_> {
    fn in_full(self, outcome: &'static str) -> Decided {
        let Self { value, u, k, judged, name } = self;
        Decided {
            value,
            u,
            expanded_uncertainty: k * u,
            coverage_factor: k,
            guard_band: judged.guard,
            lower_acceptance: Some(judged.acceptance.low).filter(|limit| limit.is_finite()),
            upper_acceptance: Some(judged.acceptance.high).filter(|limit| limit.is_finite()),
            conformance_probability: judged.conformance_probability,
            conformance_probability_text: percent(judged.conformance_probability),
            outcome,
            outcome_name: name.to_owned(),
            deciding_limit: match judged.deciding {
                Limit::Lower => "lower",
                Limit::Upper => "upper",
            },
        }
    }
}

/// The decision, or why there is none.
fn decide<'a>(
    facts: &SpecificationFacts,
    rule: &'a DecisionRuleFacts,
    result: &Compared<'_>,
) -> Result<Decision<'a>, String> {
    if result.state == "cancelled" {
        return Err("not enough data: the determination was cancelled".to_owned());
    }
    let Some(reported) = &result.reported else { return Err(format!("not enough data: {}", result.waits)) };
    let same = |unit: &str, expressed: &str| unit == facts.unit && expressed == facts.expressed;
    let content = result.contents.iter().find(|content| same(content.unit, content.expressed)).ok_or_else(|| {
        format!(
            "not comparable: the limits are in {} as {}, the result is in {} as {}",
            facts.unit, facts.expressed, reported.unit, reported.expressed
        )
    })?;
    let value = if rule.compared == "reported" {
        let rounded = same(reported.unit, reported.expressed).then(|| reported.value.parse::<f64>().ok()).flatten();
        rounded.ok_or_else(|| {
            format!(
                "not comparable: the rule compares the reported value, which is in {} as {}, the limits are in {} as {}",
                reported.unit, reported.expressed, facts.unit, facts.expressed
            )
        })?
    } else {
        content.value
    };
    let k = reported.coverage_factor;
    let core = rule.to_core().ok_or_else(|| "the decision rule lacks a figure".to_owned())?;
    let judged = facts.limits().and_then(|limits| core.judge(&limits, value, content.u, k));
    let judged = judged.map_err(|error| format!("no decision: {error}"))?;
    let name = match judged.outcome {
        Outcome::Conforms => &rule.conforms,
        Outcome::Conditional => &rule.conditional,
        Outcome::DoesNotConform => &rule.does_not_conform,
    };
    Ok(Decision { value, u: content.u, k, judged, name })
}

fn sentence(facts: &SpecificationFacts, applied: &Applied<'_>, decided: &Decided, result: &Compared<'_>) -> String {
    let standing = if matches!(result.state, "approved" | "reported") {
        String::new()
    } else {
        format!(" The result is {}, not approved.", result.state)
    };
    format!(
        "{}: {}, {}, by decision rule {} v{}{} ({}); probability of conforming {}.{standing}",
        decided.outcome_name,
        facts.analyte,
        facts.limits_in_words(),
        applied.rule.facts.code,
        applied.rule.version,
        applied.of_method.map(|(method, version)| format!(" of method {method} v{version}")).unwrap_or_default(),
        applied.rule.facts.in_words(),
        decided.conformance_probability_text,
    )
}
