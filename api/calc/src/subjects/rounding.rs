//! Rounding of decimals.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::rounding::{self, FourthDecimal, Ties};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::subject::{Calculation, Outcome, Place};

/// How a tie is rounded.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum TieName {
    /// To the even neighbour.
    #[default]
    #[serde(rename = "half even")]
    HalfEven,
    /// Away from zero.
    #[serde(rename = "half up")]
    HalfUp,
}

impl From<TieName> for Ties {
    fn from(name: TieName) -> Self {
        match name {
            TieName::HalfEven => Self::HalfEven,
            TieName::HalfUp => Self::HalfUp,
        }
    }
}

/// A decimal to round: to places, to figures, or as an expanded uncertainty asks.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RoundingInput {
    /// The decimal as text, such as "52.36506".
    #[schema(example = "52.36506")]
    value: String,
    /// Decimal places; negative ones round before the point.
    places: Option<i64>,
    /// Significant figures.
    figures: Option<u32>,
    /// Expanded uncertainty: it is rounded to two figures and the value to match.
    expanded_uncertainty: Option<f64>,
    /// How ties are rounded.
    #[serde(default)]
    ties: TieName,
}

/// The decimal rounded in every way asked for.
#[derive(Debug, Serialize, ToSchema)]
pub struct RoundingFigures {
    /// To the places asked for.
    to_places: Option<String>,
    /// To the significant figures asked for.
    to_figures: Option<String>,
    /// Value to the place of its uncertainty.
    reported_value: Option<String>,
    /// Uncertainty to two figures.
    reported_uncertainty: Option<String>,
    /// In two steps, fourth decimal cut off, then to two decimals.
    two_steps_cut: String,
    /// In two steps, fourth decimal rounded, then to two decimals.
    two_steps_rounded: String,
}

impl Calculation for RoundingInput {
    const NAME: &'static str = "rounding";
    const SUMMARY: &'static str = "decimals rounded to places or figures, and a result to match its uncertainty";
    const METHOD: &'static str = "exact on the decimal digits given";
    const SOURCE: &'static str = "ISO 80000-1, annex B; ISO 2597-1, 8.2.5 (two steps)";
    const EXAMPLE: &'static str = r#"{"value": "52.36506", "places": 2, "figures": 3, "expanded_uncertainty": 0.0847}"#;
    type Result = RoundingFigures;

    fn calculate(self, _: Place) -> Result<Outcome<RoundingFigures>, Refusal> {
        let refused = |message: &str| Refusal::invalid("value", "decimal", message, &self.value);
        if self.value.len() > 60 || self.value.contains(['e', 'E']) {
            return Err(refused("must be a plain decimal of at most 60 characters"));
        }
        let value: bigdecimal::BigDecimal =
            self.value.parse().map_err(|_error| refused("must be a plain decimal such as 52.36506"))?;
        if let Some(places) = self.places
            && !(-30..=30).contains(&places)
        {
            return Err(Refusal::invalid("places", "range", "must be from -30 to 30", places));
        }
        if let Some(figures) = self.figures
            && !(1..=60).contains(&figures)
        {
            return Err(Refusal::invalid("figures", "range", "must be from 1 to 60", figures));
        }
        let ties = self.ties.into();
        let reported = match self.expanded_uncertainty {
            None => None,
            Some(expanded) => {
                let nearest = self.value.parse().unwrap_or(f64::NAN);
                let message = "must be greater than 0 and finite";
                let refused = || Refusal::invalid("expanded_uncertainty", "range", message, expanded);
                Some(rounding::report(nearest, expanded, ties).filter(|_| expanded > 0.0).ok_or_else(refused)?)
            }
        };
        let two = |first| rounding::text(&rounding::two_steps(&value, first));
        Ok(Outcome::of(RoundingFigures {
            to_places: self.places.map(|places| rounding::text(&rounding::to_places(&value, places, ties))),
            to_figures: self.figures.map(|figures| rounding::text(&rounding::to_figures(&value, figures, ties))),
            reported_value: reported.as_ref().map(|reported| reported.value.clone()),
            reported_uncertainty: reported.map(|reported| reported.expanded_uncertainty),
            two_steps_cut: two(FourthDecimal::Cut),
            two_steps_rounded: two(FourthDecimal::Rounded),
        }))
    }
}
