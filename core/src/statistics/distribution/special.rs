//! Incomplete beta and gamma ratios to nearly full double precision, both tails at once.
//!
//! The distributions crate computes these with `exp` of a difference of log-gammas, which loses digits as parameters
//! grow, stops its continued fraction after 140 terms and forms `1 − x`. Here the leading factor is taken in Loader's
//! saddle-point form and the caller hands over both `x` and `1 − x`.
use super::gamma;

/// Both tails of a distribution function; each is accurate when it is the small one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Tails {
    pub lower: f64,
    pub upper: f64,
}

impl Tails {
    fn from_lower(lower: f64) -> Self {
        let lower = lower.clamp(0.0, 1.0);
        Self { lower, upper: 1.0 - lower }
    }

    fn from_upper(upper: f64) -> Self {
        let upper = upper.clamp(0.0, 1.0);
        Self { lower: 1.0 - upper, upper }
    }

    pub(crate) fn swapped(self) -> Self {
        Self { lower: self.upper, upper: self.lower }
    }
}

/// Above this the continued fraction is stopped; reached only for parameters near 1e12, where it still holds 1e-9.
const MAXIMUM_TERMS: u32 = 4_000_000;

/// `ln Γ(z)` less Stirling's main part, `(z − ½) ln z − z + ½ ln 2π`.
///
/// # Source
/// C. Loader, Fast and accurate computation of binomial probabilities (2000), `stirlerr` (from memory), shifted by
/// `ln z` because the argument here is that of gamma, not of the factorial.
pub(crate) fn stirling_remainder(z: f64) -> f64 {
    if z < 12.0 {
        // As a ratio, not a difference of logarithms: ln Γ(11) = 15 would leave only 14 decimals.
        return (gamma(z) / z.powf(z) * z.exp() * (z / std::f64::consts::TAU).sqrt()).ln();
    }
    // Bernoulli series B(2k) / (2k (2k − 1) z^(2k − 1)); the first omitted term is below 1e-17 for z >= 12.
    const COEFFICIENTS: [f64; 7] =
        [1.0 / 12.0, -1.0 / 360.0, 1.0 / 1260.0, -1.0 / 1680.0, 1.0 / 1188.0, -691.0 / 360_360.0, 1.0 / 156.0];
    let inverse_square = 1.0 / (z * z);
    COEFFICIENTS.iter().rev().fold(0.0, |sum, c| sum * inverse_square + c) / z
}

/// Deviance `x ln(x / m) + m − x` without cancellation near `x = m` (Loader's `bd0`).
pub(crate) fn deviance(x: f64, m: f64) -> f64 {
    deviance_from(x, m, x - m)
}

/// The same with `x − m` given, for callers that know it better than the subtraction does.
fn deviance_from(x: f64, m: f64, difference: f64) -> f64 {
    if x == 0.0 {
        return m;
    }
    if difference.abs() >= 0.1 * (x + m) {
        return x * (x / m).ln() - difference;
    }
    let v = difference / (x + m);
    let mut sum = difference * v;
    let mut term = 2.0 * x * v;
    let v2 = v * v;
    for j in 1..1000 {
        term *= v2;
        let next = sum + term / f64::from(2 * j + 1);
        if next == sum {
            break;
        }
        sum = next;
    }
    sum
}

/// `x^a y^b / B(a, b)` with `y = 1 − x`.
pub(crate) fn beta_kernel(a: f64, b: f64, x: f64, y: f64) -> f64 {
    if x <= 0.0 || y <= 0.0 {
        return 0.0;
    }
    let n = a + b;
    let remainder = stirling_remainder(n) - stirling_remainder(a) - stirling_remainder(b);
    // a − (a + b) x, written so that a large a does not swamp a small difference.
    let lambda = a * y - b * x;
    let exponent = remainder - deviance_from(a, n * x, lambda) - deviance_from(b, n * y, -lambda);
    (a * (b / n) / std::f64::consts::TAU).sqrt() * exponent.exp()
}

/// Regularised incomplete beta function `I_x(a, b)` and its complement, `y = 1 − x` given by the caller.
///
/// # Formula
/// Continued fraction of Didonato and Morris (1992, eq. 15; also DLMF 8.17.22) by the modified Lentz method, on the
/// side of the mean where it converges fast.
pub(crate) fn incomplete_beta(a: f64, b: f64, x: f64, y: f64) -> Tails {
    if x <= 0.0 {
        return Tails { lower: 0.0, upper: 1.0 };
    }
    if y <= 0.0 {
        return Tails { lower: 1.0, upper: 0.0 };
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return incomplete_beta_fraction(b, a, y, x).swapped();
    }
    incomplete_beta_fraction(a, b, x, y)
}

fn incomplete_beta_fraction(a: f64, b: f64, x: f64, y: f64) -> Tails {
    let kernel = beta_kernel(a, b, x, y);
    if kernel == 0.0 {
        return Tails { lower: 0.0, upper: 1.0 };
    }
    // I = kernel · 1/(β0 + α1/(β1 + α2/(β2 + …))); the terms are positive on this side, so nothing cancels.
    let lambda = a * y - b * x;
    let beta = |m: f64| {
        m + m * (b - m) * x / (a + 2.0 * m - 1.0) + (a + m) * (lambda + 1.0 + m * (1.0 + y)) / (a + 2.0 * m + 1.0)
    };
    // β0 apart: its first two terms vanish, but as 0/0 when a = 1.
    let mut f = a * (lambda + 1.0) / (a + 1.0);
    let mut c = f;
    let mut d = 0.0;
    for m in 1..MAXIMUM_TERMS {
        let m = f64::from(m);
        let denominator = a + 2.0 * m - 1.0;
        let alpha = ((a + m - 1.0) / denominator) * ((a + b + m - 1.0) / denominator) * m * (b - m) * x * x;
        let beta_m = beta(m);
        d = 1.0 / (beta_m + alpha * d);
        c = beta_m + alpha / c;
        let factor = c * d;
        f *= factor;
        if (factor - 1.0).abs() < 4e-16 {
            break;
        }
    }
    Tails::from_lower(kernel / f)
}

/// `x^a e^(−x) / Γ(a)`.
pub(crate) fn gamma_kernel(a: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    (a / std::f64::consts::TAU).sqrt() * (-stirling_remainder(a) - deviance(a, x)).exp()
}

/// Regularised incomplete gamma functions `P(a, x)` and `Q(a, x)`.
///
/// # Formula
/// DLMF 8.11.4 (series) for `x < a + 1`, DLMF 8.9.2 (continued fraction, even part) otherwise.
pub(crate) fn incomplete_gamma(a: f64, x: f64) -> Tails {
    if x <= 0.0 {
        return Tails { lower: 0.0, upper: 1.0 };
    }
    if x.is_infinite() {
        return Tails { lower: 1.0, upper: 0.0 };
    }
    let kernel = gamma_kernel(a, x);
    if x < a + 1.0 {
        let mut term = 1.0;
        let mut sum = 1.0;
        for n in 1..MAXIMUM_TERMS {
            term *= x / (a + f64::from(n));
            sum += term;
            if term < sum * 1e-17 {
                break;
            }
        }
        return Tails::from_lower(kernel * (sum / a));
    }
    let mut b = x + 1.0 - a;
    let mut f = b;
    let mut c = b;
    let mut d = 0.0;
    for n in 1..MAXIMUM_TERMS {
        let n = f64::from(n);
        let alpha = n * (a - n);
        b += 2.0;
        d = 1.0 / (b + alpha * d);
        c = b + alpha / c;
        let factor = c * d;
        f *= factor;
        if (factor - 1.0).abs() < 4e-16 {
            break;
        }
    }
    Tails::from_upper(kernel / f)
}
