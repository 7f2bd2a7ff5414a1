//! The bench rule: titres whose range is within a limit.

/// Which titres the rule looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ConcordanceMode {
    /// All accurate titres.
    AllAccurate,
    /// The latest ones, as many as the method needs; "the best ones" cannot be asked for.
    Consecutive,
}

/// What the rule says.
#[derive(Debug, Clone, PartialEq)]
pub struct Concordance {
    /// Positions (from 0) of the titres the rule uses; empty while there are too few.
    pub used: Vec<usize>,
    /// Range of those titres, mL.
    pub range: Option<f64>,
    /// Range of all accurate titres, mL; always shown beside it.
    pub range_of_all: Option<f64>,
    /// Whether the range is within the limit.
    pub agrees: bool,
    /// How many more titres are needed at least.
    pub missing: usize,
}

/// Applies the rule to the accurate titres in the order they were made.
///
/// Readings are decimals; the comparison forgives the rounding of their binary form (1e-9 mL), not a real excess.
///
/// # Source
/// common practice, no source: titres within 0.10 or 0.05 mL.
#[must_use]
pub fn concordance(titres: &[f64], limit: f64, minimum: usize, mode: ConcordanceMode) -> Concordance {
    let minimum = minimum.max(2);
    let range = |part: &[f64]| {
        let low = part.iter().copied().fold(f64::INFINITY, f64::min);
        let high = part.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        // A value that is not a number would slip through the comparisons above.
        (part.len() >= 2 && part.iter().all(|x| x.is_finite())).then_some(high - low)
    };
    let range_of_all = range(titres);
    if titres.len() < minimum {
        let missing = minimum - titres.len();
        return Concordance { used: Vec::new(), range: None, range_of_all, agrees: false, missing };
    }
    let first = match mode {
        ConcordanceMode::AllAccurate => 0,
        ConcordanceMode::Consecutive => titres.len() - minimum,
    };
    let span = range(&titres[first..]);
    let agrees = span.is_some_and(|span| span <= limit + 1e-9);
    Concordance {
        used: if agrees { (first..titres.len()).collect() } else { Vec::new() },
        range: span,
        range_of_all,
        agrees,
        missing: usize::from(!agrees),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_pair_can_be_picked_out() {
        let titres = [23.00, 23.40, 23.02];
        assert!(!concordance(&titres, 0.10, 2, ConcordanceMode::AllAccurate).agrees);
        assert!(!concordance(&titres, 0.10, 2, ConcordanceMode::Consecutive).agrees);
        let then = [23.40, 23.00, 23.02];
        let verdict = concordance(&then, 0.10, 2, ConcordanceMode::Consecutive);
        assert_eq!(verdict.used, [1, 2]);
        assert!((verdict.range_of_all.unwrap() - 0.40).abs() < 1e-12);
    }

    #[test]
    fn a_range_of_exactly_the_limit_agrees() {
        assert!(concordance(&[23.16, 23.26], 0.10, 2, ConcordanceMode::AllAccurate).agrees);
        assert!(!concordance(&[23.16, 23.28], 0.10, 2, ConcordanceMode::AllAccurate).agrees);
        assert_eq!(concordance(&[23.16], 0.10, 3, ConcordanceMode::AllAccurate).missing, 2);
        assert!(!concordance(&[23.16, f64::NAN], 0.10, 2, ConcordanceMode::AllAccurate).agrees);
    }
}
