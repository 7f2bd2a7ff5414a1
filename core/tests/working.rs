//! Every node of every working: derivative against central differences, text against value, budget against the chain rule.
//!
//! The readers of formulae here know nothing of the graph: they read what is printed.
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

mod support;

use ferrotitre_core::determination::{Detail, evaluate, iron3, prepare, standardise};
use ferrotitre_core::uncertainty::Contribution;
use ferrotitre_core::working::{Cells, Operation, Quantity, Working};
use support::printed::Printed;
use support::records;

/// Every working of the records, with its budget and its result.
fn workings() -> Vec<(String, Working, Vec<Contribution>, f64)> {
    let mut all = Vec::new();
    for (name, record) in records::determinations() {
        let found = evaluate(&record, Detail::Working).unwrap();
        all.push((name.to_owned(), found.working.unwrap(), found.budget, found.result.unwrap().u()));
    }
    let (total, iron2) = records::pair();
    let derived = iron3(&total, &iron2, Detail::Working).unwrap();
    all.push(("iron(III)".to_owned(), derived.working.unwrap(), derived.budget, derived.u.unwrap()));
    for (name, preparation) in records::preparations() {
        let found = prepare(&preparation).unwrap();
        all.push((name.to_owned(), found.working, found.budget, found.u));
    }
    for (name, standardisation) in records::standardisations() {
        let found = standardise(&standardisation).unwrap().titrant.unwrap();
        all.push((name.to_owned(), found.working, found.budget, found.u));
    }
    all
}

fn value_of(working: &Working, at: usize, operands: &[f64]) -> f64 {
    let operation = working.nodes()[at].operation;
    operation.value(operands, working.table(operation))
}

#[test]
fn every_node_has_the_value_of_its_operation() {
    for (name, working, ..) in workings() {
        for (at, node) in working.nodes().iter().enumerate().filter(|(_, node)| node.operation.computes()) {
            let values = working.operand_values(at);
            let found = value_of(&working, at, &values);
            // Differences of readings are computed on the decimals: half a unit of the last place of the readings apart.
            let scale = values.iter().fold(node.value.abs(), |largest, x| largest.max(x.abs()));
            assert!((found - node.value).abs() <= 4.0 * f64::EPSILON * scale, "{name} {}: {found}", node.symbol);
        }
    }
}

/// Central differences know nothing of the rules of differentiation. Error h^2 and rounding / h, both about 1e-10 of the
/// largest operand's effect.
#[test]
fn every_derivative_agrees_with_central_differences() {
    let (mut compared, mut kinks) = (0, 0);
    for (name, working, ..) in workings() {
        for (at, node) in working.nodes().iter().enumerate().filter(|(_, node)| node.operation.computes()) {
            if working.kink(at).is_some() {
                kinks += 1;
                continue;
            }
            let values = working.operand_values(at);
            let spread = values.iter().fold(0.0_f64, |most, x| most.max((x - values[0]).abs()));
            for (to, found) in working.partials(at).into_iter().enumerate() {
                let h = match node.operation {
                    // Neither may an order change nor a point of the table be passed.
                    Operation::Median | Operation::Largest | Operation::SampleDeviation => spread * 1e-4,
                    Operation::Interpolation(_) => 1e-4,
                    _ => 1e-5 * values[to].abs().max(1e-3),
                };
                let moved = |by: f64| {
                    let mut moved = values.clone();
                    moved[to] += by;
                    value_of(&working, at, &moved)
                };
                let expected = (moved(h) - moved(-h)) / (2.0 * h);
                let rounding = 4.0 * f64::EPSILON * node.value.abs().max(values[to].abs()) / h;
                let allowed = 1e-6 * expected.abs() + rounding;
                assert!((found - expected).abs() <= allowed, "{name} {} to {to}: {found}, {expected}", node.symbol);
                compared += 1;
            }
        }
    }
    assert!(compared > 500, "{compared}");
    // Titres that are equal, and readings that are points of the table.
    assert!(kinks > 0);
}

/// The printed numbers, computed by a reader of formulae, against the value; every one of them, standardisations included.
#[test]
fn every_printed_formula_gives_the_value_of_its_node() {
    let mut compared = 0;
    for (name, working, ..) in workings() {
        for at in working.lines().filter(|at| working.nodes()[*at].operation.computes()) {
            let node = &working.nodes()[at];
            let table = |x: f64| {
                let tables = working.tables();
                let points = tables.iter().find(|points| points.len() > 1).unwrap();
                let pair = points.windows(2).find(|pair| x <= pair[1].0).unwrap();
                pair[0].1 + (pair[1].1 - pair[0].1) * (x - pair[0].0) / (pair[1].0 - pair[0].0)
            };
            let text = working.numbers(at);
            let found = Printed::value(&text, &table);
            let scale = working.operand_values(at).iter().fold(node.value.abs(), |most, x| most.max(x.abs()));
            let close = (found - node.value).abs() <= 1e-12 * node.value.abs() + 8.0 * f64::EPSILON * scale;
            assert!(close, "{name} {}: {text} = {found}, not {}", node.symbol, node.value);
            assert!(!working.formula(at).is_empty() && node.source.is_some(), "{name} {}", node.symbol);
            compared += 1;
        }
    }
    assert!(compared > 150, "{compared}");
}

/// The chain rule along the nodes, and u from it, against the budget of the reverse pass.
#[test]
fn the_chain_rule_along_the_nodes_gives_the_budget() {
    for (name, working, budget, u) in workings() {
        let found = working.sensitivities();
        let inputs: Vec<_> = (0..found.len()).filter(|at| working.nodes()[*at].uncertain.is_some()).collect();
        let largest = budget.iter().map(|line| line.sensitivity.abs()).fold(0.0, f64::max);
        let mut squares = 0.0;
        for line in &budget {
            let of = |at: &&usize| working.nodes()[**at].uncertain.as_ref().unwrap().id == line.input.id;
            let at = *inputs.iter().find(of).unwrap();
            let off = (found[at] - line.sensitivity).abs();
            assert!(
                off <= 1e-12 * line.sensitivity.abs().max(1e-3 * largest),
                "{name} {}: off by {off}",
                line.input.id
            );
            let uncertainty = &working.nodes()[working.nodes()[at].uncertain.as_ref().unwrap().u];
            assert_eq!(uncertainty.value, line.input.standard_uncertainty, "{name} {}", line.input.id);
            squares += (line.sensitivity * uncertainty.value).powi(2);
        }
        assert!((squares.sqrt() - u).abs() <= 1e-12 * u, "{name}");
        assert_eq!(working.nodes()[working.result()].standard_uncertainty, Some(u), "{name}");
    }
}

/// A sheet whose every line stands in a cell of column A: what is printed for cells is read back and computed.
struct Column;

impl Cells for Column {
    fn cell(&self, node: usize) -> String {
        format!("A{node}")
    }

    fn interpolation(&self, table: usize, at: &str) -> String {
        format!("TABLE{table}({at})")
    }
}

#[test]
fn the_cells_of_sensitivities_give_the_chain_rule() {
    for (name, working, ..) in workings() {
        let readers = working.readers(&Column);
        let found = working.sensitivities();
        let cell = |text: &str| working.nodes()[text.trim_start_matches('A').parse::<usize>().unwrap()].value;
        for at in working.lines().filter(|at| !readers[*at].is_empty()) {
            let sum: f64 = readers[at]
                .iter()
                .map(|(reader, derivative)| found[*reader] * Printed::in_cells(derivative, &cell))
                .sum();
            let scale = readers[at].iter().map(|(reader, _)| found[*reader].abs()).fold(found[at].abs(), f64::max);
            assert!((sum - found[at]).abs() <= 1e-12 * scale, "{name} {}: {sum}", working.nodes()[at].symbol);
        }
    }
}

/// A titrant standardised against another titrant shows that one's concentration and pipette, not a weighing.
#[test]
fn a_standardisation_against_a_titrant_shows_its_own_formula() {
    let (_, facts) = records::standardisations().into_iter().find(|(_, s)| s.reference_titrant.is_some()).unwrap();
    let working = standardise(&facts).unwrap().titrant.unwrap().working;
    let at = working.lines().find(|at| working.nodes()[*at].is(Quantity::ReplicateConcentration)).unwrap();
    assert_eq!(working.formula(at), "z(D-1) c(D-1) V(P25) / (z (V_net1 + B(B-01)))");
    // By hand: 6 x 0.016671 x 25.013 / (1 x 25.02) with 25.04 mL less a blank of 0.02 mL.
    assert_eq!(working.numbers(at), "6 x 0.016671 x 25.013 / (1 x (25.02 + 0))");
    assert!((working.nodes()[at].value - 6.0 * 0.016_671 * 25.013 / 25.02).abs() < 1e-16);
    let (_, weighed) = records::standardisations().into_iter().find(|(_, s)| s.reference.is_some()).unwrap();
    let working = standardise(&weighed).unwrap().titrant.unwrap().working;
    let at = working.lines().find(|at| working.nodes()[*at].is(Quantity::ReplicateConcentration)).unwrap();
    assert_eq!(working.formula(at), "1000 (m1 + W) P(K-1) B z_s / (M z (V_net1 + B(B-01)))");
}

/// No working calls our own notes a source.
#[test]
fn sources_are_published_or_the_record() {
    for (name, working, ..) in workings() {
        let page = working.text();
        for word in ["memory", "equirements", "NaN"] {
            assert!(!page.contains(word), "{name}: {word} in\n{page}");
        }
    }
}
