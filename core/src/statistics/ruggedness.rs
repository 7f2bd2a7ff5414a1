//! Ruggedness: seven factors in eight runs.

use crate::statistics::anova::FRatio;
use crate::statistics::distribution::StudentT;
use crate::statistics::model_error::ModelError;

/// The eight runs: `true` where a factor is at its high level.
///
/// # Source
/// Youden and Steiner 1975, Statistical Manual of the AOAC (from memory); every two columns are orthogonal.
pub const YOUDEN_STEINER: [[bool; 7]; 8] = [
    [true, true, true, true, true, true, true],
    [true, true, false, true, false, false, false],
    [true, false, true, false, true, false, false],
    [true, false, false, false, false, true, true],
    [false, true, true, false, false, true, false],
    [false, true, false, false, true, false, true],
    [false, false, true, true, false, false, true],
    [false, false, false, true, true, true, false],
];

/// Known precision, against which effects are judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownPrecision {
    /// Within-laboratory standard deviation of a result, greater than 0.
    pub sd: f64,
    /// Its degrees of freedom; infinite when taken as known.
    pub degrees_of_freedom: f64,
    /// Two-sided level of the judgement, 0 to 1.
    pub alpha: f64,
}

/// Effect of one factor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// Mean of the four results at the high level minus mean of the four at the low level.
    pub difference: f64,
    /// Judgement against the known precision; `None` without one.
    pub verdict: Option<EffectVerdict>,
}

/// Judgement of one effect.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EffectVerdict {
    /// `difference/(s/√2)`.
    pub t: f64,
    /// Two-sided p-value.
    pub p: f64,
    /// Largest |difference| that passes.
    pub limit: f64,
    /// Whether the effect passes the limit.
    pub significant: bool,
}

/// Result of the design.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ruggedness {
    /// Effects in the order of the factors.
    pub effects: [Effect; 7],
    /// `√(2ΣD²/7)`: the standard deviation of a result if no factor mattered.
    pub sd_of_effects: f64,
    /// F test of `sd_of_effects` against the known precision; `None` without one.
    pub overall: Option<FRatio>,
    /// No effect is significant; `None` without a known precision.
    pub rugged: Option<bool>,
}

/// Effects of seven factors from the results of the eight runs of [`YOUDEN_STEINER`], in its order.
///
/// # Formula
/// `D = mean(high) - mean(low)`; `s_D = s/√2`; significant when `|D| > t(1-α/2; ν) s_D`; `s = √(2ΣD²/7)`, and
/// `F = 2ΣD²/7/s²` with 7 and ν degrees of freedom.
///
/// # Source
/// Youden and Steiner 1975 (from memory).
///
/// # Errors
/// A result that is not finite; a known standard deviation that is not positive; alpha outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::ruggedness::{KnownPrecision, youden_steiner};
/// let known = KnownPrecision { sd: 0.04, degrees_of_freedom: 12.0, alpha: 0.05 };
/// let study = youden_steiner(&[35.21, 35.26, 35.19, 35.24, 35.02, 35.08, 35.05, 35.11], Some(known))?;
/// assert!((study.effects[0].difference - 0.16).abs() < 1e-12);
/// assert_eq!(study.rugged, Some(false));
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn youden_steiner(results: &[f64; 8], known: Option<KnownPrecision>) -> Result<Ruggedness, ModelError> {
    for (i, value) in results.iter().enumerate() {
        if !value.is_finite() || value.abs() > 1e140 {
            return Err(ModelError::NotFinite { name: "results", position: i + 1, value: *value });
        }
    }
    // Shifting by the first result keeps the digits of small effects on a large level.
    let shifted = results.map(|y| y - results[0]);
    let differences: [f64; 7] = std::array::from_fn(|factor| {
        let signed = |(row, y): (&[bool; 7], &f64)| if row[factor] { *y } else { -*y };
        YOUDEN_STEINER.iter().zip(&shifted).map(signed).sum::<f64>() / 4.0
    });
    let mean_square = 2.0 * differences.iter().map(|d| d * d).sum::<f64>() / 7.0;
    let mut effects = differences.map(|difference| Effect { difference, verdict: None });
    let mut overall = None;
    if let Some(KnownPrecision { sd, degrees_of_freedom, alpha }) = known {
        let sd = ModelError::positive("known standard deviation", sd)?;
        let student = StudentT::new(degrees_of_freedom)?;
        let sd_of_difference = sd / std::f64::consts::SQRT_2;
        let limit = student.upper_quantile(0.5 * ModelError::fraction("alpha", alpha)?)? * sd_of_difference;
        for effect in &mut effects {
            let t = effect.difference / sd_of_difference;
            let significant = effect.difference.abs() > limit;
            effect.verdict = Some(EffectVerdict { t, p: student.two_sided(t), limit, significant });
        }
        overall = FRatio::of((mean_square, 7.0), (sd * sd, degrees_of_freedom))?;
    }
    let rugged = known.map(|_| effects.iter().all(|effect| effect.verdict.is_some_and(|v| !v.significant)));
    Ok(Ruggedness { effects, sd_of_effects: mean_square.sqrt(), overall, rugged })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_design_is_balanced_and_orthogonal() {
        for a in 0..7 {
            assert_eq!(YOUDEN_STEINER.iter().filter(|run| run[a]).count(), 4);
            for b in 0..a {
                assert_eq!(YOUDEN_STEINER.iter().filter(|run| run[a] == run[b]).count(), 4);
            }
        }
    }

    #[test]
    fn one_active_factor_is_found_alone_and_without_precision_nothing_is_judged() {
        let results: [f64; 8] = std::array::from_fn(|i| 1e12 + if YOUDEN_STEINER[i][4] { 1.0 } else { 0.0 });
        let study = youden_steiner(&results, None).unwrap();
        let found: Vec<f64> = study.effects.iter().map(|e| e.difference).collect();
        assert_eq!(found, [0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0]);
        assert_eq!((study.rugged, study.overall), (None, None));
        let bad = KnownPrecision { sd: 0.0, degrees_of_freedom: 5.0, alpha: 0.05 };
        assert!(youden_steiner(&results, Some(bad)).is_err());
    }
}
