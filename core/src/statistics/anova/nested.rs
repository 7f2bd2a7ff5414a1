//! Two-level nested analysis of variance: days, analysts within days, replicates.

use super::FRatio;
use super::components::{Component, VarianceSum};
use crate::statistics::double_double::{DoubleDouble, Observation, exact};
use crate::statistics::model_error::ModelError;

/// One line of the analysis of variance table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NestedLevel {
    /// Sum of squares.
    pub sum_of_squares: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Mean square.
    pub mean_square: f64,
}

impl NestedLevel {
    fn new(sum_of_squares: DoubleDouble, degrees_of_freedom: f64) -> Self {
        let sum_of_squares = sum_of_squares.value();
        Self { sum_of_squares, degrees_of_freedom, mean_square: sum_of_squares / degrees_of_freedom }
    }
}

/// Nested analysis of variance with its three variance components.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nested {
    /// Number of values, N.
    pub n: usize,
    /// Mean of all values.
    pub grand_mean: f64,
    /// Upper level (days).
    pub upper: NestedLevel,
    /// Lower level within the upper (analysts within days).
    pub lower: NestedLevel,
    /// Replicates.
    pub replicates: NestedLevel,
    /// F test of the lower level against replicates; `None` without spread of replicates.
    pub lower_f: Option<FRatio>,
    /// F test of the upper level against the combination of mean squares that has the same expectation when the upper
    /// component is zero (the lower level itself in a balanced design); `None` when that combination is not positive.
    pub upper_f: Option<FRatio>,
    /// Whether all groups have the same size at each level.
    pub balanced: bool,
    /// Upper component.
    pub upper_component: Component,
    /// Lower component.
    pub lower_component: Component,
    /// Repeatability s_r.
    pub repeatability: VarianceSum,
    /// Intermediate precision: the root of the sum of the three components.
    pub intermediate: VarianceSum,
}

/// Sizes and sums of squares of a nested design.
#[derive(Default)]
struct Design {
    n: usize,
    cells: usize,
    /// Σ over cells of n_ij².
    cell_squares: f64,
    /// Σ over upper groups of n_i.².
    upper_squares: f64,
    /// Σ over upper groups of (Σ_j n_ij²)/n_i..
    cell_squares_per_upper: f64,
}

/// Nested analysis of variance; `data[day][analyst][replicate]`.
///
/// # Formula
/// Sums of squares of deviations from the cell mean, of cell means from group means, of group means from the grand
/// mean. Expected mean squares: `σ²`, `σ² + c₁σ_B²`, `σ² + c₂σ_B² + c₃σ_A²` with
/// `c₁ = (N - ΣᵢΣⱼnᵢⱼ²/nᵢ)/(b - a)`, `c₂ = (ΣᵢΣⱼnᵢⱼ²/nᵢ - Σnᵢⱼ²/N)/(a - 1)`, `c₃ = (N - Σnᵢ²/N)/(a - 1)`; the components
/// are the solution with each negative estimate set to 0 in the total. The total has Satterthwaite degrees of freedom.
///
/// # Source
/// Searle, Casella and McCulloch 1992, Variance Components (from memory); checked against an independent computation.
///
/// # Errors
/// Fewer than two upper groups; no upper group with two lower ones; no cell with two values; an empty group or cell; a
/// value that is not finite; confidence outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::anova::nested;
/// let days = [
///     [[52.41, 52.33], [52.38, 52.36]],
///     [[52.22, 52.29], [52.25, 52.31]],
///     [[52.47, 52.40], [52.44, 52.49]],
/// ];
/// let study = nested(&days, 0.95)?;
/// assert!(study.balanced && study.upper_component.sd > study.lower_component.sd);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn nested<T, C, G>(data: &[G], confidence: f64) -> Result<Nested, ModelError>
where
    T: Observation,
    C: AsRef<[T]>,
    G: AsRef<[C]>,
{
    ModelError::fraction("confidence", confidence)?;
    ModelError::need("upper groups", 2, data.len())?;
    let mut design = Design::default();
    let mut squares_within = DoubleDouble::ZERO;
    // Per upper group: its cells as (size, mean), its size and its mean.
    let mut uppers = Vec::with_capacity(data.len());
    for group in data.iter().map(AsRef::as_ref) {
        ModelError::need("every upper group", 1, group.len())?;
        let mut cells = Vec::with_capacity(group.len());
        let (mut size, mut own_squares, mut total) = (0.0, 0.0, DoubleDouble::ZERO);
        for cell in group.iter().map(AsRef::as_ref) {
            ModelError::need("every lower group", 1, cell.len())?;
            let values: Vec<DoubleDouble> =
                cell.iter().enumerate().map(|(i, x)| exact("values", design.n + i, x)).collect::<Result<_, _>>()?;
            let (count, sum) = (cell.len() as f64, DoubleDouble::sum(values.iter().copied()));
            let mean = sum / DoubleDouble::from(count);
            squares_within = values.iter().fold(squares_within, |squares, x| squares + (*x - mean).square());
            design.n += cell.len();
            size += count;
            own_squares += count * count;
            total = total + sum;
            cells.push((count, mean));
        }
        design.cells += cells.len();
        design.cell_squares += own_squares;
        design.upper_squares += size * size;
        design.cell_squares_per_upper += own_squares / size;
        uppers.push((cells, size, total / DoubleDouble::from(size)));
    }
    ModelError::need("lower groups (one more than upper groups)", data.len() + 1, design.cells)?;
    ModelError::need("values (one more than lower groups)", design.cells + 1, design.n)?;
    let total = DoubleDouble::sum(uppers.iter().map(|(_, size, mean)| DoubleDouble::from(*size) * *mean));
    let grand = total / DoubleDouble::from(design.n as f64);
    let weighted = |size: f64, deviation: DoubleDouble| DoubleDouble::from(size) * deviation.square();
    let squares_upper = DoubleDouble::sum(uppers.iter().map(|(_, size, mean)| weighted(*size, *mean - grand)));
    let squares_lower = DoubleDouble::sum(
        uppers.iter().flat_map(|(cells, _, mean)| cells.iter().map(move |(size, cell)| weighted(*size, *cell - *mean))),
    );
    let scale = DoubleDouble::from(design.n as f64) * grand.square();
    let squares = [squares_upper, squares_lower, squares_within].map(|squares| squares.above_rounding(scale));
    let first = uppers.first().map(|(cells, _, _)| (cells.len(), cells.first().map(|(count, _)| *count)));
    let balanced = uppers.iter().all(|(cells, _, _)| {
        Some(cells.len()) == first.map(|f| f.0)
            && cells.iter().all(|(count, _)| Some(*count) == first.and_then(|f| f.1))
    });
    design.analyse(data.len(), grand.value(), squares, balanced, confidence)
}

impl Design {
    fn analyse(
        self,
        uppers: usize,
        grand_mean: f64,
        [upper, lower, within]: [DoubleDouble; 3],
        balanced: bool,
        confidence: f64,
    ) -> Result<Nested, ModelError> {
        let (a, b, n) = (uppers as f64, self.cells as f64, self.n as f64);
        let upper = NestedLevel::new(upper, a - 1.0);
        let lower = NestedLevel::new(lower, b - a);
        let replicates = NestedLevel::new(within, n - b);
        let c1 = (n - self.cell_squares_per_upper) / (b - a);
        let c2 = (self.cell_squares_per_upper - self.cell_squares / n) / (a - 1.0);
        let c3 = (n - self.upper_squares / n) / (a - 1.0);
        let term = |factor: f64, level: NestedLevel| (factor, level.mean_square, level.degrees_of_freedom);

        let lower_component = Component::new((lower.mean_square - replicates.mean_square) / c1);
        // The yardstick of the upper level: sigma^2 + c2 sigma_B^2.
        let ratio = c2 / c1;
        let yardstick = VarianceSum::satterthwaite(&[term(ratio, lower), term(1.0 - ratio, replicates)], confidence)?;
        let upper_component = Component::new((upper.mean_square - yardstick_value(ratio, lower, replicates)) / c3);
        let repeatability = VarianceSum::satterthwaite(&[term(1.0, replicates)], confidence)?;

        let (mut of_upper, mut of_lower, mut of_within) = (0.0, 0.0, 1.0);
        if !lower_component.truncated() {
            of_lower += 1.0 / c1;
            of_within -= 1.0 / c1;
        }
        if !upper_component.truncated() {
            of_upper += 1.0 / c3;
            of_lower -= ratio / c3;
            of_within -= (1.0 - ratio) / c3;
        }
        let terms = [term(of_upper, upper), term(of_lower, lower), term(of_within, replicates)];
        Ok(Nested {
            n: self.n,
            grand_mean,
            upper,
            lower,
            replicates,
            lower_f: FRatio::of(
                (lower.mean_square, lower.degrees_of_freedom),
                (replicates.mean_square, replicates.degrees_of_freedom),
            )?,
            upper_f: FRatio::of(
                (upper.mean_square, upper.degrees_of_freedom),
                (yardstick.variance, yardstick.degrees_of_freedom),
            )?,
            balanced,
            upper_component,
            lower_component,
            repeatability,
            intermediate: VarianceSum::satterthwaite(&terms, confidence)?,
        })
    }
}

fn yardstick_value(ratio: f64, lower: NestedLevel, replicates: NestedLevel) -> f64 {
    ratio * lower.mean_square + (1.0 - ratio) * replicates.mean_square
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_total_is_the_sum_of_the_components() {
        let days = vec![
            vec![vec![52.41, 52.33], vec![52.48, 52.46, 52.44]],
            vec![vec![52.22, 52.29], vec![52.25]],
            vec![vec![52.47, 52.40, 52.42], vec![52.54, 52.49], vec![52.41, 52.43]],
        ];
        let study = nested(&days, 0.95).unwrap();
        let sum = study.upper_component.variance + study.lower_component.variance + study.repeatability.variance;
        assert!((study.intermediate.variance / sum - 1.0).abs() < 1e-12);
        assert!(!study.balanced);
    }

    #[test]
    fn designs_that_cannot_be_analysed_say_what_is_needed() {
        let one_analyst_a_day = [[[1.0, 2.0]], [[1.5, 2.5]]];
        assert!(matches!(nested(&one_analyst_a_day, 0.95), Err(ModelError::NotEnoughData { needed: 3, .. })));
        let no_replicates = [[[1.0], [2.0]], [[1.5], [2.5]]];
        assert!(matches!(nested(&no_replicates, 0.95), Err(ModelError::NotEnoughData { needed: 5, .. })));
    }

    #[test]
    fn equal_values_give_zero_components_and_no_ratios() {
        let study = nested(&[[[5.0; 2]; 2]; 3], 0.95).unwrap();
        assert_eq!((study.upper_f, study.lower_f), (None, None));
        assert_eq!(study.intermediate.sd, 0.0);
    }
}
