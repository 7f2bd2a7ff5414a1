//! Where the pair statistics get their null distribution from.
//!
//! Take two of n normal values away. Let SS' be the sum of squares of the other n − 2 about their own mean, ρ and θ the
//! polar coordinates of the pair about that mean: √2 · half difference = ρ sin θ √SS', √(2(n−2)/n) · offset = ρ cos θ √SS'.
//! Then SS = (1 + ρ²) SS'; for a given pair θ is uniform and L = SS'/SS = 1/(1 + ρ²) has P(L < l) = l^((n−3)/2); both are
//! independent of the shape of the rest. The pair is the one meant (the two highest, or the highest and the lowest) if
//! no other value lies outside it, which bounds ρ from below by the extremes of the rest, `highest` and `lowest` in units
//! of √SS'.

/// Number of simulated rests.
pub(super) const SIMULATED: usize = 40_000;

/// Extremes of the standardised rest and the angle of the pair.
#[derive(Debug, Clone, Copy)]
pub(super) struct Draw {
    /// Largest L at which the pair encloses the rest.
    pub enclosing: f64,
    /// sin² θ.
    pub sin2: f64,
}

/// SplitMix64 (Steele, Lea and Flood 2014; from memory): a counter hashed, so a seed fixes the whole series.
struct SplitMix(u64);

impl SplitMix {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        // Never 0 nor 1: midpoints of 2^52 cells.
        (((z ^ (z >> 31)) >> 12) as f64 + 0.5) / 4_503_599_627_370_496.0
    }

    /// Two independent normal values (Box and Muller).
    fn normals(&mut self) -> [f64; 2] {
        let radius = (-2.0 * self.next().ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.next()).sin_cos();
        [radius * sin, radius * cos]
    }
}

/// Draws for a pair of highest and lowest among `n` values; angles evenly spread over those at which the pair can
/// enclose the rest, shapes of the rest seeded by `n`.
pub(super) fn enclosing_pairs(n: usize) -> Vec<Draw> {
    let count = n as f64;
    let rest = n - 2;
    let k = (count / (2.0 * (count - 2.0))).sqrt();
    let first_angle = (k * std::f64::consts::SQRT_2).atan();
    let mut random = SplitMix(0x5EED_0000 + n as u64);
    let mut values = vec![0.0; rest + 1];
    (0..SIMULATED)
        .map(|i| {
            // The golden-ratio sequence: evenly spread whatever the order of the shapes.
            let fraction = (0.5 + i as f64 * 0.618_033_988_749_894_9).fract();
            let theta = first_angle + fraction * (std::f64::consts::PI - 2.0 * first_angle);
            for pair in values.chunks_mut(2) {
                for (value, drawn) in pair.iter_mut().zip(random.normals()) {
                    *value = drawn;
                }
            }
            let shape = &values[..rest];
            let mean = shape.iter().sum::<f64>() / rest as f64;
            let (mut squares, mut high, mut low) = (0.0, f64::NEG_INFINITY, f64::INFINITY);
            for value in shape {
                squares += (value - mean) * (value - mean);
                high = high.max(*value);
                low = low.min(*value);
            }
            let scale = f64::sqrt(squares).recip();
            let (half_range, offset) = (theta.sin() * std::f64::consts::FRAC_1_SQRT_2, k * theta.cos());
            // rho such that the pair just reaches the farther of both extremes.
            let rho = if rest == 1 {
                0.0
            } else {
                ((high - mean) * scale / (half_range + offset)).max((mean - low) * scale / (half_range - offset))
            };
            Draw { enclosing: 1.0 / (1.0 + rho * rho), sin2: theta.sin() * theta.sin() }
        })
        .collect()
}

/// Share of the circle over which [`enclosing_pairs`] spreads its angles, times the n(n − 1) ordered pairs.
pub(super) fn ordered_pairs_weight(n: usize) -> f64 {
    let count = n as f64;
    let k = (count / (2.0 * (count - 2.0))).sqrt();
    let first_angle = (k * std::f64::consts::SQRT_2).atan();
    count * (count - 1.0) * (std::f64::consts::PI - 2.0 * first_angle) / std::f64::consts::TAU
}
