//! One pass backwards: the derivative of a result to every input of the budget, and what follows from it.

use crate::uncertainty::{Contribution, DegreesOfFreedom, Input, Inputs, Sourced, effective_degrees_of_freedom};
use crate::working::handle::{Handle, NONE};
use crate::working::quantity::{Index, Label};
use crate::working::sheet::{Identity, Sheet};

/// A value with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    value: f64,
    u: f64,
    degrees_of_freedom: DegreesOfFreedom,
}

impl Estimate {
    /// Best estimate, unrounded.
    #[must_use]
    pub const fn value(&self) -> f64 {
        self.value
    }

    /// Standard uncertainty, unrounded.
    #[must_use]
    pub const fn u(&self) -> f64 {
        self.u
    }

    /// Effective degrees of freedom.
    #[must_use]
    pub const fn degrees_of_freedom(&self) -> DegreesOfFreedom {
        self.degrees_of_freedom
    }
}

/// Derivatives of one node to inputs of the budget, by rising place of the input.
#[derive(Debug, Clone)]
pub struct Sensitivities(Vec<(u32, f64)>);

impl Sensitivities {
    /// Whether no input acts on the node.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

impl Sheet<'_> {
    /// Derivatives of a node to the inputs of the budget it depends on.
    ///
    /// # Formula
    /// `dy/dx = sum over the nodes p that read x of dy/dp dp/dx` (the chain rule, from the result backwards); an input of the
    /// budget hides what it was computed from
    ///
    /// # Source
    /// Griewank and Walther, Evaluating Derivatives, 2nd edition, 2008, 3.2 (from memory).
    #[must_use]
    pub fn sensitivities(&self, of: Handle<'_>) -> Sensitivities {
        let Some(last) = of.place() else { return Sensitivities(Vec::new()) };
        let tables = self.tables.borrow();
        self.arena.read(|nodes| {
            if !nodes.carries(last) {
                return Sensitivities(Vec::new());
            }
            let last = last as usize;
            let mut adjoint = self.adjoint.borrow_mut();
            adjoint.clear();
            adjoint.resize(last + 1, (0.0, false));
            adjoint[last] = (1.0, true);
            let mut found = Vec::with_capacity(16);
            let mut values: Vec<f64> = Vec::new();
            for at in (0..=last).rev() {
                let (factor, reached) = adjoint[at];
                if !reached {
                    continue;
                }
                let node = &nodes.list[at];
                if node.uncertain != NONE {
                    found.push((node.uncertain, factor));
                    continue;
                }
                let operands = nodes.operands(node);
                values.clear();
                values.extend(operands.iter().map(|operand| nodes.value(*operand)));
                let table = super::table_of(node.operation, &tables);
                for (to, operand) in operands.iter().enumerate() {
                    if nodes.carries(*operand) {
                        let reader = &mut adjoint[*operand as usize];
                        reader.0 += factor * node.operation.derivative(&values, table, node.value, to);
                        reader.1 = true;
                    }
                }
            }
            found.sort_unstable_by_key(|(input, _)| *input);
            Sensitivities(found)
        })
    }

    /// Signed contributions to a standard uncertainty, c u, with the degrees of freedom of each.
    fn contributions(&self, of: &Sensitivities) -> Vec<(f64, Option<f64>)> {
        let uncertain = self.uncertain.borrow();
        let part = |(input, c): &(u32, f64)| {
            let input = &uncertain[*input as usize];
            (c * input.u, input.dof)
        };
        of.0.iter().map(part).collect()
    }

    /// Standard uncertainty.
    ///
    /// # Formula
    /// `u^2(y) = sum over inputs of (c_i u_i)^2`
    ///
    /// # Source
    /// JCGM 100:2008, equation (10).
    #[must_use]
    pub fn u(&self, of: &Sensitivities) -> f64 {
        let uncertain = self.uncertain.borrow();
        of.0.iter().map(|(input, c)| (c * uncertain[*input as usize].u).powi(2)).sum::<f64>().sqrt()
    }

    /// Value, standard uncertainty and effective degrees of freedom.
    #[must_use]
    pub fn estimate(&self, of: Handle<'_>) -> Estimate {
        let parts = self.contributions(&self.sensitivities(of));
        let u = parts.iter().map(|(part, _)| part * part).sum::<f64>().sqrt();
        Estimate { value: of.value(), u, degrees_of_freedom: effective_degrees_of_freedom(u, parts) }
    }

    /// The same with other standard uncertainties and degrees of freedom of some inputs.
    #[must_use]
    pub fn estimate_with(&self, of: Handle<'_>, changed: &[(Identity<'_>, (f64, Option<f64>))]) -> Estimate {
        let uncertain = self.uncertain.borrow();
        let part = |(input, c): &(u32, f64)| {
            let known = &uncertain[*input as usize];
            let other = changed.iter().find(|(identity, _)| *identity == known.identity);
            let (u, dof) = other.map_or((known.u, known.dof), |(_, other)| *other);
            (c * u, dof)
        };
        let parts: Vec<(f64, Option<f64>)> = self.sensitivities(of).0.iter().map(part).collect();
        let u = parts.iter().map(|(part, _)| part * part).sum::<f64>().sqrt();
        Estimate { value: of.value(), u, degrees_of_freedom: effective_degrees_of_freedom(u, parts) }
    }

    /// Correlation coefficient of two nodes through the inputs they share; `None` if one of them has no uncertainty.
    ///
    /// # Formula
    /// `r(a, b) = sum over shared inputs of c_i u_i d_i u_i / (u(a) u(b))`
    ///
    /// # Source
    /// JCGM 100:2008, F.1.2.3 and equation (14).
    #[must_use]
    pub fn correlation(&self, a: Handle<'_>, b: Handle<'_>) -> Option<f64> {
        let (a, b) = (self.sensitivities(a), self.sensitivities(b));
        let uncertain = self.uncertain.borrow();
        let mut covariance = 0.0;
        for (input, c) in &a.0 {
            if let Ok(at) = b.0.binary_search_by_key(input, |(other, _)| *other) {
                let u = uncertain[*input as usize].u;
                covariance += (c * u) * (b.0[at].1 * u);
            }
        }
        let product = self.u(&a) * self.u(&b);
        (product > 0.0).then(|| (covariance / product).clamp(-1.0, 1.0))
    }

    /// The uncertainty budget of a node, largest share first.
    #[must_use]
    pub fn budget(&self, of: Handle<'_>) -> Vec<Contribution> {
        let found = self.sensitivities(of);
        let uncertain = self.uncertain.borrow();
        let mut inputs = Inputs::new();
        let mut partials = Vec::with_capacity(found.0.len());
        for (input, c) in &found.0 {
            let known = &uncertain[*input as usize];
            let node = self.arena.at(known.node);
            let (label, _) = self.arena.read(|nodes| nodes.label(&nodes.list[known.node as usize]));
            let name = label.map(|label| label.quantity.name(self.code_of(label))).unwrap_or_default();
            let unit = label.map_or("", |label| label.quantity.unit());
            let input = Input::new(known.identity.to_string(), name, unit, node.value(), known.u);
            // Checked when it was marked.
            if let Ok(value) = inputs.add(input.with_dof(known.dof)) {
                partials.extend(value.partials().iter().map(|(position, _)| (*position, *c)));
            }
        }
        inputs.budget(&Sourced::of(of.value(), partials))
    }

    /// Code that a label's index stands for.
    pub(super) fn code_of(&self, label: Label) -> Option<&str> {
        match label.index {
            Index::Code(at) => self.codes.borrow().get(at as usize).copied(),
            _ => None,
        }
    }
}
