//! Probability that the ratios at both ends exceed r, for the ratios whose denominators differ: r11, r12, r21 and r22.
//!
//! With a and b the values that both denominators end at and k values strictly between them, the values outside are
//! integrated out:
//!
//! P = n!/k! ∬ φ(a) φ(b) (Φ(b) − Φ(a))^k I(a, b) da db, and for k = −1, where a is b, n! ∫ φ(a) I(a, a) da.
//!
//! The low end exceeds r if its value lies below x − κ (y − x), κ = r / (1 − r), x its neighbour and y the far end of its
//! denominator; the high end mirrors it. Per ratio, with v = b − a and Ψ = 1 − Φ:
//!
//! r11: I = Φ(a − κv) Ψ(b + κv). r22: both factors with one more value between. r12: a single integral for each end. r21: the
//! denominator of one end holds the neighbour of the other, so that the integral over both neighbours stays double.
//!
//! Source: joint density of order statistics (David, Order Statistics, 2.2; from memory); Dixon 1951.
use std::f64::consts::TAU;
use std::sync::OnceLock;

use super::Ratio;
use crate::statistics::distribution::normal_sf;
use crate::statistics::quadrature::Rule;

/// Beyond this a normal tail is 1e-17.
const FAR: f64 = 8.5;

fn rule(nodes: usize) -> &'static Rule {
    static RULES: [OnceLock<Rule>; 3] = [OnceLock::new(), OnceLock::new(), OnceLock::new()];
    let place = match nodes {
        0..=8 => 0,
        9..=20 => 1,
        _ => 2,
    };
    RULES[place].get_or_init(|| Rule::new([8, 20, 40][place]))
}

fn lower(z: f64) -> f64 {
    normal_sf(-z)
}

fn density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / TAU.sqrt()
}

/// P(both ends exceed r) for n values.
pub(super) fn both(ratio: Ratio, n: usize, r: f64) -> f64 {
    if r <= 0.0 {
        return 1.0;
    }
    if r >= 1.0 {
        return 0.0;
    }
    let kappa = r / (1.0 - r);
    // Values outside a and b, with them.
    let outer = if ratio == Ratio::R11 { 4 } else { 6 };
    let inner = |a: f64, b: f64| match ratio {
        Ratio::R11 => lower(a - kappa * (b - a)) * normal_sf(b + kappa * (b - a)),
        Ratio::R22 => with_one_between(a, b, kappa),
        Ratio::R12 => neighbour(-b, -a, r) * neighbour(a, b, r),
        _ => crossed(a, b, kappa),
    };
    let falling = |from: usize| (from..=n).map(|k| k as f64).product::<f64>();
    if n + 1 == outer {
        // The middle value is both a and b.
        let step = 0.1;
        let at = |k: i32| density(f64::from(k) * step) * inner(f64::from(k) * step, f64::from(k) * step);
        return falling(2) * step * (-70..=70).map(at).sum::<f64>();
    }
    let between = n - outer;
    let step = std::f64::consts::PI / (22.0 * (1.0 + 0.5 * (n - 2) as f64)).sqrt();
    let half_count = (6.5 / step).ceil() as i32;
    let widest = (FAR / (kappa + 0.5)).min(12.2);
    let mut sum = 0.0;
    for (v, weight) in rule(if ratio == Ratio::R21 { 20 } else { 40 }).on(0.0, widest) {
        // Reflected values have the same probability: the half with m >= 0, twice.
        for k in 0..=half_count {
            let m = f64::from(k) * step;
            let (a, b) = (m - 0.5 * v, m + 0.5 * v);
            let inside = (lower(b) - lower(a)).max(0.0).powi(i32::try_from(between).unwrap_or(i32::MAX));
            let weight = if k == 0 { weight } else { 2.0 * weight } * (-m * m - 0.25 * v * v).exp() / TAU * inside;
            if weight > 1e-22 {
                sum += weight * inner(a, b);
            }
        }
    }
    (falling(between + 1) * step * sum).clamp(0.0, 1.0)
}

/// r22: the end below a − κv, one value between it and a; the same above b.
fn with_one_between(a: f64, b: f64, kappa: f64) -> f64 {
    let reach = kappa * (b - a);
    let end = |a: f64, t: f64| lower(t) * (lower(a) - 0.5 * lower(t));
    end(a, a - reach) * end(-b, -b - reach)
}

/// r12, high end: its neighbour y anywhere above b, itself beyond (y − r a) / (1 − r).
fn neighbour(a: f64, b: f64, r: f64) -> f64 {
    let last = ((1.0 - r) * FAR + r * a).min(FAR);
    if last <= b {
        return 0.0;
    }
    rule(20).integrate(b, last, |y| density(y) * normal_sf((y - r * a) / (1.0 - r)))
}

/// r21: the neighbours p below a and q above b; the ends beyond both a − p and a − κ(v + q), and mirrored.
fn crossed(a: f64, b: f64, kappa: f64) -> f64 {
    let v = b - a;
    let reach = |own: f64, other: f64| own.max(kappa * (v + other));
    // Where one of the two tails is nothing.
    let last_p = (a + FAR).min((FAR - b) / kappa - v);
    let last_q = (FAR - b).min((a + FAR) / kappa - v);
    if last_p <= 0.0 || last_q <= 0.0 {
        return 0.0;
    }
    let over_p = |q: f64| {
        let value = |p: f64| density(a - p) * lower(a - reach(p, q)) * normal_sf(b + reach(q, p));
        pieces([kappa * (v + q), q / kappa - v], last_p, &value)
    };
    pieces([kappa * v, last_q], last_q, &|q: f64| density(b + q) * over_p(q))
}

/// Integral from 0, in pieces between points where the slope changes.
fn pieces(mut breaks: [f64; 2], last: f64, of: &dyn Fn(f64) -> f64) -> f64 {
    breaks.sort_by(f64::total_cmp);
    let mut from = 0.0;
    let mut sum = 0.0;
    for to in [breaks[0], breaks[1], last] {
        let to = to.clamp(from, last);
        if to > from {
            sum += rule(8).integrate(from, to, of);
        }
        from = to;
    }
    sum
}
