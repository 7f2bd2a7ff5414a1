//! How long a chain of states lasts until it is left.

use super::ControlError;
use crate::stop;

/// Longest run length that is given; beyond it the numbers of the machine end.
pub(super) const LONGEST: f64 = 1e290;

/// A chain of states: probabilities of the moves between them, row after row, and of leaving from each. The share that
/// stays where it is, is what is left of 1, and is never used.
pub(super) struct Chain {
    /// Probability of the move from row to column.
    pub(super) moves: Vec<f64>,
    /// Probability of leaving, per state.
    pub(super) leaving: Vec<f64>,
}

impl Chain {
    /// Expected number of steps, the one that leaves included, from each state.
    ///
    /// States are taken out one by one, their traffic passed on to those that are left. No difference of probabilities is
    /// ever formed, so every figure keeps its digits however rare it is to leave: an elimination of I - P would lose one
    /// digit of the answer for every digit of its length.
    ///
    /// # Source
    /// W. K. Grassmann, M. I. Taksar, D. P. Heyman, Operations Research 33 (1985) 1107 (from memory).
    ///
    /// # Errors
    /// [`ControlError::TooLong`] when the chain is never left, or not within [`LONGEST`] steps.
    pub(super) fn expected_steps(self) -> Result<Vec<f64>, ControlError> {
        let Self { mut moves, mut leaving } = self;
        let n = leaving.len();
        let too_long = || ControlError::TooLong { longest: LONGEST };
        let mut steps = vec![1.0; n];
        let mut away = vec![0.0; n];
        for last in (1..n).rev() {
            stop::point();
            let (before, rest) = moves.split_at_mut(last * n);
            let row = &rest[..last];
            let out = leaving[last] + row.iter().sum::<f64>();
            if out <= 0.0 {
                return Err(too_long());
            }
            away[last] = out;
            for (i, other) in before.chunks_exact_mut(n).enumerate() {
                let share = other[last] / out;
                if share > 0.0 {
                    other[..last].iter_mut().zip(row).for_each(|(to, onward)| *to += share * onward);
                    leaving[i] += share * leaving[last];
                    steps[i] += share * steps[last];
                }
            }
        }
        let mut expected = vec![0.0; n];
        if let (Some(first), Some(&length), Some(&out)) = (expected.first_mut(), steps.first(), leaving.first()) {
            *first = length / out;
        }
        for state in 1..n {
            let onward: f64 = moves[state * n..][..state].iter().zip(&expected).map(|(p, length)| p * length).sum();
            expected[state] = (steps[state] + onward) / away[state];
        }
        if expected.iter().all(|length| *length <= LONGEST) { Ok(expected) } else { Err(too_long()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_walk_between_two_ends_lasts_as_long_as_the_books_say() {
        // Feller: from k of n + 1 a fair walk takes k (n + 1 - k) steps to either end.
        let n = 9_usize;
        let moves = (0..n * n).map(|at| if (at / n).abs_diff(at % n) == 1 { 0.5 } else { 0.0 }).collect();
        let leaving = (0..n).map(|i| if i == 0 || i == n - 1 { 0.5 } else { 0.0 }).collect();
        let steps = Chain { moves, leaving }.expected_steps().unwrap();
        for (i, found) in steps.iter().enumerate() {
            let expected = ((i + 1) * (n - i)) as f64;
            assert!((found - expected).abs() < 1e-12 * expected, "{i}: {found}");
        }
    }

    #[test]
    fn a_rare_end_keeps_its_digits_and_no_end_is_said() {
        // Two states that change by turns, left from the second with 1e-200: 2e200 steps and one either way, by hand.
        let chain = |leaving| Chain { moves: vec![0.0, 1.0, 1.0, 0.0], leaving: vec![0.0, leaving] }.expected_steps();
        let steps = chain(1e-200).unwrap();
        assert!((steps[0] / 2e200 - 1.0).abs() < 1e-14 && (steps[1] / 2e200 - 1.0).abs() < 1e-14, "{steps:?}");
        assert!(matches!(chain(0.0), Err(ControlError::TooLong { .. })));
    }
}
