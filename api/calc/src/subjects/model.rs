//! A measurement model as a formula: + - * / ^ with whole powers, brackets, sqrt, exp, ln, numbers and names of inputs.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::uncertainty::Scalar;

/// Longest formula, characters.
const LONGEST: usize = 2000;
/// Deepest stack of intermediate values; deeper brackets are refused.
const DEEPEST: usize = 32;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Operation {
    Number(f64),
    Input(usize),
    Add,
    Subtract,
    Multiply,
    Divide,
    Negate,
    Power(i32),
    Sqrt,
    Exp,
    Ln,
}

/// A formula, ready to be evaluated: operations on a stack.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    operations: Vec<Operation>,
}

struct Parser<'a> {
    text: &'a str,
    at: usize,
    names: &'a [String],
    operations: Vec<Operation>,
    nested: usize,
}

impl Parser<'_> {
    fn refused(&self, message: impl std::fmt::Display) -> Refusal {
        Refusal::invalid("model", "formula", format!("{message} at character {}", self.at + 1), self.text)
    }

    fn peek(&mut self) -> Option<char> {
        let rest = &self.text[self.at..];
        self.at += rest.len() - rest.trim_start().len();
        self.text[self.at..].chars().next()
    }

    fn taken(&mut self, wanted: char) -> bool {
        let found = self.peek() == Some(wanted);
        if found {
            self.at += wanted.len_utf8();
        }
        found
    }

    fn sum(&mut self) -> Result<(), Refusal> {
        self.nested += 1;
        if self.nested > DEEPEST {
            return Err(self.refused(format!("more than {DEEPEST} brackets in each other")));
        }
        self.product()?;
        loop {
            let operation = if self.taken('+') {
                Operation::Add
            } else if self.taken('-') {
                Operation::Subtract
            } else {
                self.nested -= 1;
                return Ok(());
            };
            self.product()?;
            self.operations.push(operation);
        }
    }

    fn product(&mut self) -> Result<(), Refusal> {
        self.signed()?;
        loop {
            let operation = if self.taken('*') {
                Operation::Multiply
            } else if self.taken('/') {
                Operation::Divide
            } else {
                return Ok(());
            };
            self.signed()?;
            self.operations.push(operation);
        }
    }

    fn signed(&mut self) -> Result<(), Refusal> {
        if self.taken('-') {
            self.power()?;
            self.operations.push(Operation::Negate);
            return Ok(());
        }
        self.power()
    }

    fn power(&mut self) -> Result<(), Refusal> {
        self.atom()?;
        if !self.taken('^') {
            return Ok(());
        }
        let negative = self.taken('-');
        self.peek();
        let digits: String = self.text[self.at..].chars().take_while(char::is_ascii_digit).collect();
        self.at += digits.len();
        let power: i32 =
            digits.parse().ok().filter(|n| *n <= 100).ok_or_else(|| self.refused("needs a whole power up to 100"))?;
        self.operations.push(Operation::Power(if negative { -power } else { power }));
        Ok(())
    }

    fn atom(&mut self) -> Result<(), Refusal> {
        match self.peek() {
            Some('(') => self.bracket(),
            Some(c) if c.is_ascii_digit() || c == '.' => self.number(),
            Some(c) if c.is_alphabetic() || c == '_' => self.name(),
            Some(c) => Err(self.refused(format!("needs a number, a name or a bracket, not {c:?}"))),
            None => Err(self.refused("ends where a number, a name or a bracket is needed")),
        }
    }

    fn bracket(&mut self) -> Result<(), Refusal> {
        if !self.taken('(') {
            return Err(self.refused("needs an opening bracket"));
        }
        self.sum()?;
        if self.taken(')') { Ok(()) } else { Err(self.refused("needs a closing bracket")) }
    }

    fn number(&mut self) -> Result<(), Refusal> {
        let rest = &self.text[self.at..];
        let mut end = 0;
        let mut exponent = false;
        for (at, c) in rest.char_indices() {
            let sign_of_exponent = matches!(c, '+' | '-') && at > 0 && exponent && rest[..at].ends_with(['e', 'E']);
            let starts_exponent = matches!(c, 'e' | 'E') && !exponent;
            if !(c.is_ascii_digit() || c == '.' || starts_exponent || sign_of_exponent) {
                break;
            }
            exponent |= starts_exponent;
            end = at + 1;
        }
        let value = rest[..end].parse().ok().filter(|value: &f64| value.is_finite());
        let value = value.ok_or_else(|| self.refused("needs a number"))?;
        self.at += end;
        self.operations.push(Operation::Number(value));
        Ok(())
    }

    fn name(&mut self) -> Result<(), Refusal> {
        let rest = &self.text[self.at..];
        let end = rest.find(|c: char| !(c.is_alphanumeric() || c == '_')).unwrap_or(rest.len());
        let name = &rest[..end];
        let function = match name {
            "sqrt" => Some(Operation::Sqrt),
            "exp" => Some(Operation::Exp),
            "ln" => Some(Operation::Ln),
            _ => None,
        };
        if let Some(function) = function {
            self.at += end;
            self.bracket()?;
            self.operations.push(function);
            return Ok(());
        }
        let input = self.names.iter().position(|known| known == name);
        let input =
            input.ok_or_else(|| self.refused(format!("{name} is not an input (inputs: {})", self.names.join(", "))))?;
        self.at += end;
        self.operations.push(Operation::Input(input));
        Ok(())
    }
}

impl Model {
    /// Reads a formula in the names given.
    ///
    /// # Errors
    /// A formula that cannot be read; the field is `model`, the message names the place.
    pub(super) fn parse(text: &str, names: &[String]) -> Result<Self, Refusal> {
        if text.len() > LONGEST {
            let message = format!("must have at most {LONGEST} characters");
            return Err(Refusal::invalid("model", "length", message, text.len()));
        }
        let mut parser = Parser { text, at: 0, names, operations: Vec::new(), nested: 0 };
        parser.sum()?;
        if parser.peek().is_some() {
            return Err(parser.refused("has more than one formula"));
        }
        let model = Self { operations: parser.operations };
        if model.depth() > DEEPEST {
            return Err(Refusal::invalid(
                "model",
                "length",
                format!("needs more than {DEEPEST} intermediate values"),
                text,
            ));
        }
        Ok(model)
    }

    fn depth(&self) -> usize {
        let (mut now, mut most) = (0usize, 0usize);
        for operation in &self.operations {
            match operation {
                Operation::Number(_) | Operation::Input(_) => now += 1,
                Operation::Add | Operation::Subtract | Operation::Multiply | Operation::Divide => now -= 1,
                _ => {}
            }
            most = most.max(now);
        }
        most
    }

    /// Value with its sources, or of plain numbers.
    pub(super) fn with<S: Scalar>(&self, inputs: &[S]) -> S {
        let mut stack: Vec<S> = Vec::with_capacity(DEEPEST);
        for operation in &self.operations {
            // A parsed formula never takes more than is there.
            let mut pop = || stack.pop().unwrap_or_else(|| S::constant(f64::NAN));
            let value = match *operation {
                Operation::Number(number) => S::constant(number),
                Operation::Input(at) => inputs[at].clone(),
                Operation::Negate => -pop(),
                Operation::Power(n) => pop().powi(n),
                Operation::Sqrt => pop().sqrt(),
                Operation::Exp => pop().exp(),
                Operation::Ln => pop().ln(),
                two => {
                    let (b, a) = (pop(), pop());
                    match two {
                        Operation::Add => a + b,
                        Operation::Subtract => a - b,
                        Operation::Multiply => a * b,
                        _ => a / b,
                    }
                }
            };
            stack.push(value);
        }
        stack.pop().unwrap_or_else(|| S::constant(f64::NAN))
    }

    /// Value of plain numbers, without memory from the heap: for a million trials.
    pub(super) fn of(&self, inputs: &[f64]) -> f64 {
        let mut stack = [0.0f64; DEEPEST];
        let mut top = 0usize;
        for operation in &self.operations {
            match *operation {
                Operation::Number(number) => {
                    stack[top] = number;
                    top += 1;
                }
                Operation::Input(at) => {
                    stack[top] = inputs[at];
                    top += 1;
                }
                Operation::Negate => stack[top - 1] = -stack[top - 1],
                Operation::Power(n) => stack[top - 1] = stack[top - 1].powi(n),
                Operation::Sqrt => stack[top - 1] = stack[top - 1].sqrt(),
                Operation::Exp => stack[top - 1] = stack[top - 1].exp(),
                Operation::Ln => stack[top - 1] = stack[top - 1].ln(),
                two => {
                    let (a, b) = (stack[top - 2], stack[top - 1]);
                    top -= 1;
                    stack[top - 1] = match two {
                        Operation::Add => a + b,
                        Operation::Subtract => a - b,
                        Operation::Multiply => a * b,
                        _ => a / b,
                    };
                }
            }
        }
        stack[0]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str) -> Result<f64, Refusal> {
        let names = ["a".to_owned(), "V_2".to_owned()];
        let model = Model::parse(text, &names)?;
        let inputs = [2.0, 5.0];
        assert_eq!(model.of(&inputs).to_bits(), model.with(&inputs).to_bits(), "{text}");
        Ok(model.of(&inputs))
    }

    #[test]
    fn formulae_mean_what_they_say() {
        // By hand.
        for (text, expected) in [
            ("1 + 2 * 3", 7.0),
            ("(1 + 2) * 3", 9.0),
            ("V_2 - a - 1", 2.0),
            ("8 / a / 2", 2.0),
            ("-a^2", -4.0),
            ("a^-2", 0.25),
            ("2 * -a", -4.0),
            ("sqrt(a + 7) + exp(0) + ln(1)", 4.0),
            ("1.5e2 + .5", 150.5),
            ("1e-1*10", 1.0),
        ] {
            assert_eq!(value(text).unwrap(), expected, "{text}");
        }
    }

    #[test]
    fn what_is_no_formula_is_refused_with_its_place() {
        for (text, place) in [
            ("", "character 1"),
            ("1 +", "character 4"),
            ("(1 + 2", "character 7"),
            ("b + 1", "character 1"),
            ("1 2", "character 3"),
            ("a ^ a", "character 5"),
            ("sqrt a", "character 6"),
            ("1..2", "character 1"),
            ("2 * µ$", "character 5"),
        ] {
            let refusal = value(text).unwrap_err();
            assert!(refusal.fields[0].message.contains(place), "{text}: {}", refusal.fields[0].message);
        }
        assert!(value(&"(".repeat(1000)).is_err());
        assert!(value(&format!("{}1{}", "1+(".repeat(40), ")".repeat(40))).is_err());
        assert!(value(&"1+".repeat(1500)).is_err());
    }
}
