//! Propagation by finite differences: the spreadsheet method, kept as an independent check of the analytic one.

use super::Inputs;

/// Result of the numerical propagation.
#[derive(Debug, Clone, PartialEq)]
pub struct NumericalPropagation {
    /// Model value at the estimates.
    pub value: f64,
    /// Signed contribution of each input, in the order of [`Inputs::list`].
    pub contributions: Vec<f64>,
    /// Combined standard uncertainty.
    pub standard_uncertainty: f64,
}

/// Propagates by moving one input at a time by its standard uncertainty, up and down.
///
/// # Formula
/// Δᵢ = \[f(xᵢ + uᵢ) − f(xᵢ − uᵢ)\] / 2;  u² = Σᵢ Δᵢ² + 2 Σᵢ<ⱼ rᵢⱼ Δᵢ Δⱼ
///
/// # Source
/// J. Kragten, Analyst 119 (1994) 2161, as in the Eurachem/CITAC guide, with the symmetric difference so that
/// second-order terms cancel; JCGM 100:2008 5.1.3 note 2.
///
/// Returns `None` when the model is not finite somewhere within one standard uncertainty of the estimates.
///
/// # Example
/// ```
/// use ferrotitre_core::uncertainty::{Input, Inputs, propagate_numerically};
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// let mut inputs = Inputs::new();
/// inputs.add(Input::new("m", "mass", "mg", 100.28, 0.05))?;
/// inputs.add(Input::new("v", "volume", "mL", 100.0, 0.07))?;
/// let result = propagate_numerically(&inputs, |x: &[f64]| x[0] / x[1]).ok_or("not finite")?;
/// assert!((result.standard_uncertainty - 0.000862).abs() < 1e-6);
/// # Ok(()) }
/// ```
pub fn propagate_numerically(inputs: &Inputs, model: impl Fn(&[f64]) -> f64) -> Option<NumericalPropagation> {
    let finite = |value: f64| value.is_finite().then_some(value);
    let mut x = inputs.values();
    let value = finite(model(&x))?;
    let mut contributions = Vec::with_capacity(x.len());
    for (i, input) in inputs.list().iter().enumerate() {
        x[i] = input.value + input.standard_uncertainty;
        let above = finite(model(&x))?;
        x[i] = input.value - input.standard_uncertainty;
        let below = finite(model(&x))?;
        x[i] = input.value;
        contributions.push((above - below) / 2.0);
    }
    let at = |index: u32| usize::try_from(index).ok().and_then(|i| contributions.get(i)).copied().unwrap_or(0.0);
    let independent: f64 = contributions.iter().map(|c| c * c).sum();
    let joint: f64 = inputs.correlations().map(|((i, k), r)| 2.0 * r * at(i) * at(k)).sum();
    let standard_uncertainty = (independent + joint).max(0.0).sqrt();
    Some(NumericalPropagation { value, contributions, standard_uncertainty })
}
