//! Noncentral Student's t, and integrals over the distribution of a sample standard deviation.
//!
//! Everything is an integral of positive terms, so that both tails keep their digits down to 1e-300; the published
//! series (AS 243) lose them there.

use crate::statistics::distribution::{Normal, StudentT};
use crate::statistics::model_error::ModelError;

/// Logarithm of the standard normal distribution function, without underflow.
pub(super) fn ln_normal_cdf(z: f64) -> f64 {
    if z > -30.0 {
        return Normal.cdf(z).ln();
    }
    // Asymptotic series of Mills' ratio; at -30 the first omitted term is below 1e-16.
    let square = z * z;
    let mut term = 1.0;
    let mut series = 1.0;
    for odd in [1.0, 3.0, 5.0, 7.0, 9.0, 11.0] {
        term *= -odd / square;
        series += term;
    }
    -0.5 * square - (-z).ln() - 0.918_938_533_204_672_8 + series.ln()
}

/// `e^{2v} - 1 - 2v` without cancellation near 0.
fn excess(v: f64) -> f64 {
    let x = 2.0 * v;
    if x.abs() > 0.1 {
        return x.exp_m1() - x;
    }
    let (mut term, mut sum, mut k) = (0.5 * x * x, 0.0, 3.0);
    while term.abs() > 1e-18 * sum {
        sum += term;
        term *= x / k;
        k += 1.0;
    }
    sum
}

/// Logarithms of weights below this, relative to the largest, add nothing to a sum in `f64`.
const NEGLIGIBLE: f64 = -42.0;

/// Expected value of `exp(ln_f(w))` where `w = √(χ²_ν/ν)` is a sample standard deviation over the true one.
///
/// # Formula
/// With `w = e^v` the density of v is proportional to `exp(-(ν/2)(e^{2v} - 1 - 2v))`; the trapezoidal rule on v
/// converges faster than any power for such analytic, rapidly falling integrands. The normalising constant comes from
/// the same rule. `ln_f` must be concave in w (it is for every use here), so that the integrand has one peak;
/// `steepness` bounds its rate of change on the scale of v.
fn expectation(nu: f64, steepness: f64, ln_f: impl Fn(f64) -> f64) -> f64 {
    let density = |v: f64| -0.5 * nu * excess(v);
    let step = 0.2 / (2.0 * nu).sqrt().max(steepness).max(1.0);
    let (ln_mass, _) = trapezoid(step, density, 0.0);
    let peak_near = peak(|v| density(v) + ln_f(v.exp()));
    let (ln_integral, _) = trapezoid(step, |v| density(v) + ln_f(v.exp()), peak_near);
    (ln_integral - ln_mass).exp()
}

/// Where a function with one peak has it, by golden section between the widest v that matter.
fn peak(f: impl Fn(f64) -> f64) -> f64 {
    const GOLDEN: f64 = 0.618_033_988_749_894_8;
    let (mut low, mut high) = (-60.0_f64, 12.0_f64);
    let (mut left, mut right) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
    let (mut at_left, mut at_right) = (f(left), f(right));
    for _ in 0..80 {
        // On the far left both may be minus infinity: the peak lies to the right of there.
        if at_left > at_right {
            (high, right, at_right) = (right, left, at_left);
            left = high - GOLDEN * (high - low);
            at_left = f(left);
        } else {
            (low, left, at_left) = (left, right, at_right);
            right = low + GOLDEN * (high - low);
            at_right = f(right);
        }
    }
    0.5 * (low + high)
}

/// Logarithm of the trapezoidal sum of `exp(ln_g)`, and the number of terms; the walk starts at the peak and goes out
/// both ways until terms no longer count.
fn trapezoid(step: f64, ln_g: impl Fn(f64) -> f64, peak: f64) -> (f64, usize) {
    let top = ln_g(peak);
    if top == f64::NEG_INFINITY {
        return (top, 0);
    }
    let (mut sum, mut terms) = (1.0, 1);
    for direction in [-step, step] {
        for i in 1..2_000_000 {
            let relative = ln_g(peak + direction * f64::from(i)) - top;
            if relative < NEGLIGIBLE {
                break;
            }
            sum += relative.exp();
            terms += 1;
        }
    }
    (top + sum.ln(), terms)
}

/// Noncentral Student's t: `(Z + δ)/√(χ²_ν/ν)`.
///
/// # Formula
/// `P(T <= t) = E[Φ(t w - δ)]` over `w = √(χ²_ν/ν)`.
///
/// # Source
/// Definition; Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 2, chapter 31 (from memory).
/// Method: trapezoidal rule after `w = e^v`, see `core/NUMERICS.md`.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::noncentral_t::NoncentralT;
/// // SciPy 1.17.1, nct.sf(2.5, 7, 1.5)
/// assert!((NoncentralT::new(7.0, 1.5)?.sf(2.5) - 0.223_673_478_730_9).abs() < 5e-13);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoncentralT {
    degrees_of_freedom: f64,
    noncentrality: f64,
}

impl NoncentralT {
    /// Distribution with ν in [0.5, 1e9] and |δ| at most 1e5.
    ///
    /// # Errors
    /// Parameters outside these ranges.
    pub fn new(degrees_of_freedom: f64, noncentrality: f64) -> Result<Self, ModelError> {
        if !(0.5..=1e9).contains(&degrees_of_freedom) {
            let (name, rule) = ("degrees of freedom", "between 0.5 and 1e9");
            return Err(ModelError::OutOfRange { name, rule, value: degrees_of_freedom });
        }
        if noncentrality.is_nan() || noncentrality.abs() > 1e5 {
            let (name, rule) = ("noncentrality", "between -1e5 and 1e5");
            return Err(ModelError::OutOfRange { name, rule, value: noncentrality });
        }
        Ok(Self { degrees_of_freedom, noncentrality })
    }

    fn tail(&self, t: f64, delta: f64) -> f64 {
        if t.is_nan() {
            return f64::NAN;
        }
        if t.is_infinite() {
            return if t > 0.0 { 1.0 } else { 0.0 };
        }
        expectation(self.degrees_of_freedom, delta.abs(), |w| ln_normal_cdf(t * w - delta)).min(1.0)
    }

    /// Probability of a value of at most `t`.
    #[must_use]
    pub fn cdf(&self, t: f64) -> f64 {
        self.tail(t, self.noncentrality)
    }

    /// Probability of a value above `t`.
    #[must_use]
    pub fn sf(&self, t: f64) -> f64 {
        self.tail(-t, -self.noncentrality)
    }

    /// Value `t` with `P(T <= t) = p`.
    ///
    /// # Errors
    /// `p` outside (0, 1).
    pub fn quantile(&self, p: f64) -> Result<f64, ModelError> {
        let p = ModelError::fraction("probability", p)?;
        // The smaller tail keeps its digits.
        let below = |t: f64| if p <= 0.5 { self.cdf(t) < p } else { self.sf(t) > 1.0 - p };
        let start = self.noncentrality + StudentT::new(self.degrees_of_freedom)?.quantile(p)?;
        let mut width = 0.1 * start.abs().max(1.0);
        let (mut low, mut high) = (start - width, start + width);
        // Doubling from an approximate start reaches any quantile of a double in a few hundred steps at most.
        while !below(low) && width < 1e300 {
            width *= 2.0;
            low -= width;
        }
        width = high - start;
        while below(high) && width < 1e300 {
            width *= 2.0;
            high += width;
        }
        Ok(bisect(low, high, below))
    }
}

/// Where a condition that holds at `low` stops holding before `high`, to the last bits.
pub(super) fn bisect(mut low: f64, mut high: f64, below: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high || high - low <= 4e-16 * middle.abs() {
            break;
        }
        if below(middle) { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// `P(lower + a w < Z < upper - a w)` over `w = √(χ²_ν/ν)`: the chance that an estimate with standard error w lies so
/// far inside both margins that two one-sided tests pass.
pub(super) fn both_sides(nu: f64, lower: f64, upper: f64, a: f64) -> f64 {
    if upper <= lower || a <= 0.0 {
        return 0.0;
    }
    let steepness = lower.abs().max(upper.abs()).max(1.0);
    // The difference of two normal probabilities is log-concave in w and is zero from w = (upper - lower)/(2a) on. A
    // kink there would spoil the trapezoidal rule, so this one uses Gauss-Legendre panels that end at the kink.
    let end = (0.5 * (upper - lower) / a).ln();
    let inside = |w: f64| {
        let (low, high) = (lower + a * w, upper - a * w);
        // From the side on which both probabilities are small.
        if low > 0.0 { Normal.sf(low) - Normal.sf(high) } else { Normal.cdf(high) - Normal.cdf(low) }
    };
    let density = |v: f64| (-0.5 * nu * excess(v)).exp();
    let width = 1.0 / (2.0 * nu).sqrt().max(steepness).max(1.0);
    let spread = 9.0 / nu.sqrt().max(1e-9);
    let bottom = (-spread - 45.0 / nu).min(end - 1.0);
    let top = (spread.min(2.5)).min(end);
    if top <= bottom {
        return 0.0;
    }
    let mass = panels(bottom.min(-spread - 45.0 / nu), spread.min(2.5), width, density);
    panels(bottom, top, width, |v| density(v) * inside(v.exp())) / mass
}

/// Nodes and weights of ten-point Gauss-Legendre panels no wider than `width`.
pub(super) fn panel_nodes(low: f64, high: f64, width: f64) -> impl Iterator<Item = (f64, f64)> {
    // Abramowitz and Stegun, table 25.4; digits from NumPy 2.4.6, leggauss(10).
    const NODES: [(f64, f64); 5] = [
        (0.148_874_338_981_631_22, 0.295_524_224_714_752_8),
        (0.433_395_394_129_247_2, 0.269_266_719_309_996_5),
        (0.679_409_568_299_024_4, 0.219_086_362_515_982),
        (0.865_063_366_688_984_5, 0.149_451_349_150_580_4),
        (0.973_906_528_517_171_7, 0.066_671_344_308_688_14),
    ];
    let count = ((high - low) / width).ceil().clamp(1.0, 1e6);
    let half = 0.5 * (high - low) / count;
    std::iter::successors(Some(0.0), move |i| Some(i + 1.0)).take_while(move |i| *i < count).flat_map(move |i| {
        let middle = low + half * (2.0 * i + 1.0);
        NODES.into_iter().flat_map(move |(node, weight)| {
            [(middle - half * node, half * weight), (middle + half * node, half * weight)]
        })
    })
}

/// Integral over such panels.
fn panels(low: f64, high: f64, width: f64, f: impl Fn(f64) -> f64) -> f64 {
    panel_nodes(low, high, width).map(|(x, weight)| weight * f(x)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, relative: f64) {
        assert!((found / expected - 1.0).abs() <= relative, "{found} is not {expected}");
    }

    // Expected values: mpmath 1.3.0, 30 digits, quadrature over the chi distribution (the case with ν = 200
    // with three step sizes).
    #[test]
    fn both_tails_agree_with_an_independent_computation_to_twelve_digits() {
        for (t, nu, delta, lower, upper) in [
            (2.5, 7.0, 1.5, 0.7763265212691198, 0.22367347873088013),
            (0.0, 3.0, 2.0, 0.02275013194817921, 0.9772498680518208),
            (-3.0, 5.0, 1.0, 0.0014335969988769963, 0.998566403001123),
            (2.0, 30.0, -6.0, 0.9999999999999954, 4.528079658935637e-15),
            (10.0, 4.0, 30.0, 5.270712443793816e-7, 0.9999994729287556),
            (40.0, 9.0, 3.0, 0.9999999863932318, 1.3606768161203538e-8),
            (3.0, 1.0, 0.5, 0.8231218864004438, 0.1768781135995562),
            (1.5, 2.5, -20.0, 1.0, 2.1043659686025053e-92),
            (1.0, 200.0, 20.0, 1.3163173565410247e-80, 1.0),
            (5.0, 9.0, 9.0, 0.004656101287642045, 0.995343898712358),
            (100.0, 1.0, 1.0, 0.9913569371260834, 0.008643062873916578),
        ] {
            let distribution = NoncentralT::new(nu, delta).unwrap();
            close(distribution.cdf(t), lower, 1e-12);
            close(distribution.sf(t), upper, 1e-12);
        }
    }

    // Expected values: mpmath 1.3.0, 40 digits, trapezoidal sums of two step sizes that agree.
    #[test]
    fn far_tails_keep_their_digits() {
        for (t, nu, delta, lower) in [
            (-30.0, 20.0, 5.0, 2.114103602966424e-31),
            (-60.0, 50.0, 30.0, 3.5901563575616964e-287),
            (-1e4, 30.0, 3.0, 5.58855626398783e-108),
            (2.0, 300.0, 36.0, 5.581327764725789e-252),
        ] {
            close(NoncentralT::new(nu, delta).unwrap().cdf(t), lower, 1e-11);
            close(NoncentralT::new(nu, -delta).unwrap().sf(-t), lower, 1e-11);
        }
    }

    #[test]
    fn large_parameters_are_answered() {
        for (nu, delta) in [(0.5, 300.0), (1e6, 1e3), (1e9, -4.0), (3.0, -2000.0)] {
            let distribution = NoncentralT::new(nu, delta).unwrap();
            close(distribution.cdf(delta) + distribution.sf(delta), 1.0, 1e-9);
        }
    }

    #[test]
    fn without_noncentrality_it_is_students_t() {
        for (t, nu) in [(2.0, 3.0), (-1.5, 10.0), (6.0, 0.7), (30.0, 25.0), (0.3, 5000.0)] {
            let (found, central) = (NoncentralT::new(nu, 0.0).unwrap(), StudentT::new(nu).unwrap());
            close(found.sf(t), central.sf(t), 1e-12);
            close(found.cdf(t), central.cdf(t), 1e-12);
        }
    }

    #[test]
    fn quantiles_undo_the_distribution_function_in_both_tails() {
        for (nu, delta) in [(1.0, 0.5), (4.0, -3.0), (9.0, 6.2), (200.0, 20.0)] {
            let distribution = NoncentralT::new(nu, delta).unwrap();
            for p in [1e-8, 0.01, 0.3, 0.5, 0.95] {
                close(distribution.cdf(distribution.quantile(p).unwrap()), p, 1e-9);
            }
            close(distribution.sf(distribution.quantile(1.0 - 1e-6).unwrap()), 1e-6, 1e-8);
        }
        assert!(NoncentralT::new(5.0, 1.0).unwrap().quantile(1.0).is_err());
        assert!(NoncentralT::new(0.0, 1.0).is_err());
        assert!(NoncentralT::new(5.0, f64::NAN).is_err());
    }
}
