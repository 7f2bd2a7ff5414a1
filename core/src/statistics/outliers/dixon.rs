//! Dixon's ratios r10, r11, r12, r20, r21 and r22 with exact critical values and p-values.
//!
//! The ratio of the lower end is `(x[1+i] − x[1]) / (x[n−j] − x[1])` for r_ij; the upper end mirrors it.
mod both;
mod null;
mod published;

use std::sync::{Arc, Mutex, PoisonError};

use super::{
    Critical, End, Finding, Obtained, OutlierError, PValue, Sidedness, finding, level, no_decision, size, sorted,
};
use crate::statistics::memory::Memory;
use crate::statistics::quadrature::find_root;
use null::Null;
pub use published::published;

/// Which ratio: `gap` neighbours are skipped in the numerator, `cut` values at the far end in the denominator.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ratio {
    /// Gap over range.
    R10,
    /// Far value left out of the range.
    R11,
    /// Two far values left out.
    R12,
    /// Gap to the second neighbour over range.
    R20,
    /// The same, far value left out.
    R21,
    /// The same, two far values left out.
    R22,
}

impl Ratio {
    /// All ratios.
    pub const ALL: [Ratio; 6] = [Ratio::R10, Ratio::R11, Ratio::R12, Ratio::R20, Ratio::R21, Ratio::R22];

    fn gap_and_cut(self) -> (usize, usize) {
        match self {
            Self::R10 => (1, 0),
            Self::R11 => (1, 1),
            Self::R12 => (1, 2),
            Self::R20 => (2, 0),
            Self::R21 => (2, 1),
            Self::R22 => (2, 2),
        }
    }

    /// Name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::R10 => "r10",
            Self::R11 => "r11",
            Self::R12 => "r12",
            Self::R20 => "r20",
            Self::R21 => "r21",
            Self::R22 => "r22",
        }
    }

    /// Fewest values for which the ratio is not always 1: one value must lie inside the gap's far side.
    #[must_use]
    pub fn fewest(self) -> usize {
        let (gap, cut) = self.gap_and_cut();
        gap + cut + 2
    }

    /// The ratio recommended for a number of values: r10 to 7, r11 to 10, r21 to 13, r22 above.
    ///
    /// # Source
    /// Dixon 1953 (from memory).
    #[must_use]
    pub fn recommended(n: usize) -> Self {
        match n {
            0..=7 => Self::R10,
            8..=10 => Self::R11,
            11..=13 => Self::R21,
            _ => Self::R22,
        }
    }
}

/// Most values for which critical values are computed.
pub const MOST: usize = 40;

/// Ratios at both ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ends {
    /// Ratio at the low end.
    pub low: f64,
    /// Ratio at the high end.
    pub high: f64,
}

/// The ratio at both ends.
///
/// # Errors
/// [`OutlierError`] for a number of values the ratio is not defined for, or values that do not differ.
pub fn statistic(ratio: Ratio, values: &[f64]) -> Result<Ends, OutlierError> {
    let x = sorted(values, ratio.fewest(), MOST)?;
    let (gap, cut) = ratio.gap_and_cut();
    let n = x.len();
    let (low_range, high_range) = (x[n - 1 - cut] - x[0], x[n - 1] - x[cut]);
    if low_range <= 0.0 || high_range <= 0.0 {
        return Err(OutlierError::NoSpread);
    }
    Ok(Ends { low: (x[gap] - x[0]) / low_range, high: (x[n - 1] - x[n - 1 - gap]) / high_range })
}

/// Probability that the ratio of `n` normal values exceeds `r`.
///
/// One-sided: at the end fixed beforehand. Two-sided: the larger of both ends. Both are exact for every ratio.
///
/// # Errors
/// A number of values the ratio is not defined for, or above 40.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::{Sidedness, dixon::{Ratio, p_value}};
/// let p = p_value(Ratio::R10, 5, 0.7102, Sidedness::TwoSided)?;
/// assert!((p.value - 0.05).abs() < 5e-5); // independent computation: two-sided 5 %, n = 5: 0.7102
/// # Ok::<(), ferrotitre_core::statistics::outliers::OutlierError>(())
/// ```
pub fn p_value(ratio: Ratio, n: usize, r: f64, sidedness: Sidedness) -> Result<PValue, OutlierError> {
    size(n, ratio.fewest(), MOST)?;
    let (_, cut) = ratio.gap_and_cut();
    Ok(p_from(&remembered_null(n, cut), ratio, r, sidedness))
}

/// The nodes asked for last: a test asks for a p-value and several critical values of the same n.
fn remembered_null(n: usize, cut: usize) -> Arc<Null> {
    static LAST: Mutex<Option<Arc<Null>>> = Mutex::new(None);
    let mut last = LAST.lock().unwrap_or_else(PoisonError::into_inner);
    match &*last {
        Some(null) if null.is_for(n, cut) => Arc::clone(null),
        _ => {
            let null = Arc::new(Null::new(n, cut));
            *last = Some(Arc::clone(&null));
            null
        }
    }
}

fn p_from(null: &Null, ratio: Ratio, r: f64, sidedness: Sidedness) -> PValue {
    let (gap, cut) = ratio.gap_and_cut();
    let one = null.one_end(gap, r);
    let (value, obtained) = match sidedness {
        Sidedness::OneSided => (one, Obtained::Exact),
        Sidedness::TwoSided if cut == 0 => (2.0 * one - null.both_ends(gap, r), Obtained::Exact),
        Sidedness::TwoSided => (2.0 * one - both::both(ratio, null.n(), r), Obtained::Exact),
    };
    PValue { value: value.clamp(0.0, 1.0), sidedness, obtained }
}

/// Critical value at any level, by the convention of [`p_value`]; computed once, then remembered.
///
/// # Errors
/// A level outside (0, 1) or a number of values the ratio is not defined for.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::{Sidedness, dixon::{Ratio, critical}};
/// let c = critical(Ratio::R10, 5, 0.05, Sidedness::TwoSided).unwrap();
/// assert!((c.value - 0.7102).abs() < 5e-5); // independent computation
/// ```
pub fn critical(ratio: Ratio, n: usize, alpha: f64, sidedness: Sidedness) -> Result<Critical, OutlierError> {
    let alpha = level(alpha)?;
    Ok(Critical { value: remembered(ratio, n, alpha, sidedness)?, alpha, sidedness, obtained: Obtained::Exact })
}

/// Two-sided critical value as the usual tables have it: the one-sided value at half the level.
///
/// # Errors
/// A level outside (0, 1) or a number of values the ratio is not defined for.
pub fn critical_bonferroni(ratio: Ratio, n: usize, alpha: f64) -> Result<Critical, OutlierError> {
    let alpha = level(alpha)?;
    let value = remembered(ratio, n, 0.5 * alpha, Sidedness::OneSided)?;
    Ok(Critical { value, alpha, sidedness: Sidedness::TwoSided, obtained: Obtained::Bonferroni })
}

type Key = (Ratio, usize, u64, Sidedness);

/// p of a ratio of readings. Readings have few digits, so few ratios occur, and a quadrature of up to 8 ms a determination
/// would be most of its evaluation. The ratio is taken to twelve decimals: what lies beyond is the rounding of doubles,
/// and the same readings get the same p at any titre.
fn p_of_readings(ratio: Ratio, n: usize, r: f64, sidedness: Sidedness) -> Result<PValue, OutlierError> {
    static MEMORY: Memory<Key, f64> = Memory::new();
    let r = (r * 1e12).round() * 1e-12;
    let key = (ratio, n, r.to_bits(), sidedness);
    let obtained = Obtained::Exact;
    if let Some(value) = MEMORY.known(&key) {
        return Ok(PValue { value, sidedness, obtained });
    }
    let value = MEMORY.keep(key, p_value(ratio, n, r, sidedness)?.value);
    Ok(PValue { value, sidedness, obtained })
}

fn remembered(ratio: Ratio, n: usize, alpha: f64, sidedness: Sidedness) -> Result<f64, OutlierError> {
    static MEMORY: Memory<Key, f64> = Memory::new();
    size(n, ratio.fewest(), MOST)?;
    let key = (ratio, n, alpha.to_bits(), sidedness);
    if let Some(known) = MEMORY.known(&key) {
        return Ok(known);
    }
    if sidedness == Sidedness::TwoSided && ratio.gap_and_cut().1 > 0 {
        return Ok(MEMORY.keep(key, two_sided(ratio, n, alpha)?));
    }
    // The tail falls about like a power of 1 − r, so ln p against ln(1 − r) is nearly straight.
    let null = remembered_null(n, ratio.gap_and_cut().1);
    let ratio_at = |u: f64| -(-u).exp_m1();
    let excess = |u: f64| p_from(&null, ratio, ratio_at(u), sidedness).value.ln() - alpha.ln();
    let value = ratio_at(find_root((0.0, 30.0), 1e-12, 2.0 / n as f64, excess));
    Ok(MEMORY.keep(key, value))
}

/// Two-sided critical value where both denominators differ: secant steps from the value at half the level, which is close.
fn two_sided(ratio: Ratio, n: usize, alpha: f64) -> Result<f64, OutlierError> {
    let null = remembered_null(n, ratio.gap_and_cut().1);
    // ln p against ln(1 − r) is nearly straight.
    let excess = |u: f64| p_from(&null, ratio, -(-u).exp_m1(), Sidedness::TwoSided).value.ln() - alpha.ln();
    let bound = remembered(ratio, n, 0.5 * alpha, Sidedness::OneSided)?;
    let (mut before, mut u) = (-(-bound).ln_1p(), -(-bound).ln_1p() * (1.0 - 1e-3));
    let mut last = excess(before);
    for _ in 0..20 {
        let now = excess(u);
        if now == last || now.abs() < 1e-11 {
            break;
        }
        let next = u - now * (u - before) / (now - last);
        (before, last) = (u, now);
        u = next;
        if (u - before).abs() < 1e-11 {
            break;
        }
    }
    Ok(-(-u).exp_m1())
}

/// What to test and how.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Ratio; `None` for the recommended one.
    pub ratio: Option<Ratio>,
    /// The end fixed beforehand, or `None` for either end (two-sided).
    pub end: Option<End>,
    /// Reading step of the values, in their unit; decides whether the test may decide.
    pub resolution: f64,
}

/// What Dixon's test says.
#[derive(Debug, Clone, PartialEq)]
pub struct DixonTest {
    /// Ratio used.
    pub ratio: Ratio,
    /// Number of values.
    pub n: usize,
    /// Ratio at the suspect end.
    pub statistic: f64,
    /// Suspect end.
    pub end: End,
    /// Suspect value.
    pub suspect: f64,
    /// Sidedness of the critical values, the p-value and the verdict.
    pub sidedness: Sidedness,
    /// Critical value at 5 %.
    pub critical_5: Critical,
    /// Critical value at 1 %.
    pub critical_1: Critical,
    /// For a two-sided test, the one-sided value at 2.5 % that most tables print as two-sided 5 %.
    pub bonferroni_5: Option<Critical>,
    /// The printed value at 5 %, where a printed table has one; shown beside, never used.
    pub published_5: Option<Critical>,
    /// p-value (for how it was obtained see `p_obtained`).
    pub p: f64,
    /// How the p-value was obtained.
    pub p_obtained: Obtained,
    /// Verdict, from the computed p-value.
    pub finding: Finding,
}

/// Tests the more conspicuous end (two-sided) with the recommended ratio.
///
/// # Errors
/// Fewer than 3 or more than 40 values, or values that do not differ.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::{Finding, dixon::test};
/// let result = test(&[23.16, 23.18, 23.20, 23.16, 23.58], 0.02)?;
/// assert!((result.statistic - 0.38 / 0.42).abs() < 1e-9); // by hand: (23.58 − 23.20) / (23.58 − 23.16)
/// assert_eq!(result.finding, Finding::Outlier); // exact two-sided 1 %, n = 5: 0.821 in print
/// # Ok::<(), ferrotitre_core::statistics::outliers::OutlierError>(())
/// ```
pub fn test(values: &[f64], resolution: f64) -> Result<DixonTest, OutlierError> {
    test_with(values, &Options { ratio: None, end: None, resolution })
}

/// Tests with a chosen ratio and, if the end was fixed beforehand, one-sided.
///
/// # Errors
/// A number of values the ratio is not defined for, or values that do not differ.
pub fn test_with(values: &[f64], options: &Options) -> Result<DixonTest, OutlierError> {
    let n = values.len();
    size(n, 3, MOST)?;
    let ratio = options.ratio.unwrap_or_else(|| Ratio::recommended(n));
    let ends = statistic(ratio, values)?;
    let x = sorted(values, 3, MOST)?;
    let end = options.end.unwrap_or(if ends.high >= ends.low { End::High } else { End::Low });
    let (statistic, suspect) = match end {
        End::High => (ends.high, x[n - 1]),
        End::Low => (ends.low, x[0]),
    };
    let sidedness = if options.end.is_some() { Sidedness::OneSided } else { Sidedness::TwoSided };
    let p = p_of_readings(ratio, n, statistic, sidedness)?;
    let bonferroni_5 = match sidedness {
        Sidedness::TwoSided => Some(critical_bonferroni(ratio, n, 0.05)?),
        Sidedness::OneSided => None,
    };
    Ok(DixonTest {
        ratio,
        n,
        statistic,
        end,
        suspect,
        sidedness,
        critical_5: critical(ratio, n, 0.05, sidedness)?,
        critical_1: critical(ratio, n, 0.01, sidedness)?,
        bonferroni_5,
        published_5: published(ratio, n, 0.05, sidedness),
        p: p.value,
        p_obtained: p.obtained,
        finding: finding(p.value, no_decision(values, options.resolution)),
    })
}
