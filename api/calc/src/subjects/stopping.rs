//! What "repeat until two titres agree" does to the scatter shown, to the mean, and to what it lets pass.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::statistics::agreement::{self, PairRule};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::subject::{Calculation, Outcome, Place};

/// When titrations end.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum PairRuleName {
    /// As soon as any two titres agree.
    #[default]
    #[serde(rename = "any pair")]
    Any,
    /// As soon as a titre agrees with the one before it.
    #[serde(rename = "consecutive pair")]
    Consecutive,
}

fn most_titres() -> u32 {
    10
}

fn ratios() -> Vec<f64> {
    vec![1.0, 1.5, 2.0, 3.0, 5.0]
}

/// A rule by which titrations are repeated until two agree, and the true scatter.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StoppingRuleInput {
    /// When titrations end.
    #[serde(default)]
    rule: PairRuleName,
    /// Largest difference of titres that agree.
    limit: f64,
    /// Standard deviation of a titre that the method claims.
    sd: f64,
    /// Titres after which it is given up, 2 to 20.
    #[serde(default = "most_titres")]
    #[schema(default = 10)]
    most: u32,
    /// True standard deviations over the claimed one, at which the rule is looked at.
    #[serde(default = "ratios")]
    ratios: Vec<f64>,
}

/// The rule at one true standard deviation.
#[derive(Debug, Serialize, ToSchema)]
pub struct StoppingFigures {
    /// True standard deviation over the claimed one.
    ratio: f64,
    /// True standard deviation.
    sd: f64,
    /// Probability that the first two titres agree: what an honest test of two would pass.
    first_pair_passes: f64,
    /// Probability that the titrations end in agreement: what the rule passes.
    passes: f64,
    /// Probability that they end with the second, the third titre and so on.
    ends: Vec<f64>,
    /// Mean number of titres.
    mean_titres: f64,
    /// Standard deviation that the pair used shows, root mean square.
    shown_sd: f64,
    /// The same over the true one: by how much the scatter is made to look smaller.
    shown_over_true: f64,
    /// True standard deviation of the mean of the pair used.
    sd_of_mean: f64,
    /// The same over that of two titres as they come, sd over root 2: above 1, the rule makes the mean worse.
    sd_of_mean_over_honest: f64,
    /// True standard deviation of the mean over the one claimed from the pair, shown over root 2.
    true_over_claimed: f64,
}

/// What the rule does.
#[derive(Debug, Serialize, ToSchema)]
pub struct StoppingRuleFigures {
    /// One line per true standard deviation.
    outcomes: Vec<StoppingFigures>,
}

impl Calculation for StoppingRuleInput {
    const NAME: &'static str = "stopping-rule";
    const SUMMARY: &'static str = "what repeating until two titres agree does to s, to the mean, and what it lets pass";
    const METHOD: &'static str =
        "exact distribution of the titre that ends the series and of its partner, by quadrature";
    const SOURCE: &'static str = "own derivation; H. A. David, Order Statistics, 2.2";
    const EXAMPLE: &'static str = r#"{"limit": 0.1, "sd": 0.1, "most": 6}"#;
    type Result = StoppingRuleFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("ratios", self.ratios.len(), 10)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<StoppingRuleFigures>, Refusal> {
        let pair = match self.rule {
            PairRuleName::Any => PairRule::Any,
            PairRuleName::Consecutive => PairRule::Consecutive,
        };
        let mut outcomes = Vec::new();
        for (at, &ratio) in self.ratios.iter().enumerate() {
            if !(ratio > 0.0 && ratio.is_finite()) {
                let message = "must be greater than 0";
                return Err(Refusal::invalid(&format!("ratios[{at}]"), "range", message, ratio));
            }
            let sd = ratio * self.sd;
            let found = agreement::repeat_until_pair(pair, self.limit, sd, self.most)?;
            outcomes.push(StoppingFigures {
                ratio,
                sd,
                first_pair_passes: found.ends.first().copied().unwrap_or(0.0),
                passes: found.passes,
                mean_titres: found.mean_titres,
                shown_sd: found.shown_sd * sd,
                shown_over_true: found.shown_sd,
                sd_of_mean: found.sd_of_mean * sd,
                sd_of_mean_over_honest: found.sd_of_mean * 2f64.sqrt(),
                true_over_claimed: found.sd_of_mean * 2f64.sqrt() / found.shown_sd,
                ends: found.ends,
            });
        }
        let wrong = outcomes.iter().filter(|line| line.ratio > 1.0);
        let worst = wrong.max_by(|a, b| a.passes.total_cmp(&b.passes)).map(|line| (line.ratio, line.passes));
        let detail =
            worst.map(|(ratio, p)| format!("a method with {ratio} times the scatter passes with probability {p}"));
        let tests = worst.is_none_or(|(_, passes)| passes < 0.05);
        let outcome = Outcome::of(StoppingRuleFigures { outcomes });
        Ok(match detail {
            Some(detail) => outcome.says("the rule finds a wrong method", if tests { "met" } else { "query" }, detail),
            None => outcome,
        })
    }
}
