//! The cumulative sum chart and its run length.

use super::linear::{Chain, LONGEST};
use super::{ControlError, require};
use crate::statistics::distribution::{normal_cdf, normal_density, normal_sf};
use crate::statistics::quadrature::Rule;

const NODES_PER_SIGMA: f64 = 6.0;
const MOST_NODES: usize = 1200;

/// Design of a tabular chart of standardised points: reference value k and decision interval h, in sigmas.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cusum {
    k: f64,
    h: f64,
}

/// One point of the chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CusumPoint {
    /// Sum that grows when the mean is too high.
    pub upper: f64,
    /// Sum that grows when the mean is too low.
    pub lower: f64,
    /// Whether either exceeds h.
    pub beyond: bool,
    /// Points since the sum that exceeds h was last 0: where the shift is thought to have begun.
    pub points_since_zero: u64,
}

/// What the chart must remember between points; plain, to be stored with them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CusumMemory {
    /// Upper sum.
    pub upper: f64,
    /// Lower sum.
    pub lower: f64,
    /// Points since the upper sum was last 0.
    pub since_upper: u64,
    /// Points since the lower sum was last 0.
    pub since_lower: u64,
}

impl CusumMemory {
    /// Both sums at a head start.
    #[must_use]
    pub fn starting_at(head_start: f64) -> Self {
        Self { upper: head_start, lower: head_start, since_upper: 0, since_lower: 0 }
    }
}

impl Cusum {
    /// A chart with reference value `k` and decision interval `h`.
    ///
    /// # Errors
    /// k negative, h not positive, either not finite.
    pub fn new(k: f64, h: f64) -> Result<Self, ControlError> {
        require("reference value k", "finite and not negative", k, k.is_finite() && k >= 0.0)?;
        require("decision interval h", "finite and greater than 0", h, h.is_finite() && h > 0.0)?;
        Ok(Self { k, h })
    }

    /// Both sums over a series of standardised points, starting at `head_start` (0, or h/2 for a fast initial response).
    /// Sums go on after a signal.
    ///
    /// # Formula
    /// C⁺ᵢ = max(0, C⁺ᵢ₋₁ + zᵢ − k), C⁻ᵢ = max(0, C⁻ᵢ₋₁ − zᵢ − k)
    ///
    /// # Source
    /// ISO 7870-4 (from memory).
    ///
    /// # Errors
    /// A point that is not finite; a head start outside \[0, h\].
    pub fn chart(&self, points: &[f64], head_start: f64) -> Result<Vec<CusumPoint>, ControlError> {
        self.check_start(head_start)?;
        let mut memory = CusumMemory::starting_at(head_start);
        points.iter().map(|&z| self.step(&mut memory, z)).collect()
    }

    /// Takes one more point into a chart whose memory is kept.
    ///
    /// # Formula
    /// As [`Cusum::chart`].
    ///
    /// # Errors
    /// A point that is not finite; the memory is then unchanged.
    pub fn step(&self, memory: &mut CusumMemory, z: f64) -> Result<CusumPoint, ControlError> {
        require("standardised point", "finite", z, z.is_finite())?;
        let upper = (memory.upper + z - self.k).max(0.0);
        let lower = (memory.lower - z - self.k).max(0.0);
        let since_upper = if upper > 0.0 { memory.since_upper + 1 } else { 0 };
        let since_lower = if lower > 0.0 { memory.since_lower + 1 } else { 0 };
        *memory = CusumMemory { upper, lower, since_upper, since_lower };
        let points_since_zero = if upper >= lower { since_upper } else { since_lower };
        Ok(CusumPoint { upper, lower, beyond: upper > self.h || lower > self.h, points_since_zero })
    }

    fn check_start(&self, start: f64) -> Result<f64, ControlError> {
        require("head start", "from 0 to the decision interval", start, (0.0..=self.h).contains(&start))
    }

    /// Average run length of the upper sum alone.
    ///
    /// # Formula
    /// L(u) = 1 + L(0) Φ(k − u − δ) + ∫₀ʰ L(y) φ(y + k − u − δ) dy, by Gauss-Legendre nodes; solved as a chain whose
    /// probabilities of a signal are those of the normal tail, so that long run lengths keep their digits
    ///
    /// # Source
    /// E. S. Page, Biometrika 41 (1954) 100; A. L. Goel and S. M. Wu, Technometrics 13 (1971) 221 (from memory).
    ///
    /// # Errors
    /// A shift that is not finite; a start outside \[0, h\]; h above 200; [`ControlError::TooLong`].
    pub fn average_run_length_upper(&self, shift: f64, start: f64) -> Result<f64, ControlError> {
        require("shift", "finite", shift, shift.is_finite())?;
        self.check_start(start)?;
        let most = MOST_NODES as f64 / NODES_PER_SIGMA;
        require("decision interval h", "at most 200 for a run length", self.h, self.h <= most)?;
        // The kernel is a bell of width 1, which some six nodes per sigma carry to rounding.
        let nodes = ((NODES_PER_SIGMA * self.h).ceil() as usize).max(32);
        let grid: Vec<(f64, f64)> = Rule::new(nodes).on(0.0, self.h).collect();
        let to_zero = |from: f64| normal_cdf(self.k - from - shift);
        let kernel = |from: f64, to: f64| normal_density(to + self.k - from - shift);
        let beyond = |from: f64| normal_sf(self.h + self.k - from - shift);
        // State 0 is the sum at 0.
        let places = || std::iter::once(0.0).chain(grid.iter().map(|&(y, _)| y));
        let row = |from: f64| {
            std::iter::once(to_zero(from)).chain(grid.iter().map(move |&(to, weight)| weight * kernel(from, to)))
        };
        let chain = Chain { moves: places().flat_map(row).collect(), leaving: places().map(beyond).collect() };
        let lengths = chain.expected_steps()?;
        let onward: f64 = row(start).zip(&lengths).map(|(p, length)| p * length).sum();
        Ok(1.0 + onward)
    }

    /// The same, infinite where it is beyond what is computed.
    fn upper_or_infinite(&self, shift: f64, start: f64) -> Result<f64, ControlError> {
        match self.average_run_length_upper(shift, start) {
            Err(ControlError::TooLong { .. }) => Ok(f64::INFINITY),
            other => other,
        }
    }

    /// Average run length of both sums together, both starting at `head_start`.
    ///
    /// # Formula
    /// 1/L = 1/L⁺ + 1/L⁻ from 0; with a head start s
    /// L = \[L⁺(s) L⁻(0) + L⁺(0) L⁻(s) − L⁺(0) L⁻(0)\] / \[L⁺(0) + L⁻(0)\]
    ///
    /// # Source
    /// J. M. Lucas and R. B. Crosier, Technometrics 24 (1982) 199 (from memory).
    ///
    /// # Errors
    /// As [`Cusum::average_run_length_upper`].
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::control::cusum::Cusum;
    /// let chart = Cusum::new(0.5, 5.0)?;
    /// assert!((chart.average_run_length(0.0, 0.0)? - 465.44).abs() < 0.005);
    /// # Ok::<(), ferrotitre_core::control::ControlError>(())
    /// ```
    pub fn average_run_length(&self, shift: f64, head_start: f64) -> Result<f64, ControlError> {
        let (up, down) = (self.upper_or_infinite(shift, 0.0)?, self.upper_or_infinite(-shift, 0.0)?);
        let rate = 1.0 / up + 1.0 / down;
        if rate <= 0.0 {
            return Err(ControlError::TooLong { longest: LONGEST });
        }
        if head_start == 0.0 {
            return Ok(1.0 / rate);
        }
        // A sum that never signals does not signal from a head start either.
        let kept = |from_zero: f64, from_start: f64| if from_zero.is_finite() { from_start / from_zero } else { 1.0 };
        let up = kept(up, self.upper_or_infinite(shift, head_start)?);
        let down = kept(down, self.upper_or_infinite(-shift, head_start)?);
        // Divided by the product of both, so that two long run lengths do not overflow.
        Ok((up + down - 1.0) / rate)
    }

    /// Siegmund's approximation of the average run length from 0, for a check on the bench.
    ///
    /// # Formula
    /// L⁺ ≈ \[exp(−2Δb) + 2Δb − 1\] / (2Δ²), Δ = δ − k, b = h + 1.166; b² for Δ = 0
    ///
    /// # Source
    /// D. Siegmund, Sequential Analysis, Springer, 1985 (from memory).
    ///
    /// # Errors
    /// A shift that is not finite.
    pub fn siegmund(&self, shift: f64) -> Result<SiegmundLengths, ControlError> {
        require("shift", "finite", shift, shift.is_finite())?;
        let b = self.h + 1.166;
        let one_sided = |shift: f64| {
            let delta = shift - self.k;
            let x = 2.0 * delta * b;
            if delta == 0.0 { b * b } else { ((-x).exp_m1() + x) / (2.0 * delta * delta) }
        };
        let (up, down) = (one_sided(shift), one_sided(-shift));
        Ok(SiegmundLengths { upper: up, two_sided: 1.0 / (1.0 / up + 1.0 / down) })
    }
}

/// Approximate average run lengths.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiegmundLengths {
    /// Upper sum alone.
    pub upper: f64,
    /// Both sums.
    pub two_sided: f64,
}
