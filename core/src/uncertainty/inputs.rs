//! The list of inputs of one evaluation: propagation of uncertainty, correlation, budget, degrees of freedom.

use std::collections::{BTreeMap, HashMap};

use super::{DegreesOfFreedom, Input, InputError, Sourced};

/// One line of an uncertainty budget.
#[derive(Debug, Clone, PartialEq)]
pub struct Contribution {
    /// Input.
    pub input: Input,
    /// Sensitivity: partial derivative of the result to the input.
    pub sensitivity: f64,
    /// Signed contribution to the standard uncertainty: sensitivity times u, in the unit of the result.
    pub contribution: f64,
    /// Share of the variance; shares sum to 1. Negative only where a stated correlation cancels more than the input
    /// adds; 0 when the result has no uncertainty.
    pub share: f64,
}

/// The inputs of a model. Values made from them refer to them by position, so values of two lists must not be mixed.
#[derive(Debug, Clone, Default)]
pub struct Inputs {
    inputs: Vec<Input>,
    positions: HashMap<String, u32>,
    /// Coefficients other than 0 by (smaller position, larger position).
    correlations: BTreeMap<(u32, u32), f64>,
}

impl Inputs {
    /// No inputs.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds an input, or finds the one of the same id.
    ///
    /// # Errors
    /// [`InputError::NotUsable`] and [`InputError::OutOfRange`]; [`InputError::Contradiction`] if the id is known with
    /// other numbers.
    pub fn add(&mut self, input: Input) -> Result<Sourced, InputError> {
        input.validate()?;
        let value = input.value;
        let position = match self.positions.get(&input.id) {
            Some(&position) => {
                same_quantity(&self.inputs[position as usize], &input)?;
                position
            }
            None => {
                let position = u32::try_from(self.inputs.len()).unwrap_or(u32::MAX);
                self.positions.insert(input.id.clone(), position);
                self.inputs.push(input);
                position
            }
        };
        Ok(Sourced::from_input(position, value))
    }

    /// All inputs in the order they were first added.
    #[must_use]
    pub fn list(&self) -> &[Input] {
        &self.inputs
    }

    /// The input with this id.
    #[must_use]
    pub fn by_id(&self, id: &str) -> Option<&Input> {
        self.positions.get(id).map(|&position| &self.inputs[position as usize])
    }

    /// Every input as a value, in the order of [`Inputs::list`]: the argument for a model of [`Sourced`].
    #[must_use]
    pub fn sourced(&self) -> Vec<Sourced> {
        (0_u32..).zip(&self.inputs).map(|(position, input)| Sourced::from_input(position, input.value)).collect()
    }

    /// Every estimate, in the order of [`Inputs::list`]: the argument for a model of `f64`.
    #[must_use]
    pub fn values(&self) -> Vec<f64> {
        self.inputs.iter().map(|input| input.value).collect()
    }

    /// Correlation coefficients other than 0, by pair of positions in [`Inputs::list`], the smaller first.
    pub fn correlations(&self) -> impl Iterator<Item = ((u32, u32), f64)> + '_ {
        self.correlations.iter().map(|(&pair, &r)| (pair, r))
    }

    /// States the correlation coefficient of two inputs that share a source which the model does not show.
    ///
    /// Several coefficients that belong together go through [`Inputs::correlate_all`]: one by one, with those still to
    /// come taken as 0, they may look impossible.
    ///
    /// # Errors
    /// As [`Inputs::correlate_all`].
    pub fn correlate(&mut self, first: &str, second: &str, r: f64) -> Result<(), InputError> {
        self.correlate_all(&[(first, second, r)])
    }

    /// States correlation coefficients of pairs of inputs, in any order; pairs not stated have 0. They are judged together.
    ///
    /// # Source
    /// A correlation matrix is positive semidefinite: JCGM 102:2011, 3.21 (from memory).
    ///
    /// # Errors
    /// [`InputError::Unknown`]; [`InputError::Correlation`] for an input with itself, a coefficient outside \[−1, 1\],
    /// or for all of them together where no joint distribution has them (the matrix is not positive semidefinite).
    /// Nothing is then changed.
    pub fn correlate_all(&mut self, stated: &[(&str, &str, f64)]) -> Result<(), InputError> {
        let before = self.correlations.clone();
        let done = self.state(stated);
        if done.is_err() {
            self.correlations = before;
        }
        done
    }

    fn state(&mut self, stated: &[(&str, &str, f64)]) -> Result<(), InputError> {
        for &(first, second, r) in stated {
            let position =
                |id: &str| self.positions.get(id).copied().ok_or_else(|| InputError::Unknown { id: id.to_owned() });
            let (a, b) = (position(first)?, position(second)?);
            if a == b {
                return Err(refused(first, second, r, "must join two different inputs"));
            }
            if !(-1.0..=1.0).contains(&r) {
                return Err(refused(first, second, r, "must lie in [-1, 1]"));
            }
            let pair = (a.min(b), a.max(b));
            self.correlations.remove(&pair);
            if r != 0.0 {
                self.correlations.insert(pair, r);
            }
        }
        let (_, matrix) = self.correlated_block();
        match (cholesky(matrix), stated.last()) {
            (None, Some(&(first, second, r))) => {
                let rule = "and the other correlations contradict each other (a pair that is not given counts as 0)";
                Err(refused(first, second, r, rule))
            }
            _ => Ok(()),
        }
    }

    /// Positions of the inputs that take part in a correlation, and their correlation matrix.
    pub(super) fn correlated_block(&self) -> (Vec<u32>, Vec<Vec<f64>>) {
        let mut members: Vec<u32> = self.correlations.keys().flat_map(|&(i, k)| [i, k]).collect();
        members.sort_unstable();
        members.dedup();
        let entry = |i: u32, k: u32| {
            if i == k { 1.0 } else { self.correlations.get(&(i.min(k), i.max(k))).copied().unwrap_or(0.0) }
        };
        let matrix = members.iter().map(|&i| members.iter().map(|&k| entry(i, k)).collect()).collect();
        (members, matrix)
    }

    /// Signed contributions c u of a value, by position.
    fn contributions(&self, value: &Sourced) -> Vec<(u32, f64)> {
        let u = |position: u32| self.inputs[position as usize].standard_uncertainty;
        value.partials().iter().map(|&(position, c)| (position, c * u(position))).collect()
    }

    /// Standard uncertainty of a value.
    ///
    /// # Formula
    /// u^2(y) = sum over inputs of (c_i u_i)^2 + 2 sum over pairs of c_i c_j u_i u_j r_ij
    ///
    /// # Source
    /// JCGM 100:2008, equations (10) and (16); values that share inputs are thereby correlated as in equation (13)
    /// (from memory).
    #[must_use]
    pub fn standard_uncertainty(&self, value: &Sourced) -> f64 {
        self.covariance(value, value).max(0.0).sqrt()
    }

    /// Covariance of two values through the inputs they share and the correlations stated.
    ///
    /// # Source
    /// JCGM 100:2008, F.1.2.3; JCGM 102:2011, 6.2 (from memory).
    #[must_use]
    pub fn covariance(&self, a: &Sourced, b: &Sourced) -> f64 {
        let mut sum = 0.0;
        let mut others = b.partials().iter().peekable();
        for &(position, partial) in a.partials() {
            while others.next_if(|(other, _)| *other < position).is_some() {}
            if let Some(&(_, other)) = others.next_if(|(other, _)| *other == position) {
                let u = self.inputs[position as usize].standard_uncertainty;
                sum += (partial * u) * (other * u);
            }
        }
        if self.correlations.is_empty() {
            return sum;
        }
        let (left, right) = (self.contributions(a), self.contributions(b));
        for (&(i, k), &r) in &self.correlations {
            sum += r * (of(&left, i) * of(&right, k) + of(&left, k) * of(&right, i));
        }
        sum
    }

    /// Correlation coefficient of two values; `None` if one of them has no uncertainty.
    #[must_use]
    pub fn correlation(&self, a: &Sourced, b: &Sourced) -> Option<f64> {
        let product = self.standard_uncertainty(a) * self.standard_uncertainty(b);
        (product > 0.0).then(|| (self.covariance(a, b) / product).clamp(-1.0, 1.0))
    }

    /// The budget of a value, largest share first.
    ///
    /// # Formula
    /// share_i = c_i u_i sum over j of c_j u_j r_ij / u^2
    #[must_use]
    pub fn budget(&self, value: &Sourced) -> Vec<Contribution> {
        let variance = self.covariance(value, value);
        let parts = self.contributions(value);
        let line = |(&(position, contribution), &(_, sensitivity)): (&(u32, f64), &(u32, f64))| {
            let mut part = contribution * contribution;
            for (&(i, k), &r) in &self.correlations {
                if i == position {
                    part += r * contribution * of(&parts, k);
                } else if k == position {
                    part += r * contribution * of(&parts, i);
                }
            }
            let share = if variance > 0.0 { part / variance } else { 0.0 };
            Contribution { input: self.inputs[position as usize].clone(), sensitivity, contribution, share }
        };
        let mut budget: Vec<Contribution> = parts.iter().zip(value.partials()).map(line).collect();
        budget.sort_by(|a, b| b.share.total_cmp(&a.share).then_with(|| a.input.id.cmp(&b.input.id)));
        budget
    }

    /// Effective degrees of freedom; infinite if no input with finite ones contributes.
    ///
    /// Where an input with finite degrees of freedom is correlated with another that contributes, the formula does not
    /// hold; the smallest degrees of freedom among such inputs then bound the answer from above (our choice). The formula
    /// for independent inputs never falls below the smallest degrees of freedom among them; where correlation makes
    /// contributions cancel it would, down to 0, so that smallest number bounds the answer from below.
    ///
    /// # Formula
    /// nu_eff = u^4 / sum of (c_i u_i)^4 / nu_i
    ///
    /// # Source
    /// JCGM 100:2008, equation (G.2b) (Welch and Satterthwaite; from memory).
    #[must_use]
    pub fn effective_degrees_of_freedom(&self, value: &Sourced) -> DegreesOfFreedom {
        let u = self.standard_uncertainty(value);
        let parts = self.contributions(value);
        let mut sum = 0.0;
        let (mut bound, mut least) = (f64::INFINITY, f64::INFINITY);
        for &(position, contribution) in &parts {
            let DegreesOfFreedom::Finite(dof) = self.inputs[position as usize].degrees_of_freedom else { continue };
            if contribution == 0.0 {
                continue;
            }
            least = least.min(dof);
            // Relative to u, so that the fourth power neither overflows nor vanishes.
            sum += (contribution / u).powi(4) / dof;
            let partner = |(i, k): &(u32, u32)| match position {
                p if p == *i => of(&parts, *k) != 0.0,
                p if p == *k => of(&parts, *i) != 0.0,
                _ => false,
            };
            if self.correlations.keys().any(partner) {
                bound = bound.min(dof);
            }
        }
        if sum > 0.0 { DegreesOfFreedom::Finite((1.0 / sum).max(least).min(bound)) } else { DegreesOfFreedom::Infinite }
    }
}

/// Effective degrees of freedom of a standard uncertainty from independent contributions c u, each with its own; infinite if
/// none with finite ones contributes.
///
/// # Formula
/// `nu_eff = u^4 / sum of (c_i u_i)^4 / nu_i`
///
/// # Source
/// JCGM 100:2008, equation (G.2b).
pub(crate) fn effective_degrees_of_freedom(
    u: f64,
    parts: impl IntoIterator<Item = (f64, Option<f64>)>,
) -> DegreesOfFreedom {
    let share = |(part, dof): (f64, Option<f64>)| match dof {
        // Relative to u, so that the fourth power neither overflows nor vanishes.
        Some(dof) if part != 0.0 => (part / u).powi(4) / dof,
        _ => 0.0,
    };
    let sum: f64 = parts.into_iter().map(share).sum();
    if sum > 0.0 { DegreesOfFreedom::Finite(1.0 / sum) } else { DegreesOfFreedom::Infinite }
}

fn refused(first: &str, second: &str, coefficient: f64, rule: &'static str) -> InputError {
    InputError::Correlation { first: first.to_owned(), second: second.to_owned(), coefficient, rule }
}

fn of(parts: &[(u32, f64)], position: u32) -> f64 {
    parts.binary_search_by_key(&position, |&(i, _)| i).map_or(0.0, |at| parts[at].1)
}

/// Lower Cholesky factor of a correlation matrix, zero columns allowed; `None` if it is not positive semidefinite.
pub(super) fn cholesky(mut matrix: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    // Rounding of a singular matrix leaves pivots of the order of the machine epsilon.
    const ROUNDING: f64 = 1e-12;
    let n = matrix.len();
    for j in 0..n {
        let pivot = matrix[j][j] - matrix[j][..j].iter().map(|l| l * l).sum::<f64>();
        if pivot < -ROUNDING {
            return None;
        }
        let root = if pivot > ROUNDING { pivot.sqrt() } else { 0.0 };
        matrix[j][j] = root;
        for i in j + 1..n {
            let rest = matrix[i][j] - (0..j).map(|k| matrix[i][k] * matrix[j][k]).sum::<f64>();
            if root == 0.0 && rest.abs() > 1e-6 {
                return None;
            }
            matrix[i][j] = if root == 0.0 { 0.0 } else { rest / root };
            matrix[j][i] = 0.0;
        }
    }
    Some(matrix)
}

/// Whether two inputs of one identity are the same.
pub(crate) fn same_quantity(known: &Input, again: &Input) -> Result<(), InputError> {
    let contradiction =
        |first: String, second: String| Err(InputError::Contradiction { id: known.id.clone(), first, second });
    if known.value != again.value || known.standard_uncertainty != again.standard_uncertainty {
        let show = |i: &Input| format!("{} (u {})", i.value, i.standard_uncertainty);
        return contradiction(show(known), show(again));
    }
    if known.degrees_of_freedom != again.degrees_of_freedom || known.distribution != again.distribution {
        let show = |i: &Input| format!("{:?}, {:?}", i.degrees_of_freedom, i.distribution);
        return contradiction(show(known), show(again));
    }
    if known.unit != again.unit {
        return contradiction(format!("unit {}", known.unit), format!("unit {}", again.unit));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn iron_iii_by_difference_has_the_uncertainty_of_what_is_not_shared() {
        let mut inputs = Inputs::new();
        let k = inputs.add(Input::new("k", "factor", "g/L per mL", 5.5845, 0.0015 * 5.5845)).unwrap();
        let total = &k * inputs.add(Input::new("vt", "total", "mL", 23.18, 0.02)).unwrap();
        let ferrous = &k * inputs.add(Input::new("v2", "iron(II)", "mL", 21.46, 0.02)).unwrap();
        let ferric = &total - &ferrous;
        // Computed independently: K² (u² + u²) + Fe(III)² u_rel²; and the two results taken as independent.
        assert!((ferric.value() - 9.605).abs() < 0.0005);
        assert!((inputs.standard_uncertainty(&ferric) - 0.1586).abs() < 0.00005);
        assert!((inputs.correlation(&total, &ferrous).unwrap() - 0.7363).abs() < 0.00005);
        let apart = inputs.covariance(&total, &total) + inputs.covariance(&ferrous, &ferrous);
        assert!((apart.sqrt() - 0.3082).abs() < 0.00005);
        let budget = inputs.budget(&ferric);
        assert!((budget.iter().map(|line| line.share).sum::<f64>() - 1.0).abs() < 1e-14);
        assert_eq!(budget.last().unwrap().input.id, "k");
    }

    #[test]
    fn the_same_id_with_another_uncertainty_is_refused_by_name() {
        let mut inputs = Inputs::new();
        let first = Input::new("p25", "pipette", "mL", 25.0, 0.015);
        let a = inputs.add(first.clone()).unwrap();
        assert_eq!(a, inputs.add(Input { label: "pipette P25".into(), ..first.clone() }).unwrap());
        assert_eq!(inputs.list().len(), 1);
        let error = inputs.add(Input { standard_uncertainty: 0.02, ..first.clone() }).unwrap_err();
        assert_eq!(error.to_string(), "input p25 is given twice with different numbers: 25 (u 0.015) and 25 (u 0.02)");
        assert!(inputs.add(first.with_dof(Some(4.0))).is_err());
    }

    #[test]
    fn a_stated_correlation_of_one_makes_uncertainties_add_and_cancel() {
        let mut inputs = Inputs::new();
        let a = inputs.add(Input::new("a", "", "", 1.0, 0.3)).unwrap();
        let b = inputs.add(Input::new("b", "", "", 1.0, 0.4)).unwrap();
        inputs.add(Input::new("c", "", "", 1.0, 0.4)).unwrap();
        inputs.correlate("b", "a", 1.0).unwrap();
        assert!((inputs.standard_uncertainty(&(&a + &b)) - 0.7).abs() < 1e-15);
        assert!((inputs.standard_uncertainty(&(&a - &b)) - 0.1).abs() < 1e-15);
        let shares: f64 = inputs.budget(&(&a - &b)).iter().map(|line| line.share).sum();
        assert!((shares - 1.0).abs() < 1e-12);
        assert!(inputs.correlate("a", "a", 0.5).is_err());
        assert!(inputs.correlate("a", "b", 1.5).is_err());
        // a = b, a with c 0.5 and b with c 0 cannot all hold.
        inputs.correlate("a", "c", 0.5).unwrap_err();
        assert_eq!(inputs.correlations().count(), 1);
    }

    /// JCGM 100:2008, H.2, table H.3 (from memory): R = 127.732, u 0.071; X = 219.847, u 0.295; Z = 254.260, u 0.236 ohm.
    #[test]
    fn the_example_of_simultaneous_readings_passes_in_every_order() {
        let pairs = [("V", "I", -0.36), ("V", "phi", 0.86), ("I", "phi", -0.65)];
        for order in [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]] {
            let mut inputs = Inputs::new();
            let v = inputs.add(Input::new("V", "", "V", 4.9990, 0.0032).with_dof(Some(4.0))).unwrap();
            let i = inputs.add(Input::new("I", "", "A", 19.6610e-3, 0.0095e-3).with_dof(Some(4.0))).unwrap();
            inputs.add(Input::new("phi", "", "rad", 1.04446, 0.00075).with_dof(Some(4.0))).unwrap();
            inputs.correlate_all(&order.map(|at: usize| pairs[at])).unwrap();
            let z = &v / &i;
            assert!((z.value() - 254.260).abs() < 0.01, "{}", z.value());
            // The guide's 0.236 is from unrounded deviations; those printed, put in here, give 0.2366 by hand.
            assert!((inputs.standard_uncertainty(&z) - 0.236).abs() < 0.001);
            assert_eq!(inputs.effective_degrees_of_freedom(&z), DegreesOfFreedom::Finite(4.0));
        }
    }

    /// By hand: three inputs at 0.71 have the determinant 1 + 2 r^3 - 3 r^2 = 0.203 and are possible; with one pair at 0,
    /// 1 - 2 r^2 is below 0 and they are not.
    #[test]
    fn correlations_are_judged_together_and_all_or_none_are_taken() {
        let mut inputs = Inputs::new();
        for id in ["a", "b", "c"] {
            inputs.add(Input::new(id, "", "", 1.0, 0.1)).unwrap();
        }
        inputs.correlate_all(&[("a", "b", 0.71), ("b", "c", 0.71), ("c", "a", 0.71)]).unwrap();
        inputs.correlate_all(&[("a", "b", 0.1), ("c", "a", 0.0)]).unwrap();
        assert!(inputs.correlate_all(&[("a", "c", 0.71), ("a", "b", 0.99)]).is_ok());
        inputs.correlate_all(&[("a", "c", -0.71), ("a", "b", 0.99)]).unwrap_err();
        assert_eq!(inputs.correlations().map(|(_, r)| r).collect::<Vec<_>>(), [0.99, 0.71, 0.71]);
    }

    #[test]
    fn what_cancels_wholly_still_has_the_degrees_of_freedom_of_its_inputs() {
        let mut inputs = Inputs::new();
        let a = inputs.add(Input::new("a", "", "", 2.0, 0.3).with_dof(Some(4.0))).unwrap();
        let b = inputs.add(Input::new("b", "", "", 1.0, 0.3).with_dof(Some(9.0))).unwrap();
        inputs.correlate("a", "b", 1.0).unwrap();
        let difference = &a - &b;
        assert_eq!(inputs.standard_uncertainty(&difference), 0.0);
        assert_eq!(inputs.effective_degrees_of_freedom(&difference), DegreesOfFreedom::Finite(4.0));
        // Nearly cancelled, too: the formula alone gives a number far below 1.
        inputs.correlate("a", "b", 0.999_999).unwrap();
        assert_eq!(inputs.effective_degrees_of_freedom(&difference), DegreesOfFreedom::Finite(4.0));
        assert_eq!(inputs.effective_degrees_of_freedom(&(&a + &b)), DegreesOfFreedom::Finite(4.0));
    }
}
