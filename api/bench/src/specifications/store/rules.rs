//! Table of decision rules.

use diesel::prelude::*;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::{Decimal, code, words};
use ferrotitre_base::web::versions::versioned;
use ferrotitre_core::statistics::distribution::normal_cdf;
use ferrotitre_core::uncertainty::decision_rule::{DecisionRule, percent};
use ferrotitre_schema::decision_rules;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Kinds of rules.
pub const KINDS: [&str; 4] = ["simple acceptance", "guard band of U", "guard band of u", "conformance probability"];
/// What is compared with the limits.
pub const COMPARED: [&str; 2] = ["unrounded", "reported"];
/// How far a multiple of u may be from the level it is said to stand for: 1.64, 1.645 and 1.65 all stand for 95 %.
const LEVEL_TOLERANCE: f64 = 0.001;

/// A decision rule. The risk that goes with it is documented with it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = decision_rules)]
#[serde(deny_unknown_fields)]
pub struct DecisionRuleFacts {
    /// Code of the rule.
    #[schema(example = "DR-2")]
    pub code: String,
    /// Title.
    #[schema(example = "Guard band of one expanded uncertainty")]
    pub title: String,
    /// simple acceptance, guard band of U (a multiple w of U), guard band of u (a multiple of u with its one-sided level),
    /// or conformance probability (conforms where the probability of conforming is at least so much).
    #[schema(example = "guard band of U")]
    pub kind: String,
    /// Length of the guard band, in U or in u.
    #[schema(example = "1")]
    pub multiple: Option<Decimal>,
    /// Level that a multiple of u stands for at a single limit, such as 0.95 for 1.645.
    #[schema(example = "0.95")]
    pub one_sided_level: Option<Decimal>,
    /// Least probability of conforming of what is accepted, between 0 and 1.
    #[schema(example = "0.95")]
    pub least_probability: Option<Decimal>,
    /// Whether the unrounded result is compared with the limits, or the reported one.
    #[serde(default = "unrounded")]
    #[schema(default = "unrounded")]
    pub compared: String,
    /// What an accepted result is called.
    #[serde(default = "conforms")]
    #[schema(default = "conforms")]
    pub conforms: String,
    /// What a result is called that lies inside the tolerance but outside the acceptance limits.
    #[serde(default = "conditional")]
    #[schema(default = "conditional")]
    pub conditional: String,
    /// What a result outside the tolerance is called.
    #[serde(default = "does_not_conform")]
    #[schema(default = "does not conform")]
    pub does_not_conform: String,
    /// The risk that goes with the rule, in words; left out, the sentence computed from its figures.
    #[serde(default)]
    pub risk: String,
    /// Where the rule comes from: standard, contract, regulation.
    #[schema(example = "agreed with the client, contract 12")]
    pub source: String,
}

fn unrounded() -> String {
    "unrounded".to_owned()
}

fn conforms() -> String {
    "conforms".to_owned()
}

fn conditional() -> String {
    "conditional".to_owned()
}

fn does_not_conform() -> String {
    "does not conform".to_owned()
}

impl DecisionRuleFacts {
    /// With the documented risk: the author's own sentence, or the computed one.
    pub fn documented(mut self) -> Self {
        if self.risk.trim().is_empty() {
            self.risk = self.to_core().map(|rule| risk_in_words(rule, &self.one_sided_level)).unwrap_or_default();
        }
        self
    }

    /// Whether the risk is the computed sentence.
    pub fn risk_is_computed(&self) -> bool {
        self.to_core().is_some_and(|rule| risk_in_words(rule, &self.one_sided_level) == self.risk)
    }

    /// As core takes it; none where a figure is missing.
    pub fn to_core(&self) -> Option<DecisionRule> {
        let value = |figure: &Option<Decimal>| figure.as_ref().map(Decimal::value);
        match self.kind.as_str() {
            "simple acceptance" => Some(DecisionRule::Simple),
            "guard band of U" => value(&self.multiple).map(|w| DecisionRule::Expanded { w }),
            "guard band of u" => value(&self.multiple).map(|multiple| DecisionRule::Standard { multiple }),
            "conformance probability" => {
                value(&self.least_probability).map(|least| DecisionRule::Probability { least })
            }
            _ => None,
        }
    }

    /// The rule in a few words.
    pub fn in_words(&self) -> String {
        let figure = |figure: &Option<Decimal>| figure.as_ref().map(ToString::to_string).unwrap_or_default();
        match self.kind.as_str() {
            "guard band of U" => format!("guard band of {} U", figure(&self.multiple)),
            "guard band of u" => {
                format!("guard band of {} u, one-sided level {}", figure(&self.multiple), figure(&self.one_sided_level))
            }
            "conformance probability" => {
                format!("accepted with a probability of conforming of at least {}", figure(&self.least_probability))
            }
            kind => kind.to_owned(),
        }
    }

    fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        code(&mut errors, "code", &self.code);
        for (field, text) in [
            ("title", &self.title),
            ("source", &self.source),
            ("conforms", &self.conforms),
            ("conditional", &self.conditional),
            ("does_not_conform", &self.does_not_conform),
        ] {
            words(&mut errors, field, text);
        }
        let one_of = |all: &[&str]| format!("must be one of {}", all.join(", "));
        let kind = self.kind.as_str();
        errors.require(KINDS.contains(&kind), "kind", "one_of", one_of(&KINDS), kind);
        let compared = COMPARED.contains(&self.compared.as_str());
        errors.require(compared, "compared", "one_of", one_of(&COMPARED), &self.compared);
        let names = [&self.conforms, &self.conditional, &self.does_not_conform];
        let apart = names.iter().all(|name| names.iter().filter(|other| other == &name).count() == 1);
        errors.require(apart, "conditional", "different", "each outcome needs a name of its own", &self.conditional);
        self.check_figures(&mut errors);
        errors.check()
    }

    fn check_figures(&self, errors: &mut FieldErrors) {
        let kind = self.kind.as_str();
        let guard = matches!(kind, "guard band of U" | "guard band of u");
        for (field, figure, wanted) in [
            ("multiple", &self.multiple, guard),
            ("one_sided_level", &self.one_sided_level, kind == "guard band of u"),
            ("least_probability", &self.least_probability, kind == "conformance probability"),
        ] {
            let message = if wanted { format!("a {kind} needs it") } else { format!("a {kind} has none") };
            let shown = figure.as_ref().map(ToString::to_string).unwrap_or_default();
            errors.require(figure.is_some() == wanted, field, "kind", message, &shown);
            if let Some(figure) = figure {
                let (low, high) = (0.0, if field == "multiple" { 10.0 } else { 1.0 });
                let holds = figure.value() > low && (figure.value() < high);
                let message = format!("must be greater than {low} and less than {high}");
                errors.require(holds, field, "range", message, &shown);
            }
        }
        if let (true, Some(multiple), Some(level)) = (kind == "guard band of u", &self.multiple, &self.one_sided_level)
        {
            let stands_for = normal_cdf(multiple.value());
            let message = format!("{multiple} u stands for a one-sided level of {stands_for:.4}");
            let near = (stands_for - level.value()).abs() <= LEVEL_TOLERANCE;
            errors.require(near, "one_sided_level", "level", message, level);
        }
    }
}

/// The sentence that documents the level of risk (ISO/IEC 17025:2017, 7.8.6.1).
fn risk_in_words(rule: DecisionRule, level: &Option<Decimal>) -> String {
    let risk = percent(rule.risk_at_limit(2.0));
    match rule {
        DecisionRule::Simple => {
            "No guard band: a result at a limit that is accepted has a risk of up to 50 % of not conforming; one that is \
             rejected has the same risk of conforming."
                .to_owned()
        }
        DecisionRule::Expanded { w } => format!(
            "Guard band of {w} U: of a result at an acceptance limit, the risk of not conforming is at most {risk} for a \
             single limit, normal distribution and k = 2; results in the guard band are not accepted though most conform."
        ),
        DecisionRule::Standard { multiple } => format!(
            "Guard band of {multiple} u (one-sided level {}): of a result at an acceptance limit, the risk of not conforming \
             is at most {risk} for a single limit and normal distribution.",
            level.as_ref().map(ToString::to_string).unwrap_or_default()
        ),
        DecisionRule::Probability { least } => format!(
            "Accepted with a probability of conforming of at least {least}: the risk that an accepted result does not \
             conform is at most {risk}, normal distribution."
        ),
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "decision_rules_code_once",
        code: Code::AlreadyExists,
        field: "code",
        detail: "there is a decision rule with this code",
    },
    ConstraintMeaning {
        constraint: "decision_rules_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody drafted the next version at the same moment; read it again",
    },
];

versioned! {
    table: decision_rules,
    id: DecisionRuleId,
    facts: DecisionRuleFacts,
    kind: ferrotitre_core::lifecycle::EntityKind::DecisionRule,
    path: "/api/v1/decision-rules",
    meanings: super::MEANINGS,
    also: [exactly, several, read, list],
}
