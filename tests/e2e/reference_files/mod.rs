//! The files of published and independently computed figures (tests/reference/data), sent through the API: as data of a study
//! where they are one, else to /calculations. Source and status of each figure stand in its file.

mod guides;
mod strd;
mod tables;

use std::collections::BTreeMap;
use std::path::PathBuf;

use ferrotitre_tests::TestApp;
use serde_json::Value;

fn file(name: &str) -> String {
    let path: PathBuf = [env!("CARGO_MANIFEST_DIR"), "reference", "data", name].iter().collect();
    std::fs::read_to_string(path).unwrap()
}

pub(crate) fn document(name: &str) -> Value {
    serde_json::from_str(&file(name)).unwrap()
}

fn record_of<'a>(all: &'a Value, id: &str) -> &'a Value {
    all.as_array().unwrap().iter().find(|one| one["id"] == id).unwrap_or_else(|| panic!("no {id}"))
}

pub(crate) fn rows(name: &str) -> Vec<BTreeMap<String, String>> {
    let text = file(name);
    let mut lines = text.lines().filter(|line| !line.starts_with('#')).map(|line| line.split(','));
    let names: Vec<&str> = lines.next().unwrap().collect();
    lines
        .map(|cells| names.iter().zip(cells).map(|(name, cell)| ((*name).to_owned(), cell.to_owned())).collect())
        .collect()
}

pub(crate) fn parsed(text: &str) -> f64 {
    text.parse().unwrap_or_else(|_| panic!("{text} is no number"))
}

/// A certified figure, as text in the files.
fn certified(set: &Value, name: &str) -> f64 {
    parsed(set[name].as_str().unwrap())
}

fn texts(values: &Value) -> Vec<&str> {
    values.as_array().unwrap().iter().map(|value| value.as_str().unwrap()).collect()
}

/// Result of a calculation over HTTP.
async fn calculated(app: &TestApp, subject: &str, input: &Value) -> Value {
    let answer = app.analyst.post(&format!("/calculations/{subject}"), input).await;
    assert_eq!(answer.status, 200, "{subject} {}", answer.text);
    answer.json["result"].clone()
}

#[track_caller]
fn close(found: &Value, expected: f64, tolerance: f64, what: &str) {
    let found = found.as_f64().unwrap_or_else(|| panic!("{what}: no number"));
    assert!((found - expected).abs() <= tolerance, "{what}: {found} is not {expected} within {tolerance}");
}

/// Relative to the expected figure: certified figures have 15 digits, the last one rounded.
#[track_caller]
fn digits(found: &Value, expected: f64, relative: f64, what: &str) {
    close(found, expected, relative * expected.abs() + f64::MIN_POSITIVE, what);
}
