//! The exponentially weighted moving average chart and its run length.

use super::linear::Chain;
use super::{ControlError, require};
use crate::statistics::distribution::{normal_cdf, normal_density, normal_sf};
use crate::statistics::quadrature::Rule;

const MOST_NODES: usize = 1200;

/// Design of a two-sided chart of standardised points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ewma {
    lambda: f64,
    limit: f64,
}

/// One point of the chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EwmaPoint {
    /// Weighted average, in sigmas of single points from the centre.
    pub average: f64,
    /// Limit for its absolute value at this point.
    pub limit: f64,
    /// Whether it lies beyond.
    pub beyond: bool,
}

/// What the chart must remember between points; plain, to be stored with them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EwmaMemory {
    /// Weighted average so far.
    pub average: f64,
    /// Weight that the start still has, squared: (1−λ)²ⁱ.
    pub remaining: f64,
}

impl Default for EwmaMemory {
    fn default() -> Self {
        Self { average: 0.0, remaining: 1.0 }
    }
}

/// Whether the limits widen from the first point on or are those of a long series from the start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EwmaLimits {
    /// Exact variance at each point.
    Exact,
    /// Variance of a long series.
    Asymptotic,
}

impl Ewma {
    /// A chart with weight `lambda` of the newest point and limits at `limit` (L) standard deviations of the average.
    ///
    /// # Errors
    /// lambda outside (0, 1\]; a limit that is not positive.
    pub fn new(lambda: f64, limit: f64) -> Result<Self, ControlError> {
        require("weight lambda", "greater than 0 and at most 1", lambda, lambda > 0.0 && lambda <= 1.0)?;
        require("limit L", "finite and greater than 0", limit, limit.is_finite() && limit > 0.0)?;
        Ok(Self { lambda, limit })
    }

    /// Limit of a long series: L √(λ/(2−λ)).
    #[must_use]
    pub fn asymptotic_limit(&self) -> f64 {
        self.limit * (self.lambda / (2.0 - self.lambda)).sqrt()
    }

    /// The statistic over a series of standardised points, from 0.
    ///
    /// # Formula
    /// Eᵢ = λ zᵢ + (1 − λ) Eᵢ₋₁; limit L √(λ/(2−λ) \[1 − (1−λ)²ⁱ\])
    ///
    /// # Source
    /// ISO 7870-6; J. M. Lucas and M. S. Saccucci, Technometrics 32 (1990) 1 (abstract read).
    ///
    /// # Errors
    /// A point that is not finite.
    pub fn chart(&self, points: &[f64], limits: EwmaLimits) -> Result<Vec<EwmaPoint>, ControlError> {
        let mut memory = EwmaMemory::default();
        points.iter().map(|&z| self.step(&mut memory, z, limits)).collect()
    }

    /// Takes one more point into a chart whose memory is kept.
    ///
    /// # Formula
    /// As [`Ewma::chart`].
    ///
    /// # Errors
    /// A point that is not finite; the memory is then unchanged.
    pub fn step(&self, memory: &mut EwmaMemory, z: f64, limits: EwmaLimits) -> Result<EwmaPoint, ControlError> {
        require("standardised point", "finite", z, z.is_finite())?;
        memory.average += self.lambda * (z - memory.average);
        memory.remaining *= (1.0 - self.lambda).powi(2);
        let asymptotic = self.asymptotic_limit();
        let limit = match limits {
            EwmaLimits::Exact => asymptotic * (1.0 - memory.remaining).sqrt(),
            EwmaLimits::Asymptotic => asymptotic,
        };
        Ok(EwmaPoint { average: memory.average, limit, beyond: memory.average.abs() > limit })
    }

    /// Average run length from the centre (zero state), limits of a long series, for a mean shifted by `shift` sigmas.
    ///
    /// # Formula
    /// L(u) = 1 + (1/λ) ∫₋ₕʰ L(y) φ((y − (1−λ) u)/λ − δ) dy, by Gauss-Legendre nodes; solved as a chain
    /// whose probabilities of a signal are those of the normal tails, so that long run lengths keep their digits
    ///
    /// # Source
    /// S. V. Crowder, Technometrics 29 (1987) 401 (from memory).
    ///
    /// # Errors
    /// A shift that is not finite; a weight so small that the average hardly moves; [`ControlError::TooLong`].
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::control::ewma::Ewma;
    /// let chart = Ewma::new(0.2, 2.962)?;
    /// assert!((chart.average_run_length(1.0)? - 10.54).abs() < 0.005);
    /// # Ok::<(), ferrotitre_core::control::ControlError>(())
    /// ```
    pub fn average_run_length(&self, shift: f64) -> Result<f64, ControlError> {
        require("shift", "finite", shift, shift.is_finite())?;
        let h = self.asymptotic_limit();
        // The kernel is a bell of width lambda, which some five nodes per width carry to rounding.
        let wanted = (5.0 * 2.0 * h / self.lambda).ceil();
        let fits = wanted <= MOST_NODES as f64;
        require(
            "weight lambda",
            "large enough for L / sqrt(lambda (2 - lambda)) to be at most 120",
            self.lambda,
            fits,
        )?;
        let nodes = (wanted as usize).max(64);
        let place = |from: f64, to: f64| (to - (1.0 - self.lambda) * from) / self.lambda - shift;
        let grid: Vec<(f64, f64)> = Rule::new(nodes).on(-h, h).collect();
        let row =
            |from: f64| grid.iter().map(move |&(to, weight)| weight / self.lambda * normal_density(place(from, to)));
        let beyond = |from: f64| normal_sf(place(from, h)) + normal_cdf(place(from, -h));
        let moves = grid.iter().flat_map(|&(from, _)| row(from)).collect();
        let lengths =
            Chain { moves, leaving: grid.iter().map(|&(from, _)| beyond(from)).collect() }.expected_steps()?;
        Ok(1.0 + row(0.0).zip(&lengths).map(|(p, length)| p * length).sum::<f64>())
    }
}
