//! Verdicts as data.

/// Outcome of a rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// The rule is met.
    Met,
    /// The rule is not met.
    NotMet,
    /// Something to look at; nothing is refused.
    Query,
    /// The rule cannot be applied to these data.
    NoDecision,
}

/// What a rule says: what was compared with what, how the critical value was obtained, and what may be done now.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// Rule, by a stable name.
    pub rule: &'static str,
    /// Outcome.
    pub outcome: Outcome,
    /// What was compared.
    pub compared: String,
    /// Its value.
    pub value: Option<f64>,
    /// Critical value or limit.
    pub critical: Option<f64>,
    /// Unit of both.
    pub unit: &'static str,
    /// How the critical value was obtained.
    pub obtained: String,
    /// p-value, where there is one.
    pub p: Option<f64>,
    /// What may be done now.
    pub advice: String,
}
