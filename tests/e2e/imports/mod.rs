//! Lists of what a laboratory has, from files that LibreOffice wrote.

mod broken;
mod history;
mod kinds;
mod many;
mod pages;
mod samples;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use ferrotitre_tests::client::Answer;
use serde_json::{Value, json};

/// A file as it is sent, with what its marks mean.
fn table(name: &str, bytes: &[u8], comma: bool) -> Value {
    json!({
        "file_name": name,
        "content": STANDARD.encode(bytes),
        "separator": "semicolon",
        "decimal_mark": if comma { "comma" } else { "point" },
        "date_format": if comma { "DD.MM.YYYY" } else { "MM/DD/YYYY" },
    })
}

/// The same with columns by their headings.
fn with_columns(mut file: Value, columns: &[(&str, &str)]) -> Value {
    for (field, heading) in columns {
        file["columns"][*field] = json!(heading);
    }
    file
}

/// Fields and rules that a refusal names.
fn named(problem: &Value) -> Vec<(String, String)> {
    let text = |one: &Value, field: &str| one[field].as_str().unwrap_or_default().to_owned();
    problem["errors"].as_array().into_iter().flatten().map(|one| (text(one, "field"), text(one, "rule"))).collect()
}

/// The first field and rule that a refusal names.
#[track_caller]
fn first(answer: Answer, status: u16, code: &str) -> (String, String) {
    let problem = answer.refused(status, code);
    named(&problem).into_iter().next().unwrap_or_default()
}

fn pair(field: &str, rule: &str) -> (String, String) {
    (field.to_owned(), rule.to_owned())
}

/// A list of one lot of a reagent, as text.
pub(crate) fn reagents(code: &str) -> Value {
    let text = format!("No.;Made\n{code};{}\n", ferrotitre_tests::bench::day(-3));
    let mut file =
        with_columns(table("reagents.csv", text.as_bytes(), false), &[("code", "No."), ("prepared_on", "Made")]);
    file["date_format"] = json!("YYYY-MM-DD");
    file["same"] = json!({
        "substance": "tin(II) chloride", "concentration": "50 g/L", "expires_on": ferrotitre_tests::bench::day(60),
        "hazard_class": "Skin Corr. 1B", "sds_reference": "folder 3", "waste_stream": "other acid",
    });
    file
}
