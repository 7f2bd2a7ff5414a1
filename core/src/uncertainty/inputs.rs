//! The list of inputs of one evaluation: propagation of uncertainty, correlation, budget, degrees of freedom.

use std::collections::BTreeMap;

use super::{DegreesOfFreedom, Input, Sourced, UncertaintyError};

/// One input's part in a combined uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct BudgetLine<'a> {
    /// The input.
    pub input: &'a Input,
    /// Partial derivative c of the result to the input, in result units per input unit.
    pub sensitivity: f64,
    /// c u(x), with the sign of the sensitivity, in result units.
    pub signed_contribution: f64,
    /// |c| u(x), in result units.
    pub contribution: f64,
    /// Share of the variance; the shares of a result sum to 1. Negative only where correlation cancels more than the
    /// input adds. 0 when the result has no uncertainty.
    pub share: f64,
}

/// The inputs of one evaluation, each id once, with any correlations among them.
#[derive(Debug, Clone, Default)]
pub struct Inputs {
    list: Vec<Input>,
    index: BTreeMap<String, u32>,
    /// Coefficients by (smaller index, larger index).
    correlations: BTreeMap<(u32, u32), f64>,
}

impl Inputs {
    /// An empty list.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds an input, or finds it when the same id with the same contents was added before.
    ///
    /// # Errors
    /// The input breaks a rule of [`Input::new`], or its id is known with another value, uncertainty, degrees of
    /// freedom, distribution or unit ([`UncertaintyError::Conflict`] names the field). The label may differ; the first
    /// is kept.
    pub fn add(&mut self, input: Input) -> Result<Sourced, UncertaintyError> {
        input.validate()?;
        if let Some(&index) = self.index.get(&input.id) {
            if let Some(known) = self.get(index) {
                same_quantity(known, &input)?;
            }
            return Ok(Sourced::from_input(index, input.value));
        }
        let index = u32::try_from(self.list.len())
            .map_err(|_too_many| UncertaintyError::UnknownInput { id: input.id.clone() })?;
        let sourced = Sourced::from_input(index, input.value);
        self.index.insert(input.id.clone(), index);
        self.list.push(input);
        Ok(sourced)
    }

    /// All inputs in the order they were first added.
    pub fn list(&self) -> &[Input] {
        &self.list
    }

    /// The input with this id.
    pub fn by_id(&self, id: &str) -> Option<&Input> {
        self.index.get(id).and_then(|&index| self.get(index))
    }

    /// Every input as a value, in the order of [`Inputs::list`]: the argument for a model of [`Sourced`].
    pub fn sourced(&self) -> Vec<Sourced> {
        (0_u32..).zip(&self.list).map(|(index, input)| Sourced::from_input(index, input.value)).collect()
    }

    /// Every estimate, in the order of [`Inputs::list`]: the argument for a model of `f64`.
    pub fn values(&self) -> Vec<f64> {
        self.list.iter().map(|input| input.value).collect()
    }

    /// Non-zero correlation coefficients by pair of indices into [`Inputs::list`], smaller index first.
    pub fn correlations(&self) -> impl Iterator<Item = ((u32, u32), f64)> + '_ {
        self.correlations.iter().map(|(&pair, &r)| (pair, r))
    }

    fn get(&self, index: u32) -> Option<&Input> {
        self.list.get(usize::try_from(index).ok()?)
    }

    fn required(&self, index: u32) -> Result<&Input, UncertaintyError> {
        self.get(index).ok_or_else(|| UncertaintyError::UnknownInput { id: format!("#{index}") })
    }

    /// States the correlation coefficient `r` of two inputs that share a source the model does not show.
    ///
    /// # Errors
    /// An unknown id, an input with itself, or `r` outside \[−1, 1\].
    pub fn correlate(&mut self, first: &str, second: &str, r: f64) -> Result<(), UncertaintyError> {
        let find =
            |id: &str| self.index.get(id).copied().ok_or_else(|| UncertaintyError::UnknownInput { id: id.to_owned() });
        let (a, b) = (find(first)?, find(second)?);
        let invalid = |rule| UncertaintyError::InvalidInput {
            id: format!("{first}, {second}"),
            field: "correlation coefficient",
            rule,
            value: r,
        };
        if a == b {
            return Err(invalid("must join two different inputs"));
        }
        if !(-1.0..=1.0).contains(&r) {
            return Err(invalid("must lie in [-1, 1]"));
        }
        let pair = (a.min(b), a.max(b));
        if r == 0.0 {
            self.correlations.remove(&pair);
        } else {
            self.correlations.insert(pair, r);
        }
        Ok(())
    }

    /// Combined standard uncertainty of a result.
    ///
    /// # Formula
    /// u² = Σᵢ (cᵢ uᵢ)² + 2 Σᵢ<ⱼ cᵢ cⱼ uᵢ uⱼ rᵢⱼ
    ///
    /// # Source
    /// JCGM 100:2008 equations 13 and 16.
    ///
    /// # Errors
    /// The result is not finite, names an unknown input, or the correlations give a negative variance.
    pub fn standard_uncertainty(&self, result: &Sourced) -> Result<f64, UncertaintyError> {
        let variance = self.covariance(result, result)?;
        if variance < 0.0 {
            // Rounding of an exact cancellation is not a contradiction.
            let independent: f64 = self.contributions(result)?.iter().map(|(_, c)| c * c).sum();
            if variance < -1e-12 * independent {
                return Err(UncertaintyError::InconsistentCorrelations { variance });
            }
            return Ok(0.0);
        }
        Ok(variance.sqrt())
    }

    /// Covariance of two results.
    ///
    /// # Formula
    /// cov(y, z) = Σᵢⱼ cᵢ dⱼ uᵢ uⱼ rᵢⱼ
    ///
    /// # Source
    /// JCGM 102:2011 6.2 (matrix form); JCGM 100:2008 F.1.2.3.
    ///
    /// # Errors
    /// A result is not finite or names an unknown input.
    pub fn covariance(&self, y: &Sourced, z: &Sourced) -> Result<f64, UncertaintyError> {
        let (a, b) = (self.contributions(y)?, self.contributions(z)?);
        let mut total = 0.0;
        let mut j = 0;
        for &(index, x) in &a {
            while b.get(j).is_some_and(|other| other.0 < index) {
                j += 1;
            }
            if let Some(&(other, w)) = b.get(j) {
                total += if other == index { x * w } else { 0.0 };
            }
        }
        for (&(i, k), &r) in &self.correlations {
            let (ai, ak) = (contribution_of(&a, i), contribution_of(&a, k));
            let (bi, bk) = (contribution_of(&b, i), contribution_of(&b, k));
            total += r * (ai * bk + ak * bi);
        }
        Ok(total)
    }

    /// Correlation coefficient of two results, from what they share.
    ///
    /// # Errors
    /// As [`Inputs::covariance`]; [`UncertaintyError::NoUncertainty`] when either has none.
    pub fn correlation(&self, y: &Sourced, z: &Sourced) -> Result<f64, UncertaintyError> {
        let (uy, uz) = (self.standard_uncertainty(y)?, self.standard_uncertainty(z)?);
        if uy == 0.0 || uz == 0.0 {
            return Err(UncertaintyError::NoUncertainty);
        }
        Ok((self.covariance(y, z)? / (uy * uz)).clamp(-1.0, 1.0))
    }

    /// Index and signed contribution c u of every input of a result.
    fn contributions(&self, result: &Sourced) -> Result<Vec<(u32, f64)>, UncertaintyError> {
        if !result.value().is_finite() {
            return Err(UncertaintyError::NotFinite { value: result.value() });
        }
        result
            .partials()
            .iter()
            .map(|&(index, c)| {
                if !c.is_finite() {
                    return Err(UncertaintyError::NotFinite { value: c });
                }
                Ok((index, c * self.required(index)?.standard_uncertainty))
            })
            .collect()
    }

    /// Uncertainty budget of a result, largest contribution first.
    ///
    /// # Formula
    /// shareᵢ = cᵢ uᵢ Σⱼ cⱼ uⱼ rᵢⱼ / u²
    ///
    /// # Errors
    /// As [`Inputs::standard_uncertainty`].
    pub fn budget(&self, result: &Sourced) -> Result<Vec<BudgetLine<'_>>, UncertaintyError> {
        let variance = self.standard_uncertainty(result)?.powi(2);
        let contributions = self.contributions(result)?;
        let mut lines = Vec::with_capacity(contributions.len());
        for (&(index, signed), &(_, sensitivity)) in contributions.iter().zip(result.partials()) {
            let mut part = signed * signed;
            for (&(i, k), &r) in &self.correlations {
                if i == index {
                    part += r * signed * contribution_of(&contributions, k);
                } else if k == index {
                    part += r * signed * contribution_of(&contributions, i);
                }
            }
            lines.push(BudgetLine {
                input: self.required(index)?,
                sensitivity,
                signed_contribution: signed,
                contribution: signed.abs(),
                share: if variance > 0.0 { part / variance } else { 0.0 },
            });
        }
        lines.sort_by(|a, b| b.contribution.total_cmp(&a.contribution));
        Ok(lines)
    }

    /// Effective degrees of freedom of a combined standard uncertainty.
    ///
    /// # Formula
    /// ν_eff = u⁴ / Σᵢ (cᵢ uᵢ)⁴ / νᵢ (Welch-Satterthwaite)
    ///
    /// # Source
    /// JCGM 100:2008 equation G.2b.
    ///
    /// # Errors
    /// As [`Inputs::standard_uncertainty`]; an input with finite degrees of freedom takes part in a correlation.
    pub fn effective_degrees_of_freedom(&self, result: &Sourced) -> Result<DegreesOfFreedom, UncertaintyError> {
        let u = self.standard_uncertainty(result)?;
        let contributions = self.contributions(result)?;
        let mut denominator = 0.0;
        for &(index, contribution) in &contributions {
            let input = self.required(index)?;
            let DegreesOfFreedom::Finite(df) = input.degrees_of_freedom else { continue };
            if contribution == 0.0 {
                continue;
            }
            let correlated = self.correlations.keys().any(|&(i, k)| {
                (i == index && contribution_of(&contributions, k) != 0.0)
                    || (k == index && contribution_of(&contributions, i) != 0.0)
            });
            if correlated {
                return Err(UncertaintyError::CorrelatedDegreesOfFreedom { id: input.id.clone() });
            }
            // Relative to u, so that the fourth power neither overflows nor vanishes.
            denominator += (contribution / u).powi(4) / df;
        }
        Ok(if denominator > 0.0 { DegreesOfFreedom::Finite(1.0 / denominator) } else { DegreesOfFreedom::Infinite })
    }
}

fn contribution_of(contributions: &[(u32, f64)], index: u32) -> f64 {
    contributions
        .binary_search_by_key(&index, |&(i, _)| i)
        .ok()
        .and_then(|at| contributions.get(at))
        .map_or(0.0, |&(_, c)| c)
}

fn same_quantity(known: &Input, now: &Input) -> Result<(), UncertaintyError> {
    let conflict = |field, before: String, now_is: String| {
        Err(UncertaintyError::Conflict { id: known.id.clone(), field, before, now: now_is })
    };
    if known.value != now.value {
        return conflict("value", known.value.to_string(), now.value.to_string());
    }
    if known.standard_uncertainty != now.standard_uncertainty {
        let (before, after) = (known.standard_uncertainty, now.standard_uncertainty);
        return conflict("standard uncertainty", before.to_string(), after.to_string());
    }
    if known.degrees_of_freedom != now.degrees_of_freedom {
        let (before, after) = (known.degrees_of_freedom, now.degrees_of_freedom);
        return conflict("degrees of freedom", format!("{before:?}"), format!("{after:?}"));
    }
    if known.distribution != now.distribution {
        return conflict("distribution", format!("{:?}", known.distribution), format!("{:?}", now.distribution));
    }
    if known.unit != now.unit {
        return conflict("unit", known.unit.clone(), now.unit.clone());
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn iron() -> (Inputs, Sourced, Sourced) {
        let mut inputs = Inputs::new();
        let k = inputs.add(Input::normal("k", "factor", 5.5845, 0.0015 * 5.5845, "g/(L·mL)").unwrap()).unwrap();
        let total = inputs.add(Input::normal("vt", "total", 23.18, 0.02, "mL").unwrap()).unwrap();
        let ferrous = inputs.add(Input::normal("v2", "iron(II)", 21.46, 0.02, "mL").unwrap()).unwrap();
        (inputs, &k * &total, &k * &ferrous)
    }

    #[test]
    fn iron_iii_by_difference_has_the_uncertainty_of_what_is_not_shared() {
        let (inputs, total, ferrous) = iron();
        let ferric = &total - &ferrous;
        // Computed independently: K² (u² + u²) + Fe(III)² u_rel²; and the two results taken as independent.
        assert!((ferric.value() - 9.605).abs() < 0.0005);
        assert!((inputs.standard_uncertainty(&ferric).unwrap() - 0.1586).abs() < 0.00005);
        assert!((inputs.correlation(&total, &ferrous).unwrap() - 0.7363).abs() < 0.00005);
        let apart = inputs.covariance(&total, &total).unwrap() + inputs.covariance(&ferrous, &ferrous).unwrap();
        assert!((apart.sqrt() - 0.3082).abs() < 0.00005);
        let budget = inputs.budget(&ferric).unwrap();
        assert!((budget.iter().map(|line| line.share).sum::<f64>() - 1.0).abs() < 1e-14);
        assert_eq!(budget.last().unwrap().input.id, "k");
    }

    #[test]
    fn the_same_id_with_another_uncertainty_is_refused_by_name() {
        let mut inputs = Inputs::new();
        let first = Input::normal("p25", "pipette", 25.0, 0.015, "mL").unwrap();
        let a = inputs.add(first.clone()).unwrap();
        let b = inputs.add(Input { label: "pipette P25".into(), ..first.clone() }).unwrap();
        assert_eq!(a, b);
        assert_eq!(inputs.list().len(), 1);
        let error = inputs.add(Input { standard_uncertainty: 0.02, ..first }).unwrap_err();
        assert_eq!(error.to_string(), "input p25: standard uncertainty was 0.015, now 0.02; one id is one quantity");
    }

    #[test]
    fn a_stated_correlation_of_one_makes_uncertainties_add_and_cancel() {
        let mut inputs = Inputs::new();
        let a = inputs.add(Input::normal("a", "", 1.0, 0.3, "").unwrap()).unwrap();
        let b = inputs.add(Input::normal("b", "", 1.0, 0.4, "").unwrap()).unwrap();
        inputs.correlate("b", "a", 1.0).unwrap();
        assert!((inputs.standard_uncertainty(&(&a + &b)).unwrap() - 0.7).abs() < 1e-15);
        assert!((inputs.standard_uncertainty(&(&a - &b)).unwrap() - 0.1).abs() < 1e-15);
        let shares: f64 = inputs.budget(&(&a - &b)).unwrap().iter().map(|line| line.share).sum();
        assert!((shares - 1.0).abs() < 1e-12);
        assert!(inputs.correlate("a", "a", 0.5).is_err());
        assert!(inputs.correlate("a", "b", 1.5).is_err());
    }

    #[test]
    fn a_division_by_zero_is_an_error_and_not_a_number() {
        let mut inputs = Inputs::new();
        let a = inputs.add(Input::normal("a", "", 0.0, 0.3, "").unwrap()).unwrap();
        assert!(matches!(inputs.standard_uncertainty(&(1.0 / &a)), Err(UncertaintyError::NotFinite { .. })));
    }
}
