//! The language against a reader that knows nothing of it; expressions of every shape for the other tests.

use std::collections::HashMap;

use proptest::prelude::*;

use super::tree::Comparison;
use super::{Block, Column, Evaluation, Numbers, Planned, Scalar, Shape, Span, StudyCells};
use crate::validation::{DataUnit, Statistic};
use crate::working::ContentUnit;

const UNIT: DataUnit = DataUnit::Content(ContentUnit::GramsPerLitre);

/// Reads formulas as spreadsheet programs do: a minus belongs to what follows it, powers from the left.
struct Reader<'a>(&'a str);

impl Reader<'_> {
    fn value(text: &str) -> f64 {
        let mut reader = Reader(text);
        let value = reader.sum();
        assert!(reader.0.is_empty(), "{} is left of {text}", reader.0);
        value
    }

    fn take(&mut self, sign: &str) -> bool {
        let rest = self.0.strip_prefix(sign);
        self.0 = rest.unwrap_or(self.0);
        rest.is_some()
    }

    fn sum(&mut self) -> f64 {
        let mut sum = self.product();
        loop {
            if self.take("+") {
                sum += self.product();
            } else if self.take("-") {
                sum -= self.product();
            } else {
                return sum;
            }
        }
    }

    fn product(&mut self) -> f64 {
        let mut product = self.power();
        loop {
            if self.take("*") {
                product *= self.power();
            } else if self.take("/") {
                product /= self.power();
            } else {
                return product;
            }
        }
    }

    fn power(&mut self) -> f64 {
        let mut power = self.atom();
        while self.take("^") {
            power = power.powf(self.atom());
        }
        power
    }

    fn atom(&mut self) -> f64 {
        if self.take("-") {
            return -self.atom();
        }
        if self.take("(") {
            let value = self.sum();
            assert!(self.take(")"), "no ) before {}", self.0);
            return value;
        }
        for (name, of) in [("ABS(", f64::abs as fn(f64) -> f64), ("SQRT(", f64::sqrt)] {
            if self.take(name) {
                let value = of(self.sum());
                assert!(self.take(")"), "no ) before {}", self.0);
                return value;
            }
        }
        if self.take("IF(") {
            return self.choice();
        }
        let end = self.0.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(self.0.len());
        let (number, rest) = self.0.split_at(end);
        self.0 = rest;
        number.parse().unwrap_or_else(|_| panic!("{number} before {rest} is no number"))
    }

    fn choice(&mut self) -> f64 {
        let a = self.sum();
        let at_least = self.take(">=");
        assert!(at_least || self.take("<"), "no comparison before {}", self.0);
        let b = self.sum();
        let of = [(); 2].map(|()| {
            assert!(self.take(","), "no , before {}", self.0);
            self.sum()
        });
        assert!(self.take(")"), "no ) before {}", self.0);
        if (a >= b) == at_least { of[0] } else { of[1] }
    }
}

struct Nothing;

impl Numbers for Nothing {
    fn number(&self, _: Column, _: usize) -> Option<f64> {
        None
    }
}

fn expressions() -> impl Strategy<Value = Scalar> {
    let number = (-999_i32..1000).prop_map(|hundredths| Scalar::from(f64::from(hundredths) / 100.0));
    number.prop_recursive(6, 48, 2, |inner| {
        prop_oneof![
            (inner.clone(), inner.clone()).prop_map(|(a, b)| a + b),
            (inner.clone(), inner.clone()).prop_map(|(a, b)| a - b),
            (inner.clone(), inner.clone()).prop_map(|(a, b)| a * b),
            (inner.clone(), inner.clone()).prop_map(|(a, b)| a / b),
            (inner.clone(), prop_oneof![Just(2.0), Just(-0.15), Just(0.5)]).prop_map(|(a, e)| a.power(e)),
            inner.clone().prop_map(|a| a.negative()),
            inner.clone().prop_map(|a| a.absolute().root()),
            (inner.clone(), inner.clone()).prop_map(|(a, b)| a.choice(Comparison::AtLeast, &b, &b, &a)),
            (inner.clone(), inner).prop_map(|(a, b)| a.choice(Comparison::Less, &b, &(&a - &b), &b)),
        ]
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(500))]

    #[test]
    fn a_formula_read_as_a_spreadsheet_does_has_the_value_of_its_expression_to_the_last_digit(of in expressions()) {
        let cells = StudyCells::default();
        let value = Evaluation::new(&cells, &Nothing).value(&of);
        // A comparison with what is no number holds in no program alike.
        prop_assume!(value.is_finite());
        let text = of.formula();
        prop_assert_eq!(Reader::value(&text), value, "{}", text);
    }
}

/// Spans of these labels with so many rows each, from row 5 on.
fn spans(of: &[(&[&str], usize)]) -> Vec<Span> {
    let mut first = 5;
    let mut spans = Vec::new();
    for (labels, n) in of {
        let labels = labels.iter().map(|label| (*label).to_owned()).collect();
        spans.push(Span { labels, first, last: first + n - 1 });
        first += n;
    }
    spans
}

fn block(of: &[(&[&str], usize)]) -> Block {
    let spans = spans(of);
    let last = spans.last().map_or(4, |span| span.last);
    let letters =
        HashMap::from([(Column::Uncertainty, 'B'), (Column::Taken, 'C'), (Column::Added, 'D'), (Column::Hours, 'E')]);
    Block { first: 5, last, spans, letters, free: last + 3 }
}

fn planned() -> Planned<'static> {
    Planned {
        unit: UNIT,
        confidence: 0.95,
        equivalence_confidence: 0.9,
        reference: Some((52.36, 0.05)),
        method_sd: Some(0.04),
        method_sd_dof: Some(12.5),
        variance_ratio: 1.5,
        replicates: 2,
        blanks: Some(3),
        quantification_factor: 10.0,
        titre: Some((20.0, 0.02)),
        holding_hours: Some(48.0),
        factors: vec!["a", "b", "c", "d", "e", "f", "g"],
        margins: vec![(Statistic::RelativeDifference, (-1.0, 1.0))],
    }
}

/// Expressions of every shape; all statistics are among them.
pub(super) fn every_shape() -> Vec<StudyCells> {
    let added = ["", "5", "5", "", "10", "10"].map(str::to_owned);
    let runs: Vec<String> = (1..=8).map(|run| run.to_string()).collect();
    let runs: Vec<[&str; 1]> = runs.iter().map(|run| [run.as_str()]).collect();
    let runs: Vec<(&[&str], usize)> = runs.iter().map(|run| (run.as_slice(), 1)).collect();
    let pairs: [(&[&str], usize); 8] = [
        (&["1", "reference"], 1),
        (&["1", "new"], 1),
        (&["2", "reference"], 1),
        (&["2", "new"], 1),
        (&["3", "reference"], 1),
        (&["3", "new"], 1),
        (&["4", "reference"], 1),
        (&["4", "new"], 1),
    ];
    let interferents: [(&[&str], usize); 4] = [
        (&["copper", "1", "without"], 1),
        (&["copper", "1", "with"], 1),
        (&["copper", "2", "without"], 1),
        (&["copper", "2", "with"], 1),
    ];
    let additions: [(&[&str], usize); 4] =
        [(&["a", "unspiked"], 1), (&["a", "spiked"], 2), (&["b", "unspiked"], 1), (&["b", "spiked"], 2)];
    let arms: [(&[&str], usize); 4] =
        [(&["bottom-up"], 1), (&["within-laboratory"], 1), (&["bias"], 2), (&["reference"], 1)];
    let three: [(&[&str], usize); 3] = [(&["10"], 3), (&["20"], 3), (&["40"], 3)];
    let one: [(&[&str], usize); 1] = [(&[""], 6)];
    let of = |shape: Shape<'_>, data: &[(&[&str], usize)]| StudyCells::of(shape, &planned(), &block(data));
    vec![
        of(Shape::Groups, &one),
        of(Shape::Groups, &three),
        of(Shape::Certified, &one),
        of(Shape::Competence, &one),
        of(Shape::NearZero, &one),
        of(Shape::Totals, &three),
        of(Shape::Levels, &three),
        of(Shape::Storages, &three),
        of(Shape::Storages, &one),
        of(Shape::Runs, &runs),
        of(Shape::Arms, &arms),
        of(Shape::Additions(&added), &additions),
        of(Shape::Interferents, &interferents),
        of(Shape::Methods, &pairs),
    ]
}
