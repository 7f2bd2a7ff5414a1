//! A validation study: what a conclusion was signed over, held against the data, and statistics against their expressions.

use std::collections::BTreeSet;

use serde_json::Value;
use sha2::{Digest, Sha256};

use super::Refused;
use super::figures::{signed, vouched};
use super::parts::{Content, Rows};
use crate::graph::Recomputed;
use crate::json::Row;
use crate::sentences::{Found, counted};

/// First line of what a signature on a conclusion is over.
const HEADING: &str = "ferrotitre validation conclusion 1\n";
/// Largest relative deviation between a statistic that was signed and the same by its expression.
const LIMIT: f64 = 1e-9;
/// The same of a difference that vanishes, over the largest number that it is made of.
const NEAR_ZERO: f64 = 1e-14;

/// A field with the digits on record.
fn raw<'a>(row: &'a Row, field: &str) -> &'a str {
    row.raw(field).unwrap_or_default()
}

/// A conclusion with the answers that its author signed.
struct Conclusion<'a> {
    id: String,
    name: String,
    row: &'a Row,
    /// Place of the author's signature among the events.
    at: usize,
    /// The answers, as text.
    text: String,
    answers: Value,
}

fn conclusions(content: &Content) -> Vec<Conclusion<'_>> {
    let own = content.events.iter().filter(|event| event.kind == "validation_conclusions");
    let own = own.filter_map(|event| event.row.as_ref()).filter(|row| row.text("study_id") == content.subject);
    own.filter_map(|row| {
        let id = row.text("id");
        let (event, sign) = signed(content, &id).into_iter().find(|(_, sign)| sign.text("meaning") == "authored")?;
        let text = sign.text("evaluation");
        Some(Conclusion {
            name: format!("{}, conclusion {}", content.code, raw(row, "number")),
            at: content.events.iter().position(|other| other.id == event.id)?,
            answers: serde_json::from_str(&text).unwrap_or_default(),
            text,
            row,
            id,
        })
    })
    .collect()
}

impl Conclusion<'_> {
    /// Every signature is over this conclusion and these answers.
    fn is_signed(&self, content: &Content, found: &mut Found) -> Result<(), Refused> {
        let row = self.row;
        let said = format!(
            "{HEADING}{} {} {} {}\n{}\n{} {} {}\n{}\n{}\n{}\n",
            self.id,
            row.text("study_id"),
            raw(row, "number"),
            raw(row, "fit"),
            row.text("words"),
            raw(row, "validated_low"),
            raw(row, "validated_high"),
            row.text("unit"),
            row.text("matrix"),
            row.text("limitations"),
            self.text
        );
        let digest = hex::encode(Sha256::digest(said.as_bytes()));
        vouched(content, (&self.id, &self.name), Some(&digest), found)
    }

    /// The answers rest on the data that were there when they were signed, all of them and as they were recorded.
    fn rests_on_all_data(&self, content: &Content, rows: &Rows<'_>) -> Result<(usize, usize), Refused> {
        let (mut data, mut left_out) = (0, 0);
        for answer in self.answers.as_array().into_iter().flatten() {
            let of = answer["characteristic"].as_str().unwrap_or_default();
            let mut seen = BTreeSet::new();
            for input in answer["inputs"]["rows"].as_array().into_iter().flatten() {
                let id = input["datum"].as_str().unwrap_or_default();
                let row = rows.get(&("validation_data", id)).and_then(|event| event.row.as_ref());
                let holds = row.is_some_and(|row| {
                    input["cells"][0].as_str() == row.raw("value") && row.text("characteristic_id") == of
                });
                if !holds {
                    return Err(format!("{}: datum {id} stands otherwise in the answers that were signed", self.name));
                }
                seen.insert(id);
                data += 1;
                left_out += usize::from(input["excluded"]["holds"] == true);
            }
            let before = content.events.iter().take(self.at).filter(|event| event.kind == "validation_data");
            let mut own =
                before.filter(|event| event.row.as_ref().is_some_and(|row| row.text("characteristic_id") == of));
            if let Some(missing) = own.find(|event| event.entity.as_deref().is_none_or(|id| !seen.contains(id))) {
                let id = missing.entity.as_deref().unwrap_or_default();
                return Err(format!("{}: datum {id} was on record and is not among the answers", self.name));
            }
        }
        Ok((data, left_out))
    }

    /// Statistics that were signed of a characteristic, by name.
    fn statistics(&self, characteristic: &str) -> impl Iterator<Item = &Value> {
        let of = |answer: &&Value| answer["characteristic"] == characteristic;
        let answer = self.answers.as_array().into_iter().flatten().find(of);
        answer.and_then(|answer| answer["statistics"].as_array()).into_iter().flatten()
    }
}

pub(super) fn check(content: &Content, figures: &[Value], rows: &Rows<'_>, found: &mut Found) -> Result<(), Refused> {
    let all = conclusions(content);
    for conclusion in &all {
        conclusion.is_signed(content, found)?;
        let (data, left_out) = conclusion.rests_on_all_data(content, rows)?;
        let answers = conclusion.answers.as_array().into_iter().flatten();
        let total: usize = answers.filter_map(|answer| Some(answer["statistics"].as_array()?.len())).sum();
        found.proved.push(format!(
            "{}: its answers rest on all {data} data on record then, {left_out} of them left out with a signed cause",
            conclusion.name
        ));
        let again = figures.iter().filter(|figure| figure["signed"] == conclusion.id.as_str()).count();
        found.noted.push(format!(
            "{}: {again} of {} that were signed are computed again below; the others, such as p-values, have no expression and stand as signed",
            conclusion.name,
            counted(total, "statistic")
        ));
    }
    if all.is_empty() {
        found.noted.push(format!("{}: no conclusion has been signed", content.code));
    }
    Ok(())
}

/// A statistic that was computed again: from data that count, and as it was signed.
pub(super) fn statistic(
    content: &Content,
    (figure, code): (&Value, &str),
    again: &Recomputed,
    found: &mut Found,
) -> Result<(), Refused> {
    let all = conclusions(content);
    let Some(conclusion) = all.iter().find(|one| figure["signed"] == one.id.as_str()) else {
        found.noted.push(format!("{code}: no signature stands over this figure"));
        return Ok(());
    };
    let of = figure["id"].as_str().unwrap_or_default();
    let name = figure["graph"]["nodes"]
        .as_array()
        .and_then(|nodes| nodes.last())
        .map_or(&Value::Null, |last| &last["quantity"]);
    let answer = conclusion.answers.as_array().into_iter().flatten().find(|answer| answer["characteristic"] == of);
    let inputs = answer.and_then(|answer| answer["inputs"]["rows"].as_array()).into_iter().flatten();
    let counts: BTreeSet<&str> =
        inputs.filter(|input| input["excluded"]["holds"] != true).filter_map(|input| input["datum"].as_str()).collect();
    let mut read = again.recorded.iter().filter(|leaf| leaf.kind == "validation_data");
    if let Some(leaf) = read.find(|leaf| !counts.contains(leaf.id.as_str())) {
        return Err(format!("{code}: datum {} is none that counts", leaf.id));
    }
    // Differences are taken on the decimals here; what was signed comes from the doubles nearest to them.
    let largest = again.recorded.iter().map(|leaf| leaf.value.abs()).fold(0.0, f64::max);
    let close = |stated: &Value| {
        let within = |value: f64| LIMIT * value.abs().max(again.value.abs()) + NEAR_ZERO * largest;
        stated["value"].as_f64().is_some_and(|value| (value - again.value).abs() <= within(value))
    };
    if !conclusion.statistics(of).any(|stated| stated["name"] == *name && close(stated)) {
        return Err(format!("{code}: it comes to {}, which is not what was signed", again.value));
    }
    found.proved.push(format!("{code}: {} as it was signed", again.value));
    Ok(())
}
