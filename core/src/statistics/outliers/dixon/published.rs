//! Critical values as printed, shown beside the computed ones.
use super::{Critical, Ratio};
use crate::statistics::outliers::{Obtained, Sidedness};

/// One-sided levels of the columns.
const ONE_SIDED: [f64; 5] = [0.10, 0.05, 0.02, 0.01, 0.005];
/// Two-sided levels of the columns of the r10 table.
const TWO_SIDED: [f64; 5] = [0.10, 0.05, 0.04, 0.02, 0.01];

const ONE_SIDED_TABLE: &str = "Dixon 1951, Dean and Dixon 1951, one-sided (read in a reprint; errors up to 0.006)";
const TWO_SIDED_TABLE: &str = "Rorabacher 1991, two-sided r10";

/// Rows read in a reprint (data/02_dixon_published_one_sided_vs_exact.csv).
const ONE_SIDED_ROWS: [(Ratio, usize, [f64; 5]); 16] = [
    (Ratio::R10, 3, [0.886, 0.941, 0.976, 0.988, 0.994]),
    (Ratio::R10, 4, [0.679, 0.765, 0.846, 0.889, 0.926]),
    (Ratio::R10, 6, [0.482, 0.560, 0.644, 0.698, 0.740]),
    (Ratio::R10, 7, [0.434, 0.507, 0.586, 0.637, 0.680]),
    (Ratio::R11, 9, [0.441, 0.512, 0.587, 0.635, 0.677]),
    (Ratio::R11, 10, [0.409, 0.477, 0.551, 0.597, 0.639]),
    (Ratio::R21, 12, [0.490, 0.546, 0.605, 0.642, 0.675]),
    (Ratio::R21, 13, [0.467, 0.521, 0.578, 0.615, 0.649]),
    (Ratio::R22, 15, [0.472, 0.525, 0.579, 0.616, 0.647]),
    (Ratio::R22, 16, [0.454, 0.507, 0.559, 0.595, 0.624]),
    (Ratio::R22, 18, [0.424, 0.475, 0.527, 0.561, 0.589]),
    (Ratio::R22, 19, [0.412, 0.462, 0.514, 0.547, 0.575]),
    (Ratio::R22, 21, [0.391, 0.440, 0.491, 0.524, 0.551]),
    (Ratio::R22, 22, [0.382, 0.430, 0.481, 0.514, 0.541]),
    (Ratio::R22, 24, [0.367, 0.413, 0.464, 0.497, 0.524]),
    (Ratio::R22, 25, [0.360, 0.406, 0.457, 0.489, 0.516]),
];

/// Rows read in a reprint (data/02_dixon_published_two_sided_r10_vs_exact.csv); n = 5 and 8 from memory.
const TWO_SIDED_ROWS: [(usize, [f64; 5]); 8] = [
    (3, [0.941, 0.970, 0.976, 0.988, 0.994]),
    (4, [0.765, 0.829, 0.846, 0.889, 0.926]),
    (5, [0.642, 0.710, 0.729, 0.780, 0.821]),
    (6, [0.560, 0.625, 0.644, 0.698, 0.740]),
    (7, [0.507, 0.568, 0.586, 0.637, 0.680]),
    (8, [0.468, 0.526, 0.543, 0.590, 0.634]),
    (9, [0.437, 0.493, 0.510, 0.555, 0.598]),
    (10, [0.412, 0.466, 0.483, 0.527, 0.568]),
];

/// The printed critical value, where a printed table known here has one.
///
/// Printed values are off by up to 0.006 (n = 4, two-sided 1 %: 0.926 printed, 0.92066 exact), so no verdict uses them.
#[must_use]
pub fn published(ratio: Ratio, n: usize, alpha: f64, sidedness: Sidedness) -> Option<Critical> {
    let pick = |levels: &[f64; 5], row: &[f64; 5]| {
        levels.iter().zip(row).find(|(level, _)| (*level - alpha).abs() < 1e-12).map(|(_, value)| *value)
    };
    let (value, table) = match sidedness {
        Sidedness::OneSided => {
            let (_, _, row) = ONE_SIDED_ROWS.iter().find(|row| row.0 == ratio && row.1 == n)?;
            (pick(&ONE_SIDED, row)?, ONE_SIDED_TABLE)
        }
        Sidedness::TwoSided => {
            let (_, row) = TWO_SIDED_ROWS.iter().find(|row| ratio == Ratio::R10 && row.0 == n)?;
            (pick(&TWO_SIDED, row)?, TWO_SIDED_TABLE)
        }
    };
    Some(Critical { value, alpha, sidedness, obtained: Obtained::Published { table } })
}
