//! What "repeat until two titres agree" does to the mean, to the scatter claimed, and to the claim itself.

use super::chance::cumulative_integral;
use crate::statistics::distribution::{DistributionError, normal_density};
use crate::stop;

/// When the titrations end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PairRule {
    /// As soon as any two of the titres made so far agree: the closest pair with the newest titre is used.
    Any,
    /// As soon as the newest titre agrees with the one before it.
    Consecutive,
}

/// Most titres that are followed.
pub const MOST_TITRES: u32 = 20;

/// What titrating until a pair agrees comes to. Deviations are in those of a single titre.
#[derive(Debug, Clone, PartialEq)]
pub struct Stopping {
    /// Limit over the true standard deviation.
    pub limit_over_sd: f64,
    /// Probability that the titrations end with the n-th, from n = 2.
    pub ends: Vec<f64>,
    /// Probability that they end at all.
    pub passes: f64,
    /// Mean number of titres made; a series that never agrees has the most allowed.
    pub mean_titres: f64,
    /// True standard deviation of the mean of the pair used. Of two titres taken as they come it is 1/√2.
    pub sd_of_mean: f64,
    /// Root mean square of the standard deviation that the pair used shows. Of two titres as they come it is 1.
    pub shown_sd: f64,
}

/// Sums over the series that end: their share, and the mean squares of the pair's mean and of its difference.
#[derive(Debug, Clone, Copy, Default)]
struct Ended {
    share: f64,
    mean_square: f64,
    difference_square: f64,
}

impl Ended {
    fn add(&mut self, other: Self) {
        self.share += other.share;
        self.mean_square += other.mean_square;
        self.difference_square += other.difference_square;
    }
}

/// Exact distribution of the outcome when normal titres are repeated until a pair lies within `limit`, at most `most` times.
///
/// # Formula
/// The titres before the last lie apart by more than the limit. With T₀ = 1 and Tₐ(x) = a ∫₋∞ˣ φ(u) Tₐ₋₁(u − L) du, the
/// n-th titre falls at the distance d beside one of them, at y, with the density
/// 2 (n − 1) Σ C(n − 2, a) Tₐ(y − L) φ(y) φ(y + d) Tₙ₋₂₋ₐ(−y − max(L, 2d)). Consecutive pairs: the density of the newest
/// titre among series still going, f₁ = φ, fₙ(x) = φ(x) ∫ fₙ₋₁(u) du over |x − u| > L.
///
/// # Source
/// Own derivation from the order statistics of spaced points; David, Order Statistics, 2.2 (from memory).
///
/// # Errors
/// Fewer than 2 or more than 20 titres; limit or deviation not positive; a limit under 1/1000 of the deviation.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::agreement::{PairRule, repeat_until_pair};
/// # fn main() -> Result<(), ferrotitre_core::statistics::distribution::DistributionError> {
/// let outcome = repeat_until_pair(PairRule::Any, 0.10, 0.10, 3)?;
/// // Some pair of three agrees in 90.6 % of series: the rule hardly tests anything, and its pair shows half the scatter.
/// assert!((outcome.passes - 0.9061).abs() < 5e-5);
/// assert!(outcome.shown_sd < 0.5);
/// # Ok(()) }
/// ```
pub fn repeat_until_pair(rule: PairRule, limit: f64, sd: f64, most: u32) -> Result<Stopping, DistributionError> {
    let bad = |name, rule, value| Err(DistributionError::Parameter { name, rule, value });
    if !(2..=MOST_TITRES).contains(&most) {
        return bad("most titres", "from 2 to 20", f64::from(most));
    }
    for (name, value) in [("limit", limit), ("standard deviation", sd)] {
        if !(value > 0.0 && value.is_finite()) {
            return bad(name, "positive and finite", value);
        }
    }
    let w = limit / sd;
    if w < 1e-3 {
        return bad("limit over standard deviation", "at least 0.001", w);
    }
    let ended = if w > 18.0 {
        // Every first pair agrees.
        vec![Ended { share: 1.0, mean_square: 0.5, difference_square: 2.0 }]
    } else {
        let grid = Grid::new(w);
        match rule {
            PairRule::Any => grid.any_pair(most),
            PairRule::Consecutive => grid.consecutive_pair(most),
        }
    };
    let mut all = Ended::default();
    ended.iter().for_each(|at| all.add(*at));
    let titres: f64 = (2_u32..).zip(&ended).map(|(n, at)| f64::from(n) * at.share).sum();
    Ok(Stopping {
        limit_over_sd: w,
        ends: ended.iter().map(|at| at.share).collect(),
        passes: all.share.min(1.0),
        mean_titres: titres + f64::from(most) * (1.0 - all.share).max(0.0),
        sd_of_mean: (all.mean_square / all.share).sqrt(),
        shown_sd: (all.difference_square / all.share / 2.0).sqrt(),
    })
}

/// Equal steps over the titre, of which the limit is a whole and even number.
struct Grid {
    step: f64,
    limit: usize,
    places: Vec<f64>,
    densities: Vec<f64>,
}

impl Grid {
    const END: f64 = 9.0;

    fn new(w: f64) -> Self {
        let limit = 2 * ((w / 0.04).ceil() as usize).max(2);
        let step = w / limit as f64;
        let half = (Self::END / step).ceil() as i64;
        let places: Vec<f64> = (-half..=half).map(|i| i as f64 * step).collect();
        let densities = places.iter().map(|x| normal_density(*x)).collect();
        Self { step, limit, places, densities }
    }

    /// Number of places.
    fn len(&self) -> usize {
        self.places.len()
    }

    fn any_pair(&self, most: u32) -> Vec<Ended> {
        // spaced[a][i] is T_a at place i.
        let mut spaced = vec![vec![1.0; self.len()]];
        let mut ended: Vec<Ended> = Vec::new();
        for n in 2..=most {
            let before = n as usize - 2;
            while spaced.len() <= before {
                let last = &spaced[spaced.len() - 1];
                let count = spaced.len() as f64;
                let at =
                    |i: usize| i.checked_sub(self.limit).map_or(if spaced.len() == 1 { 1.0 } else { 0.0 }, |i| last[i]);
                let inner: Vec<f64> = self.densities.iter().enumerate().map(|(i, p)| count * p * at(i)).collect();
                spaced.push(cumulative_integral(&inner, self.step));
            }
            ended.push(self.last_of(n, &spaced));
            if 1.0 - ended.iter().map(|at| at.share).sum::<f64>() < 1e-15 {
                break;
            }
        }
        ended
    }

    /// Series that end with the n-th titre.
    fn last_of(&self, n: u32, spaced: &[Vec<f64>]) -> Ended {
        let others = n as usize - 2;
        let mut choose = 1.0;
        let weights: Vec<f64> = (0..=others)
            .map(|a| {
                let here = choose;
                choose *= (others - a) as f64 / (a + 1) as f64;
                here
            })
            .collect();
        let mut ended = Ended::default();
        for (i, (&y, &density)) in self.places.iter().zip(&self.densities).enumerate() {
            stop::point();
            // T_a below place i - limit.
            let below = |a| spaced_at(spaced, a, i.checked_sub(self.limit));
            let left: Vec<f64> = weights.iter().enumerate().map(|(a, c)| c * below(a)).collect();
            if left.iter().all(|x| *x < 1e-300) {
                continue;
            }
            let inner = self.pairs_with((i, y), &left, spaced);
            let scale = density * self.step / 6.0 * self.step;
            ended.add(Ended {
                share: scale * inner.share,
                mean_square: scale * inner.mean_square,
                difference_square: scale * inner.difference_square,
            });
        }
        let both_sides = 2.0 * f64::from(n - 1);
        Ended {
            share: both_sides * ended.share,
            mean_square: both_sides * ended.mean_square,
            difference_square: both_sides * ended.difference_square,
        }
    }

    /// Those whose last pair has its lower titre at this place; `left`: what lies below it, by how many.
    fn pairs_with(&self, (i, y): (usize, f64), left: &[f64], spaced: &[Vec<f64>]) -> Ended {
        let others = left.len() - 1;
        let steps = 2 * self.limit;
        let mut inner = Ended::default();
        for k in 0..=steps {
            // Simpson's rule over both halves, with half the step of the grid: beyond the middle, the distance to the
            // neighbour on the far side counts.
            let simpson = match k {
                0 => 1.0,
                _ if k == steps => 1.0,
                _ if k == self.limit => 2.0,
                _ if k % 2 == 1 => 4.0,
                _ => 2.0,
            };
            let d = 0.5 * self.step * k as f64;
            // T_b above the place, which is T_b at its mirror image.
            let mirrored = (self.len() - 1).checked_sub(i + self.limit.max(k));
            let rest: f64 = left.iter().enumerate().map(|(a, l)| l * spaced_at(spaced, others - a, mirrored)).sum();
            let p = simpson * rest * normal_density(y + d);
            let mean = y + 0.5 * d;
            inner.add(Ended { share: p, mean_square: p * mean * mean, difference_square: p * d * d });
        }
        inner
    }

    fn consecutive_pair(&self, most: u32) -> Vec<Ended> {
        let mut going = self.densities.clone();
        let mut ended = Vec::new();
        for _ in 2..=most {
            stop::point();
            let moment = |power: i32| -> Vec<f64> {
                let values: Vec<f64> = going.iter().zip(&self.places).map(|(f, u)| f * u.powi(power)).collect();
                cumulative_integral(&values, self.step)
            };
            let moments = [moment(0), moment(1), moment(2)];
            let within = |of: &[f64], i: usize| {
                let high = of[(i + self.limit).min(self.len() - 1)];
                high - i.checked_sub(self.limit).map_or(0.0, |low| of[low])
            };
            let total = moments[0].last().copied().unwrap_or(0.0);
            let mut here = Ended::default();
            let mut next = vec![0.0; self.len()];
            for (i, (&x, &density)) in self.places.iter().zip(&self.densities).enumerate() {
                let [share, first, second] = [0, 1, 2].map(|power: usize| within(&moments[power], i));
                let scale = density * self.step;
                here.add(Ended {
                    share: scale * share,
                    mean_square: scale * (x * x * share + 2.0 * x * first + second) / 4.0,
                    difference_square: scale * (x * x * share - 2.0 * x * first + second),
                });
                next[i] = density * (total - share).max(0.0);
            }
            ended.push(here);
            going = next;
        }
        ended
    }
}

/// T_a at a place of the grid; off it nothing is left but the empty product.
fn spaced_at(spaced: &[Vec<f64>], a: usize, place: Option<usize>) -> f64 {
    match place {
        Some(at) => spaced[a][at],
        None if a == 0 => 1.0,
        None => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::agreement::chance_agreement;

    /// Of two titres: 2 Phi(w / sqrt 2) - 1 agree, their mean is independent of their difference (variance 1/2), by hand.
    #[test]
    fn the_first_pair_is_the_textbook_case() {
        for rule in [PairRule::Any, PairRule::Consecutive] {
            let two = repeat_until_pair(rule, 0.1, 0.1, 2).unwrap();
            assert!((two.passes - 0.520_499_9).abs() < 5e-8, "{}", two.passes); // erf(1/2), any table
            assert!((two.sd_of_mean - 0.5f64.sqrt()).abs() < 1e-9, "{}", two.sd_of_mean);
            let wide = repeat_until_pair(rule, 19.0, 1.0, 5).unwrap();
            assert_eq!((wide.passes, wide.mean_titres, wide.shown_sd), (1.0, 2.0, 1.0));
        }
    }

    /// A pair of three, four or six agrees within the deviation in 90.62, 99.37 and all but 100 % (NumPy, 4 000 000 sets).
    #[test]
    fn the_chance_that_some_pair_agrees_is_that_of_the_spacings() {
        for w in [0.05, 0.3, 1.0, 2.5] {
            let outcome = repeat_until_pair(PairRule::Any, w, 1.0, 8).unwrap();
            let mut so_far = 0.0;
            for (n, p) in (2..).zip(&outcome.ends) {
                so_far += p;
                let expected = chance_agreement(n, 2, w, 1.0).unwrap().probability;
                assert!((so_far - expected).abs() < 1e-9, "{w}, {n}: {so_far} {expected}");
            }
        }
        let passes = |most| repeat_until_pair(PairRule::Any, 0.1, 0.1, most).unwrap().passes;
        assert!((passes(3) - 0.906_19).abs() < 6e-4 && (passes(4) - 0.993_73).abs() < 2e-4 && passes(6) > 0.9999);
    }

    #[test]
    fn impossible_questions_are_refused() {
        assert!(repeat_until_pair(PairRule::Any, 0.1, 0.1, 1).is_err());
        assert!(repeat_until_pair(PairRule::Any, 0.1, 0.1, 21).is_err());
        assert!(repeat_until_pair(PairRule::Any, 0.0, 0.1, 3).is_err());
        assert!(repeat_until_pair(PairRule::Consecutive, 0.1, f64::NAN, 3).is_err());
        assert!(repeat_until_pair(PairRule::Any, 1e-9, 1.0, 3).is_err());
    }

    /// Simulation with NumPy 2 of 4 000 000 series each: passes, titres, deviation of the mean, deviation shown. Standard
    /// errors are at most 2.5e-4 of a probability, 3e-4 of a deviation and 1e-3 of a number of titres.
    #[test]
    fn outcomes_are_those_of_a_simulation() {
        for (rule, w, most, expected) in [
            (PairRule::Any, 1.0, 6, [0.999_999_75, 2.579_634, 0.784_578, 0.376_600]),
            (PairRule::Any, 0.3, 6, [0.951_147, 3.854_789, 0.760_279, 0.118_254]),
            (PairRule::Any, 0.3, 10, [0.999_956, 3.922_448, 0.765_609, 0.117_848]),
            (PairRule::Any, 2.0, 4, [0.999_999_25, 2.159_543, 0.764_596, 0.693_532]),
            (PairRule::Consecutive, 1.0, 6, [0.964_465, 2.938_431, 0.749_173, 0.396_457]),
            (PairRule::Consecutive, 0.3, 10, [0.800_498, 5.867_326, 0.726_363, 0.122_123]),
            (PairRule::Consecutive, 2.0, 4, [0.990_321, 2.204_007, 0.743_119, 0.722_885]),
        ] {
            let found = repeat_until_pair(rule, w, 1.0, most).unwrap();
            let figures = [found.passes, found.mean_titres, found.sd_of_mean, found.shown_sd];
            for ((figure, expected), tolerance) in figures.iter().zip(expected).zip([8e-4, 4e-3, 1e-3, 1e-3]) {
                assert!((figure - expected).abs() < tolerance, "{rule:?} {w} {most}: {figures:?}");
            }
        }
    }
}
