//! A working in its open form (`openapi/WORKING.md`), computed again from its leaves with the operations of core.

use std::collections::BTreeMap;

use bigdecimal::BigDecimal;
use ferrotitre_core::working::Operation;
use serde_json::Value;

/// Largest relative deviation between a figure stated and the same computed again.
const LIMIT: f64 = 1e-12;
/// Differences near zero are as exact as the numbers they are made of.
const NEAR_ZERO: f64 = 2e-15;

/// A table of arguments and values.
pub type Table = Vec<(f64, f64)>;

/// A leaf that a record states.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorded {
    /// Symbol, for messages.
    pub symbol: String,
    /// Table of the record.
    pub kind: String,
    /// Its row.
    pub id: String,
    /// Its field.
    pub field: String,
    /// Value.
    pub value: f64,
    /// Digits as entered.
    pub entered: Option<String>,
}

/// What a working comes to when it is computed again.
#[derive(Debug, Clone, PartialEq)]
pub struct Recomputed {
    /// Number of nodes.
    pub nodes: usize,
    /// Leaves that records state.
    pub recorded: Vec<Recorded>,
    /// Leaves that a published source or the method states.
    pub published: usize,
    /// Tables that nodes interpolate in.
    pub tables: Vec<Table>,
    /// Value of the result.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// Its unit.
    pub unit: String,
}

fn operation(node: &Value) -> Result<Operation, String> {
    Ok(match node["op"].as_str() {
        None => Operation::Leaf,
        Some("sum") => Operation::Sum,
        Some("difference") => Operation::Difference,
        Some("product") => Operation::Product,
        Some("quotient") => Operation::Quotient,
        Some("square root") => Operation::SquareRoot,
        Some("largest") => Operation::Largest,
        Some("mean") => Operation::Mean,
        Some("median") => Operation::Median,
        Some("sample standard deviation") => Operation::SampleDeviation,
        Some("interpolation") => {
            let table = node["table"].as_u64().and_then(|table| u32::try_from(table).ok());
            Operation::Interpolation(table.ok_or("an interpolation names no table")?)
        }
        Some(other) => return Err(format!("the operation {other} is none of the form")),
    })
}

fn close(found: f64, stated: f64) -> bool {
    found == stated || (found - stated).abs() <= LIMIT * stated.abs() || (found - stated).abs() <= NEAR_ZERO
}

fn number(value: &Value, what: &str) -> Result<f64, String> {
    value.as_f64().ok_or_else(|| format!("{what} is no number"))
}

fn words(value: &Value) -> String {
    value.as_str().unwrap_or_default().to_owned()
}

#[derive(Default)]
struct Sheet {
    values: Vec<f64>,
    decimals: Vec<Option<BigDecimal>>,
    /// Derivatives of each node to the inputs that act on it.
    slopes: Vec<BTreeMap<String, f64>>,
    /// Standard uncertainties of inputs.
    inputs: BTreeMap<String, f64>,
}

impl Sheet {
    fn u(&self, of: usize) -> f64 {
        let squares = self.slopes[of].iter().map(|(input, slope)| (slope * self.inputs[input]).powi(2));
        squares.sum::<f64>().sqrt()
    }

    fn leaf(&mut self, node: &Value, name: &str) -> Result<(), String> {
        let stated = number(&node["value"], name)?;
        let decimal = match node["entered"].as_str() {
            Some(digits) => {
                Some(digits.parse::<BigDecimal>().map_err(|_error| format!("{name}: {digits} is no decimal"))?)
            }
            None => None,
        };
        let value = node["entered"].as_str().and_then(|digits| digits.parse().ok()).unwrap_or(stated);
        self.values.push(value);
        self.decimals.push(decimal);
        self.slopes.push(BTreeMap::new());
        Ok(())
    }

    fn computed(&mut self, operation: Operation, operands: &[usize], tables: &[Table]) -> Result<(), String> {
        let table = match operation {
            Operation::Interpolation(at) => {
                tables.get(usize::try_from(at).unwrap_or(usize::MAX)).ok_or("a table is missing")?.as_slice()
            }
            _ => &[],
        };
        let of: Vec<f64> = operands.iter().map(|at| self.values[*at]).collect();
        let plain = operation.value(&of, table);
        let decimal = self.exactly(operation, operands);
        let value = decimal.as_ref().and_then(|decimal| decimal.to_string().parse().ok()).unwrap_or(plain);
        let mut slopes = BTreeMap::new();
        for (place, at) in operands.iter().enumerate() {
            if self.slopes[*at].is_empty() {
                continue;
            }
            let partial = operation.derivative(&of, table, plain, place);
            for (input, slope) in &self.slopes[*at] {
                *slopes.entry(input.clone()).or_insert(0.0) += partial * slope;
            }
        }
        self.values.push(value);
        self.decimals.push(decimal);
        self.slopes.push(slopes);
        Ok(())
    }

    /// Sums and differences of entered digits are computed on the decimals.
    fn exactly(&self, operation: Operation, operands: &[usize]) -> Option<BigDecimal> {
        let mut of = operands.iter().map(|at| self.decimals[*at].as_ref());
        let first = of.next()??.clone();
        match operation {
            Operation::Sum => of.try_fold(first, |sum, one| Some(sum + one?)),
            Operation::Difference => Some(first - of.next()??),
            _ => None,
        }
    }
}

fn table(value: &Value) -> Option<Table> {
    value.as_array()?.iter().map(|pair| Some((pair[0].as_f64()?, pair[1].as_f64()?))).collect()
}

/// Computes a working again.
///
/// # Errors
/// What does not follow, in words.
pub fn recompute(graph: &Value) -> Result<Recomputed, String> {
    if graph["format"] != "ferrotitre working 1" {
        return Err("the working is of another form than \"ferrotitre working 1\"".to_owned());
    }
    let nodes = graph["nodes"].as_array().ok_or("the working has no nodes")?;
    let tables = graph["tables"].as_array().map_or(Some(Vec::new()), |all| all.iter().map(table).collect());
    let tables: Vec<Table> = tables.ok_or("a table is none")?;
    let mut sheet = Sheet::default();
    let (mut recorded, mut published) = (Vec::new(), 0);
    for (place, node) in nodes.iter().enumerate() {
        let name = format!("node {place} {}", node["symbol"].as_str().unwrap_or_default());
        let operands: Vec<usize> = node["operands"]
            .as_array()
            .map_or(Some(Vec::new()), |all| {
                all.iter()
                    .map(|at| at.as_u64().and_then(|at| usize::try_from(at).ok()).filter(|at| *at < place))
                    .collect()
            })
            .ok_or_else(|| format!("{name}: an operand does not stand before it"))?;
        if node["id"].as_u64() != Some(place as u64) {
            return Err(format!("{name}: the nodes are out of order"));
        }
        match operation(node)? {
            Operation::Leaf => {
                sheet.leaf(node, &name)?;
                match (&node["fact"], node["source"].is_string(), node["quantity"].is_string()) {
                    (Value::Object(fact), ..) => recorded.push(Recorded {
                        symbol: words(&node["symbol"]),
                        kind: words(fact.get("kind").unwrap_or(&Value::Null)),
                        id: words(fact.get("id").unwrap_or(&Value::Null)),
                        field: words(fact.get("field").unwrap_or(&Value::Null)),
                        value: sheet.values[place],
                        entered: node["entered"].as_str().map(str::to_owned),
                    }),
                    (_, true, _) => published += 1,
                    (_, false, false) => {}
                    _ => return Err(format!("{name}: neither a record nor a source states it")),
                }
            }
            computed => sheet.computed(computed, &operands, &tables)?,
        }
        if !close(sheet.values[place], number(&node["value"], &name)?) {
            return Err(format!("{name} comes to {} where the working says {}", sheet.values[place], node["value"]));
        }
        if let Some(input) = node["input"].as_object() {
            let id = words(&input["id"]);
            let u = node["input"]["u"].as_u64().and_then(|at| usize::try_from(at).ok()).filter(|at| *at < place);
            let u = sheet.values[u.ok_or_else(|| format!("{name}: its uncertainty does not stand before it"))?];
            sheet.inputs.insert(id.clone(), u);
            sheet.slopes[place] = BTreeMap::from([(id, 1.0)]);
        }
        if let Some(stated) = node["u"].as_f64()
            && !close(sheet.u(place), stated)
        {
            return Err(format!("u of {name} comes to {} where the working says {stated}", sheet.u(place)));
        }
    }
    finish(graph, &sheet, (recorded, published, tables))
}

fn finish(
    graph: &Value,
    sheet: &Sheet,
    (recorded, published, tables): (Vec<Recorded>, usize, Vec<Table>),
) -> Result<Recomputed, String> {
    let result = &graph["result"];
    let last = sheet.values.len().checked_sub(1).ok_or("the working is empty")?;
    if result["node"].as_u64() != Some(last as u64) {
        return Err("the result is not the last node".to_owned());
    }
    let (value, u) = (sheet.values[last], sheet.u(last));
    let stated = (number(&result["value"], "the result")?, number(&result["u"], "u of the result")?);
    if !close(value, stated.0) || !close(u, stated.1) {
        return Err(format!("the result comes to {value}, u {u}, where the working says {}, u {}", stated.0, stated.1));
    }
    let unit = words(&result["unit"]);
    Ok(Recomputed { nodes: sheet.values.len(), recorded, published, tables, value: stated.0, u: stated.1, unit })
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    /// The example of `openapi/WORKING.md`, worked out by hand there: 0.1 mol/L times 23.16 mL, u = 23.16 times 2e-5.
    fn example() -> Value {
        json!({"format": "ferrotitre working 1", "nodes": [
            {"id": 0, "quantity": "final_reading", "symbol": "R_f", "value": 23.18, "entered": "23.18",
             "fact": {"kind": "titrations", "id": "t", "field": "final_readings"}},
            {"id": 1, "quantity": "initial_reading", "symbol": "R_i", "value": 0.02, "entered": "0.02",
             "fact": {"kind": "titrations", "id": "t", "field": "initial_readings"}},
            {"id": 2, "quantity": "titration_volume", "op": "difference", "operands": [0, 1], "value": 23.16, "source": "ISO 385"},
            {"id": 3, "quantity": "u_concentration", "value": 2e-5, "fact": {"kind": "titrant_factors", "id": "f", "field": "u"}},
            {"id": 4, "quantity": "concentration", "value": 0.1, "fact": {"kind": "titrant_factors", "id": "f", "field": "c"},
             "input": {"id": "c", "u": 3}, "u": 2e-5},
            {"id": 5, "quantity": "iron_amount", "op": "product", "operands": [4, 2], "value": 2.316, "source": "IUPAC", "u": 0.0004632}],
            "result": {"node": 5, "value": 2.316, "u": 0.0004632, "unit": "mmol"}})
    }

    #[test]
    fn the_example_of_the_page_is_computed_again() {
        let found = recompute(&example()).unwrap();
        assert_eq!((found.value, found.u, found.unit.as_str()), (2.316, 0.0004632, "mmol"));
        assert_eq!((found.nodes, found.recorded.len(), found.published), (6, 4, 0));
        assert_eq!(found.recorded[0].entered.as_deref(), Some("23.18"));
    }

    #[test]
    fn another_reading_result_or_uncertainty_does_not_follow() {
        for (pointer, value, says) in [
            ("/nodes/0/entered", json!("23.20"), "node 0"),
            ("/nodes/2/value", json!(23.18), "node 2"),
            ("/nodes/2/op", json!("power"), "power"),
            ("/nodes/2/operands", json!([0, 5]), "does not stand before"),
            ("/nodes/4/u", json!(1e-5), "u of node 4"),
            ("/result/u", json!(0.0005), "the result"),
            ("/result/value", json!(2.4), "the result"),
        ] {
            let mut graph = example();
            *graph.pointer_mut(pointer).unwrap() = value;
            let refused = recompute(&graph).unwrap_err();
            assert!(refused.contains(says), "{pointer}: {refused}");
        }
    }
}
