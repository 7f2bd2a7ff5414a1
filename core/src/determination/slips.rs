//! Likely slips of reading or writing: queried, never refused, never corrected by themselves.

use bigdecimal::{BigDecimal, ToPrimitive, Zero};

use crate::determination::facts::{Rules, Titration};
use crate::determination::titre::{Fate, Titre};
use crate::quantity::Reading;
use crate::statistics::summary::median;

/// A likely slip.
#[derive(Debug, Clone, PartialEq)]
pub enum SlipQuery {
    /// Off from its siblings by a mark of the scale.
    OffByMark {
        /// 0.1, 1 or 10 mL.
        mark_ml: f64,
        /// Median of the siblings' differences, mL.
        siblings_ml: f64,
    },
    /// Two neighbouring digits of a reading swapped would make it agree.
    SwappedDigits {
        /// Reading as entered.
        entered: String,
        /// Reading with the digits swapped.
        swapped: String,
    },
}

/// Looks for likely slips among the accurate titrations that count.
pub(super) fn query(titres: &mut [Titre], titrations: &[Titration], rules: &Rules) {
    let counted: Vec<usize> =
        (0..titres.len()).filter(|i| titres[*i].fate == Fate::NotUsed || titres[*i].fate == Fate::Used).collect();
    let difference = |titre: &Titre| titre.difference.to_f64().unwrap_or(f64::NAN);
    for &index in &counted {
        let siblings: Vec<f64> = counted.iter().filter(|i| **i != index).map(|i| difference(&titres[*i])).collect();
        let Ok(siblings_ml) = median(&siblings) else { continue };
        let off = difference(&titres[index]) - siblings_ml;
        if off.abs() <= rules.concordance_limit_ml * (1.0 - 1e-9) {
            continue;
        }
        let Some(titration) = titrations.iter().find(|titration| titration.id == titres[index].id) else { continue };
        let step = titration.burette.resolution_ml;
        // A slip of a whole mark sits on top of the ordinary scatter of a reading step or two.
        for (mark_ml, slack) in [(0.1, 0.5 * step), (1.0, 2.0 * step), (10.0, 2.0 * step)] {
            if (off.abs() - mark_ml).abs() <= slack + 1e-9 {
                titres[index].queries.push(SlipQuery::OffByMark { mark_ml, siblings_ml });
            }
        }
        let swaps = swapped(titration, &titres[index].difference, siblings_ml, rules.concordance_limit_ml);
        titres[index].queries.extend(swaps);
    }
}

fn swapped(titration: &Titration, difference: &BigDecimal, siblings_ml: f64, limit: f64) -> Vec<SlipQuery> {
    let mut found = Vec::new();
    for segment in &titration.segments {
        for (reading, sign) in [(&segment.last, 1), (&segment.initial, -1)] {
            for candidate in neighbours_swapped(&reading.text()) {
                let Ok(swapped) = candidate.parse::<Reading>() else { continue };
                let change = swapped.minus(reading) * BigDecimal::from(sign);
                if change.is_zero() {
                    continue;
                }
                let would_be = (difference + change).to_f64().unwrap_or(f64::NAN);
                if (would_be - siblings_ml).abs() <= limit + 1e-9 {
                    found.push(SlipQuery::SwappedDigits { entered: reading.text(), swapped: candidate });
                }
            }
        }
    }
    found
}

/// Every text that comes of swapping two neighbouring digits, a decimal point between them passed over.
fn neighbours_swapped(text: &str) -> Vec<String> {
    let digits: Vec<usize> = text.char_indices().filter(|(_, c)| c.is_ascii_digit()).map(|(i, _)| i).collect();
    digits
        .windows(2)
        .map(|pair| {
            let mut bytes = text.as_bytes().to_vec();
            bytes.swap(pair[0], pair[1]);
            String::from_utf8_lossy(&bytes).into_owned()
        })
        .filter(|swapped| swapped != text)
        .collect()
}
