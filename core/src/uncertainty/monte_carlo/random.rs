//! Random numbers for Monte Carlo: a generator per input and block of trials, and the distributions drawn from it.
//!
//! The state a block begins with is a function of the seed, the input and the block (by a counter-based generator), so its
//! numbers do not depend on which thread drew them. Within the block a small generator goes on from there.

use std::sync::OnceLock;

use crate::statistics::distribution::normal_sf;

/// Counters computed together, so that the compiler can use vector instructions.
const LANES: usize = 2;
/// The lower half of a 64-bit lane. 32-bit words live in 64-bit lanes, where a vector multiplication gives both halves.
const WORD: u64 = 0xFFFF_FFFF;

type Words = [u64; LANES];

/// Philox4x32 with 10 rounds for `LANES` counters.
///
/// # Source
/// J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, "Parallel random numbers: as easy as 1, 2, 3", SC11 (2011).
fn philox([mut a, mut b, mut c, mut d]: [Words; 4], mut key: [u32; 2]) -> [Words; 4] {
    const MULTIPLIERS: [u64; 2] = [0xD251_1F53, 0xCD9E_8D57];
    const WEYL: [u32; 2] = [0x9E37_79B9, 0xBB67_AE85];
    for _ in 0..10 {
        let keys = key.map(u64::from);
        for lane in 0..LANES {
            let first = MULTIPLIERS[0] * (a[lane] & WORD);
            let second = MULTIPLIERS[1] * (c[lane] & WORD);
            a[lane] = (second >> 32) ^ b[lane] ^ keys[0];
            b[lane] = second & WORD;
            c[lane] = (first >> 32) ^ d[lane] ^ keys[1];
            d[lane] = first & WORD;
        }
        key = [key[0].wrapping_add(WEYL[0]), key[1].wrapping_add(WEYL[1])];
    }
    [a, b, c, d]
}

/// The numbers of one input in one block of trials: xoshiro256++, begun by Philox.
///
/// # Source
/// D. Blackman, S. Vigna, ACM Transactions on Mathematical Software 47 (2021) 36 (from memory).
pub(super) struct Stream {
    state: [u64; 4],
}

impl Stream {
    pub(super) fn new(seed: u64, input: u32, block: u32) -> Self {
        let key = [seed as u32, (seed >> 32) as u32];
        let counters = std::array::from_fn(|lane| lane as u64);
        let [a, b, c, d] = philox([counters, [0; LANES], [input.into(); LANES], [block.into(); LANES]], key);
        let mut state = [a[0] << 32 | b[0], c[0] << 32 | d[0], a[1] << 32 | b[1], c[1] << 32 | d[1]];
        // All zeros is the one state it never leaves; Philox would have to give 256 zero bits.
        state[0] |= u64::from(state == [0; 4]);
        Self { state }
    }

    #[inline(always)]
    fn bits(&mut self) -> u64 {
        let [a, b, c, d] = self.state;
        let result = a.wrapping_add(d).rotate_left(23).wrapping_add(a);
        let (c, d) = (c ^ a, d ^ b);
        self.state = [a ^ d, b ^ c, c ^ (b << 17), d.rotate_left(45)];
        result
    }

    /// Uniform in (0, 1), on the midpoints of 2⁵³ cells.
    #[inline]
    pub(super) fn uniform(&mut self) -> f64 {
        ((self.bits() >> 11) as f64 + 0.5) * (1.0 / 9_007_199_254_740_992.0)
    }

    /// Uniform in (−1, 1).
    #[inline]
    pub(super) fn symmetric(&mut self) -> f64 {
        2.0 * self.uniform() - 1.0
    }

    /// Standard normal, by the ziggurat of 256 layers.
    ///
    /// # Source
    /// G. Marsaglia and W. W. Tsang, Journal of Statistical Software 5 (2000) 8 (method from memory; the layers are
    /// computed here). Layer and abscissa come from different bits, which the original did not do.
    #[inline]
    pub(super) fn normal(&mut self, layers: &Layers) -> f64 {
        loop {
            let bits = self.bits();
            let layer = (bits & 0xFF) as usize;
            let x = (((bits >> 11) as f64 + 0.5) * (2.0 / 9_007_199_254_740_992.0) - 1.0) * layers.edge[layer];
            if x.abs() < layers.edge[layer + 1] {
                return x;
            }
            if let Some(x) = self.outside(layers, layer, x) {
                return x;
            }
        }
    }

    #[cold]
    fn outside(&mut self, layers: &Layers, layer: usize, x: f64) -> Option<f64> {
        if layer == 0 {
            let r = layers.edge[1];
            loop {
                let beyond = -self.uniform().ln() / r;
                if -2.0 * self.uniform().ln() > beyond * beyond {
                    return Some((r + beyond).copysign(x));
                }
            }
        }
        let (low, high) = (layers.height[layer], layers.height[layer + 1]);
        (low + self.uniform() * (high - low) < (-0.5 * x * x).exp()).then_some(x)
    }

    /// Student t with `df` degrees of freedom: a normal over the root of a mean square.
    pub(super) fn student_t(&mut self, layers: &Layers, df: f64) -> f64 {
        let z = self.normal(layers);
        let chi_square = 2.0 * self.gamma(layers, 0.5 * df);
        z / (chi_square / df).sqrt()
    }

    /// Gamma with unit scale.
    ///
    /// # Source
    /// G. Marsaglia and W. W. Tsang, ACM Transactions on Mathematical Software 26 (2000) 363 (from memory).
    fn gamma(&mut self, layers: &Layers, shape: f64) -> f64 {
        if shape < 1.0 {
            let power = self.uniform().powf(1.0 / shape);
            return self.gamma(layers, shape + 1.0) * power;
        }
        let d = shape - 1.0 / 3.0;
        let c = 1.0 / (9.0 * d).sqrt();
        loop {
            let x = self.normal(layers);
            let v = (1.0 + c * x).powi(3);
            if v > 0.0 && self.uniform().ln() < 0.5 * x * x + d * (1.0 - v + v.ln()) {
                return d * v;
            }
        }
    }
}

/// Layers of equal area under exp(−x²/2).
pub(super) struct Layers {
    /// Right edges, falling; the first is that of a rectangle with the area of base and tail.
    edge: [f64; 257],
    height: [f64; 257],
}

/// The layers, computed once.
pub(super) fn layers() -> &'static Layers {
    static LAYERS: OnceLock<Layers> = OnceLock::new();
    LAYERS.get_or_init(|| {
        // Right edge of the base for which 256 layers end exactly at 0.
        const BASE: f64 = 3.654_152_885_361_009;
        let f = |x: f64| (-0.5 * x * x).exp();
        let area = BASE * f(BASE) + (2.0 * std::f64::consts::PI).sqrt() * normal_sf(BASE);
        let mut edge = [0.0; 257];
        edge[0] = area / f(BASE);
        edge[1] = BASE;
        for i in 2..256 {
            edge[i] = (-2.0 * (area / edge[i - 1] + f(edge[i - 1])).ln()).sqrt();
        }
        let mut height = [0.0; 257];
        for (height, edge) in height.iter_mut().zip(&edge) {
            *height = f(*edge);
        }
        Layers { edge, height }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_generator_gives_the_known_answers_of_its_authors() {
        // Random123, tests/kat_vectors, lines "philox4x32 10" (read).
        for (counter, key, want) in [
            ([0_u64; 4], [0; 2], [0x6627_e8d5_u64, 0xe169_c58d, 0xbc57_ac4c, 0x9b00_dbd8]),
            ([WORD; 4], [u32::MAX; 2], [0x408f_276d, 0x41c8_3b0e, 0xa20b_c7c6, 0x6d54_51fd]),
            (
                [0x243f_6a88, 0x85a3_08d3, 0x1319_8a2e, 0x0370_7344],
                [0xa409_3822, 0x299f_31d0],
                [0xd16c_fe09, 0x94fd_cceb, 0x5001_e420, 0x2412_6ea1],
            ),
        ] {
            let got = philox(counter.map(|word| [word; LANES]), key);
            assert_eq!(got.map(|lanes| lanes[LANES - 1]), want);
        }
    }

    #[test]
    fn the_small_generator_gives_the_known_answers_of_its_authors() {
        // Reference program of the authors, state 1, 2, 3, 4 (from memory).
        let mut stream = Stream { state: [1, 2, 3, 4] };
        for want in [41_943_041, 58_720_359, 3_588_806_011_781_223, 3_591_011_842_654_386, 9_228_616_714_210_784_205] {
            assert_eq!(stream.bits(), want);
        }
    }

    #[test]
    fn neighbouring_streams_have_nothing_in_common() {
        // Correlation of 2e5 uniform numbers of neighbours: within five standard errors, 1/sqrt n each.
        let n = 200_000;
        let drawn = |seed, input, block| {
            let mut stream = Stream::new(seed, input, block);
            (0..n).map(|_| stream.symmetric()).collect::<Vec<f64>>()
        };
        let first = drawn(1, 0, 0);
        for other in [drawn(2, 0, 0), drawn(1, 1, 0), drawn(1, 0, 1), drawn(1 << 32, 0, 0)] {
            let product: f64 = first.iter().zip(&other).map(|(a, b)| 3.0 * a * b).sum();
            assert!((product / f64::from(n)).abs() < 5.0 / f64::from(n).sqrt(), "{product}");
        }
    }

    #[test]
    fn the_layers_close_at_the_top() {
        let layers = layers();
        let area = layers.edge[0] * layers.height[1];
        // The last layer reaches from its edge to the peak: its area must be that of the others.
        assert!((layers.edge[255] * (1.0 - layers.height[255]) / area - 1.0).abs() < 1e-9);
    }

    #[test]
    fn normal_numbers_have_the_shares_of_the_normal_distribution() {
        let layers = layers();
        let mut stream = Stream::new(1, 0, 0);
        let (n, mut beyond) = (2_000_000, [0_u32; 4]);
        let limits = [0.5, 1.0, 2.0, 3.7];
        for _ in 0..n {
            let x = stream.normal(layers).abs();
            for (count, limit) in beyond.iter_mut().zip(limits) {
                *count += u32::from(x > limit);
            }
        }
        for (count, limit) in beyond.into_iter().zip(limits) {
            let p = 2.0 * normal_sf(limit);
            let (expected, sd) = (f64::from(n) * p, (f64::from(n) * p * (1.0 - p)).sqrt());
            assert!((f64::from(count) - expected).abs() < 4.0 * sd, "{limit}: {count} {expected} {sd}");
        }
    }
}
