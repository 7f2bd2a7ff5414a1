//! Figures of validation and integrity, field by field as core has them.

use ferrotitre_core::statistics::discovery::Discovery;
use ferrotitre_core::statistics::integrity::{CountTest, DigitTest, SmallVarianceTest};
use ferrotitre_core::validation::{DetectionLimits, Homogeneity, HorRat, Recovery, Scores, Signal, Trueness};

use super::summaries::IntervalFigures;
use crate::wire::{named, shown};

named! {
    /// What a score says.
    SignalName of Signal {
        /// At most 2 (1 for E_n).
        Satisfactory = "satisfactory",
        /// Above 2 and at most 3.
        Warning = "warning",
        /// Above 3 (1 for E_n).
        Action = "action",
    }
}

shown! {
    /// Bias against a reference value.
    TruenessFigures of Trueness {
        /// Number of results.
        n: usize,
        /// Mean minus reference value.
        bias: f64,
        /// Bias over reference value; null for a reference value of zero.
        relative_bias: Option<f64>,
        /// `√(s²/n + u_ref²)`.
        u: f64,
        /// `2u`, the largest |bias| that passes.
        limit: f64,
        /// Whether |bias| exceeds the limit.
        significant: bool,
    }

    /// A ratio of found to predicted relative standard deviation, with its verdict.
    HorRatFigures of HorRat {
        /// Found over predicted.
        ratio: f64,
        /// Predicted relative standard deviation, per cent.
        predicted_percent: f64,
        /// Range that is taken as normal: 0.5 to 2.0 between laboratories, 0.3 to 1.3 within one.
        low: f64,
        /// Its upper end.
        high: f64,
        /// Whether the ratio lies in it. A value below the range asks whether averages were reported as single results;
        /// titrimetry of major iron is legitimately better than the curve.
        within: bool,
    }

    /// All scores of one result.
    ScoresFigures of Scores {
        /// `(x - X)/σ`.
        z: f64,
        /// `(x - X)/√(σ² + u_X²)`.
        z_prime: f64,
        /// `(x - X)/√(u_x² + u_X²)`; null when both are zero.
        zeta: Option<f64>,
        /// `(x - X)/√(U_x² + U_X²)`; null when both are zero.
        e_n: Option<f64>,
        /// Whether u_X exceeds 0.3 σ, so that z′ is to be used instead of z.
        use_z_prime: bool,
        /// Signal of z, or of z′ where that is to be used.
        signal: SignalName,
        /// Signal of zeta.
        zeta_signal: Option<SignalName>,
        /// Signal of E_n.
        e_n_signal: Option<SignalName>,
    }

    /// Homogeneity of the test material.
    HomogeneityFigures of Homogeneity {
        /// Between-sample standard deviation s_s.
        between_samples_sd: f64,
        /// `0.3 σ`.
        limit: f64,
        /// Whether s_s is at most the limit.
        homogeneous: bool,
    }

    /// Limits, in the unit of the standard deviation (or of x for a calibration line).
    DetectionLimitsFigures of DetectionLimits {
        /// Standard deviation near zero, s₀.
        s0: f64,
        /// s₀′, as it applies to a reported result.
        s0_adjusted: f64,
        /// Degrees of freedom of s₀.
        degrees_of_freedom: f64,
        /// Limit of detection.
        detection: f64,
        /// Limit of quantification.
        quantification: f64,
    }

    /// A recovery and whether it differs from 1.
    RecoveryFigures of Recovery {
        /// R, 1 for complete recovery.
        recovery: f64,
        /// Standard uncertainty of R.
        u: f64,
        /// `|1 - R|/u(R)`; null without any uncertainty.
        t: Option<f64>,
        /// Degrees of freedom of u(R); infinite where it was stated.
        degrees_of_freedom: Option<f64>,
        /// `R ± t(1-α/2; ν) u(R)`.
        interval: IntervalFigures,
        /// Whether R differs from 1 at that confidence.
        differs_from_one: bool,
    }

    /// What a test of last digits says.
    DigitTestFigures of DigitTest {
        /// Number of readings.
        n: u64,
        /// Observed counts.
        counts: Vec<u64>,
        /// Expected count of each digit.
        expected: f64,
        /// Σ (observed − expected)² / expected.
        chi_square: f64,
        /// Degrees of freedom, possible digits − 1.
        degrees_of_freedom: u64,
        /// Upper tail of the chi-squared distribution.
        p_chi_square: f64,
        /// Exact multinomial probability of a chi-square at least as large, for up to `EXACT_UP_TO` readings.
        p_exact: Option<f64>,
    }

    /// An observed count against a binomial expectation.
    CountTestFigures of CountTest {
        /// Number of cases.
        cases: u64,
        /// Number observed.
        observed: u64,
        /// Number expected.
        expected: f64,
        /// Probability of one case.
        probability: f64,
        /// P(observed or more).
        p: f64,
    }

    /// What the test for a variance that is too small says.
    SmallVarianceTestFigures of SmallVarianceTest {
        /// Observed standard deviation.
        sd: f64,
        /// Its degrees of freedom.
        degrees_of_freedom: f64,
        /// Known standard deviation.
        sigma: f64,
        /// ν s²/σ².
        chi_square: f64,
        /// Lower tail.
        p: f64,
    }

    /// One test among many after false-discovery control.
    DiscoveryFigures of Discovery {
        /// p-value given.
        p: f64,
        /// Smallest false-discovery rate at which this test would be shown.
        adjusted: f64,
        /// Whether it is shown at the rate asked for.
        shown: bool,
    }
}
