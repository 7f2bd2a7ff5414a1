//! Quantities, run rules and designs as data, and what core makes of them.

use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::control::cusum::Cusum;
use ferrotitre_core::control::ewma::Ewma;
use ferrotitre_core::control::named_sets::NAMED_SETS;
use ferrotitre_core::control::rules::same_side;
use ferrotitre_core::control::{Consequence, ControlError, NamedSet, Pattern, Rule, RuleSet, Side};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What a chart shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Results of the control material.
    X,
    /// Ranges of replicates.
    Range,
    /// Differences of duplicates.
    Difference,
    /// Mean blanks of runs, mL.
    Blank,
    /// Recoveries, per cent.
    Recovery,
    /// Factors of a titrant lot.
    TitrantFactor,
    /// Cumulative sums of results.
    Cusum,
    /// Moving averages of results.
    Ewma,
    /// Shares of reductions that had to be discarded.
    DiscardedReductions,
    /// A reading that the service does not compute.
    Reading,
}

impl Quantity {
    const ALL: [(Self, &'static str); 10] = [
        (Self::X, "x"),
        (Self::Range, "range"),
        (Self::Difference, "difference"),
        (Self::Blank, "blank"),
        (Self::Recovery, "recovery"),
        (Self::TitrantFactor, "titrant factor"),
        (Self::Cusum, "cusum"),
        (Self::Ewma, "ewma"),
        (Self::DiscardedReductions, "discarded reductions"),
        (Self::Reading, "reading"),
    ];

    pub fn of(text: &str) -> Result<Self, Refusal> {
        let found = Self::ALL.iter().find(|(_, name)| *name == text);
        found.map(|(quantity, _)| *quantity).ok_or_else(|| {
            let names: Vec<&str> = Self::ALL.iter().map(|(_, name)| *name).collect();
            Refusal::invalid("quantity", "one_of", format!("must be one of {}", names.join(", ")), text)
        })
    }

    /// Whether the chart remembers more than its last points.
    pub fn is_cumulative(self) -> bool {
        matches!(self, Self::Cusum | Self::Ewma)
    }

    /// Whether the chart shows results of a control material.
    pub fn of_material(self) -> bool {
        matches!(self, Self::X | Self::Cusum | Self::Ewma | Self::Recovery)
    }
}

/// A run rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RuleText {
    /// beyond, within, steady or alternating.
    #[schema(example = "beyond")]
    pub pattern: String,
    /// Points needed; steady: 7 points are 6 steps.
    #[schema(example = 2)]
    pub count: u8,
    /// Points looked at, for beyond; as many as needed if not given.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    #[schema(example = 3)]
    pub of: Option<u8>,
    /// Distance from the centre line in s, for beyond and within.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    #[schema(example = "2")]
    pub sigmas: Option<Decimal>,
    /// same, any, upper or lower; for beyond.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    #[schema(example = "same")]
    pub side: Option<String>,
    /// reject: the run is out of control; investigate: in control, but the cause is looked for.
    #[schema(example = "reject")]
    pub consequence: String,
}

/// A run rule with its number.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RuleView {
    /// Number, from 1; hits name it.
    #[schema(example = 2)]
    pub number: i32,
    /// In words.
    #[schema(example = "2 of 3 points beyond 2 s on the same side")]
    pub text: String,
    /// The rule as data; absent for what a cumulative or proportion chart does by itself.
    #[serde(flatten)]
    pub rule: Option<RuleText>,
    /// Expected points between false hits of this rule alone while in control; absent where it is not computed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub average_run_length: Option<f64>,
}

impl RuleView {
    /// reject or investigate. What a chart decides by itself, from sums, averages or counts, is looked into: none of them rejects a
    /// run (`judging::Judge::push`).
    pub fn consequence(&self) -> &str {
        self.rule.as_ref().map_or("investigate", |rule| rule.consequence.as_str())
    }
}

impl RuleText {
    fn of_core(rule: &Rule) -> Self {
        let sigmas_of = |sigmas: f64| Decimal::of(sigmas);
        let consequence = match rule.consequence {
            Consequence::Reject => "reject",
            Consequence::Investigate => "investigate",
        };
        let blank = |pattern: &str, count: u8| Self {
            pattern: pattern.to_owned(),
            count,
            of: None,
            sigmas: None,
            side: None,
            consequence: consequence.to_owned(),
        };
        match rule.pattern {
            Pattern::Beyond { count, of, sigmas, side } => Self {
                of: Some(of),
                sigmas: sigmas_of(sigmas),
                side: Some(
                    match side {
                        Side::Same => "same",
                        Side::Any => "any",
                        Side::Upper => "upper",
                        Side::Lower => "lower",
                    }
                    .to_owned(),
                ),
                ..blank("beyond", count)
            },
            Pattern::Within { count, sigmas } => Self { sigmas: sigmas_of(sigmas), ..blank("within", count) },
            Pattern::Steady { points } => blank("steady", points),
            Pattern::Alternating { points } => blank("alternating", points),
        }
    }

    fn to_core(&self, errors: &mut FieldErrors, at: &str) -> Option<Rule> {
        let consequence = match self.consequence.as_str() {
            "reject" => Consequence::Reject,
            "investigate" => Consequence::Investigate,
            other => {
                errors.add(&format!("{at}.consequence"), "one_of", "must be reject or investigate", other);
                return None;
            }
        };
        let needs_sigmas = matches!(self.pattern.as_str(), "beyond" | "within");
        if needs_sigmas != self.sigmas.is_some() {
            let message = "is given for beyond and within, and only for those";
            errors.add(&format!("{at}.sigmas"), "pattern", message, "");
            return None;
        }
        let sigmas = self.sigmas.as_ref().map_or(0.0, Decimal::value);
        let pattern = match self.pattern.as_str() {
            "beyond" => Pattern::Beyond {
                count: self.count,
                of: self.of.unwrap_or(self.count),
                sigmas,
                side: match self.side.as_deref().unwrap_or("same") {
                    "same" => Side::Same,
                    "any" => Side::Any,
                    "upper" => Side::Upper,
                    "lower" => Side::Lower,
                    other => {
                        let message = "must be same, any, upper or lower";
                        errors.add(&format!("{at}.side"), "one_of", message, other);
                        return None;
                    }
                },
            },
            "within" => Pattern::Within { count: self.count, sigmas },
            "steady" => Pattern::Steady { points: self.count },
            "alternating" => Pattern::Alternating { points: self.count },
            other => {
                let message = "must be beyond, within, steady or alternating";
                errors.add(&format!("{at}.pattern"), "one_of", message, other);
                return None;
            }
        };
        let rule = Rule { pattern, consequence };
        if let Err(error) = RuleSet::new(vec![rule.clone()]) {
            errors.add(at, "rule", error.to_string(), self.count);
            return None;
        }
        Some(rule)
    }
}

/// A rule set from its data.
///
/// # Errors
/// Names the rule and what is wrong with it.
pub fn rule_set(rules: &[RuleText]) -> Result<RuleSet, Refusal> {
    let mut errors = FieldErrors::default();
    let core: Vec<Rule> =
        rules.iter().enumerate().filter_map(|(i, rule)| rule.to_core(&mut errors, &format!("rules[{i}]"))).collect();
    errors.check()?;
    RuleSet::new(core).map_err(|error| Refusal::invalid("rules", "rules", error.to_string(), rules.len()))
}

/// The rules a chart gets if none are given: empty where the chart has a decision of its own.
pub fn default_rules(quantity: Quantity) -> Vec<RuleText> {
    let set = match quantity {
        Quantity::Cusum | Quantity::Ewma | Quantity::DiscardedReductions => return Vec::new(),
        // Of a range only its upper end says that repeatability is lost.
        Quantity::Range => {
            let beyond = Pattern::Beyond { count: 1, of: 1, sigmas: 3.0, side: Side::Upper };
            vec![Rule::rejecting(beyond), Rule::investigating(same_side(10, 11, 0.0))]
        }
        _ => RuleSet::laboratory().rules().to_vec(),
    };
    set.iter().map(RuleText::of_core).collect()
}

/// Name under which own rules are chosen.
pub const OWN: &str = "own";

/// The rules a chart gets: those of a named set, own ones, or those usual for the quantity.
///
/// # Errors
/// No such set; own rules beside a set; a set for a chart that is not judged by the run rules of single values.
pub fn chosen(quantity: Quantity, set: Option<&str>, rules: Option<&[RuleText]>) -> Result<Vec<RuleText>, Refusal> {
    match (set, rules) {
        (None, None) => Ok(default_rules(quantity)),
        (None, Some(own)) => Ok(own.to_vec()),
        (Some(OWN), own) => own
            .map(<[RuleText]>::to_vec)
            .ok_or_else(|| Refusal::invalid("rules", "required", "enter your own rules", "")),
        (Some(name), own) => {
            let set = NamedSet::named(name).ok_or_else(|| {
                let names: Vec<&str> = NAMED_SETS.iter().map(|set| set.name).collect();
                Refusal::invalid("rule_set", "one_of", format!("must be {} or {OWN}", names.join(", ")), name)
            })?;
            if own.is_some() {
                let message = format!("are those of the set \"{name}\"; leave them out, or choose {OWN}");
                return Err(Refusal::invalid("rules", "rule_set", message, ""));
            }
            if quantity == Quantity::Range || default_rules(quantity).is_empty() {
                let message = "is for single values; leave it out, or choose own";
                return Err(Refusal::invalid("rule_set", "quantity", message, name));
            }
            Ok(of_set(set))
        }
    }
}

/// Rules of a named set as data.
pub fn of_set(set: &NamedSet) -> Vec<RuleText> {
    set.rules().rules().iter().map(RuleText::of_core).collect()
}

/// Design of a cumulative sum (k, h, head_start) or of a moving average (lambda, limit), in s.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Design {
    /// Reference value of a cumulative sum.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    #[schema(example = "0.5")]
    pub k: Option<Decimal>,
    /// Decision interval of a cumulative sum.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    #[schema(example = "5")]
    pub h: Option<Decimal>,
    /// Where both sums start; 0 if not given.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub head_start: Option<Decimal>,
    /// Weight of the newest point of a moving average.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    #[schema(example = "0.2")]
    pub lambda: Option<Decimal>,
    /// Limits of a moving average, in its standard deviations.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    #[schema(example = "2.962")]
    pub limit: Option<Decimal>,
}

/// A design as core takes it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CoreDesign {
    /// Cumulative sum and its head start.
    Cusum(Cusum, f64),
    /// Moving average.
    Ewma(Ewma),
}

impl CoreDesign {
    /// Average run length for a mean shifted by so many s.
    pub fn average_run_length(&self, shift: f64) -> Result<f64, ControlError> {
        match self {
            Self::Cusum(cusum, head_start) => cusum.average_run_length(shift, *head_start),
            Self::Ewma(ewma) => ewma.average_run_length(shift),
        }
    }
}

impl Design {
    /// As core takes it; `None` for a chart without a design.
    ///
    /// # Errors
    /// Figures that are missing, not for this chart, or outside their range.
    pub fn to_core(design: Option<&Self>, quantity: Quantity) -> Result<Option<CoreDesign>, Refusal> {
        let refused = |error: ControlError| Refusal::invalid("design", "design", error.to_string(), "");
        let value = |figure: &Option<Decimal>| figure.as_ref().map(Decimal::value);
        match (quantity, design) {
            (Quantity::Cusum, Some(Self { k: Some(k), h: Some(h), head_start, lambda: None, limit: None })) => {
                let cusum = Cusum::new(k.value(), h.value()).map_err(refused)?;
                let start = value(head_start).unwrap_or(0.0);
                // Refuses a head start outside the interval.
                cusum.chart(&[], start).map_err(refused)?;
                Ok(Some(CoreDesign::Cusum(cusum, start)))
            }
            (
                Quantity::Ewma,
                Some(Self { k: None, h: None, head_start: None, lambda: Some(lambda), limit: Some(l) }),
            ) => Ewma::new(lambda.value(), l.value()).map(|ewma| Some(CoreDesign::Ewma(ewma))).map_err(refused),
            (Quantity::Cusum, _) => {
                Err(Refusal::invalid("design", "cusum", "give k and h, and head_start if wanted", ""))
            }
            (Quantity::Ewma, _) => Err(Refusal::invalid("design", "ewma", "give lambda and limit", "")),
            (_, Some(_)) => Err(Refusal::invalid("design", "quantity", "is for cusum and ewma charts only", "")),
            (_, None) => Ok(None),
        }
    }
}

/// Probability of a false alarm of a proportion at both ends together; that of three s.
pub const PROPORTION_ALPHA: f64 = 0.0027;

/// What a chart without run rules does by itself, in words.
pub fn own_rule(quantity: Quantity, design: Option<&Design>) -> Option<String> {
    let figure = |value: Option<&Decimal>| value.map(ToString::to_string).unwrap_or_default();
    match quantity {
        Quantity::Cusum => Some(format!("cumulative sum beyond {} s", figure(design.and_then(|d| d.h.as_ref())))),
        Quantity::Ewma => {
            let limit = figure(design.and_then(|d| d.limit.as_ref()));
            Some(format!("moving average beyond {limit} of its standard deviations"))
        }
        Quantity::DiscardedReductions => {
            Some(format!("count beyond the exact binomial limits, alpha {PROPORTION_ALPHA}"))
        }
        _ => None,
    }
}

/// Turns a refusal of core into one of the service.
pub fn refused(error: ControlError) -> Refusal {
    let code = match error {
        ControlError::NotEnough { .. } | ControlError::InfiniteAverage { .. } => Code::NotEnoughData,
        ControlError::OutOfRange { .. } => Code::Invalid,
        _ => Code::RuleBroken,
    };
    Refusal::new(code, error.to_string()).because(error)
}
