//! Exports of the demo's records: what is read many at once is what is read one by one.

use ferrotitre_tests::bench::text;
use ferrotitre_tests::client::Client;
use ferrotitre_tests::demo::nobody_and_auditor;
use ferrotitre_tests::spreadsheet::{Book, recalculated};
use serde_json::{Value, json};

use super::studies::compare_statistics;

/// A time with six digits of the second, as exports write it.
fn micros(time: &Value) -> Value {
    let plain = time.as_str().unwrap().trim_end_matches('Z');
    let (seconds, fraction) = plain.split_once('.').unwrap_or((plain, ""));
    json!(format!("{seconds}.{fraction:0<6}Z"))
}

/// Texts of a list, which is left out where it is empty.
fn joined(texts: &Value) -> Value {
    json!(texts.as_array().into_iter().flatten().map(|one| one.as_str().unwrap()).collect::<Vec<_>>().join("; "))
}

/// What specifications say, in the order of code, version and assignment; nothing where there is none.
fn judged(statements: &Value) -> [Value; 3] {
    let mut all: Vec<&Value> = statements.as_array().unwrap().iter().collect();
    all.sort_by_key(|of| (text(of, "code"), of["version"].as_i64(), text(of, "assignment")));
    let joined = |texts: Vec<String>| json!(texts.join("; "));
    let probability = |of: &Value| of["decided"]["conformance_probability"].clone();
    match all.as_slice() {
        [] => [Value::Null, Value::Null, Value::Null],
        several => [
            joined(several.iter().map(|of| format!("{} v{}", text(of, "code"), of["version"])).collect()),
            joined(several.iter().map(|of| text(of, "outcome")).collect()),
            match several {
                [one] => probability(one),
                _ => joined(
                    several
                        .iter()
                        .map(|of| probability(of).as_f64().map(|p| p.to_string()).unwrap_or_default())
                        .collect(),
                ),
            },
        ],
    }
}

/// Rows of a determination as its own page of the API has them, column by column.
fn rows_of(read: &Value) -> Vec<Value> {
    let evaluation = &read["evaluation"];
    let reported = &evaluation["reported"];
    let figure = evaluation["figures"]
        .as_array()
        .unwrap()
        .iter()
        .find(|figure| figure["unit"] == reported["unit"] && figure["expressed"] == read["expressed"]);
    let mut begin = json!({
        "determination": read["id"], "code": read["code"], "method": read["method_code"], "analyte": read["analyte"],
        "run": read["run"], "sample": read["sample"], "purpose": read["purpose"], "state": read["state"],
        "outcome": evaluation["outcome"],
        "result": figure.map(|figure| &figure["value"]), "u": figure.map(|figure| &figure["u"]),
        "unit": reported["unit"], "reported": reported["text"],
        "expanded_uncertainty": reported["expanded_uncertainty"], "coverage_factor": reported["coverage_factor"],
    });
    let [specification, conformity, probability] = judged(&read["conformity"]);
    begin["specification"] = specification;
    begin["conformity"] = conformity;
    begin["conformance_probability"] = probability;
    let mut rows = Vec::new();
    for titration in read["titrations"].as_array().unwrap() {
        let titres = evaluation["titres"].as_array().unwrap();
        let titre = titres.iter().find(|titre| titre["titration"] == titration["version_id"]).unwrap();
        let mut row = begin.clone();
        for (name, value) in [
            ("titration", titration["version_id"].clone()),
            ("position", titration["position"].clone()),
            ("version", titration["version"].clone()),
            ("kind", titration["kind"].clone()),
            ("fate", titre["fate"].clone()),
            ("reasons", joined(&titre["reasons"])),
            ("initial_readings_mL", joined(&titration["initial_readings"])),
            ("final_readings_mL", joined(&titration["final_readings"])),
            ("difference_mL", titre["difference_ml"].clone()),
            ("volume_20C_mL", titre["volume_ml"].clone()),
            ("net_mL", titre["net_ml"].clone()),
            ("temperature_C", titration["solution_temperature"].clone()),
            ("end_point", titration["end_point"].clone()),
            ("reduction", titre["reduction"].clone()),
            ("late", json!(if titration["late"] == true { "late" } else { "" })),
            ("concession", titration["concession"].clone()),
            ("correction_reason", titration["reason"].clone()),
            ("observed_at", micros(&titration["observed_at"])),
            ("recorded_at", micros(&titration["recorded_at"])),
            ("recorded_by", titration["recorded_by"].clone()),
        ] {
            row[name] = value;
        }
        rows.push(row);
    }
    if rows.is_empty() {
        rows.push(begin);
    }
    rows
}

/// Every row of an export of all determinations against the determination read by itself; so many of them at least.
pub(crate) async fn rows_are_those_of_each_determination(auditor: &Client, least: usize) {
    let export = auditor.get("/exports/determinations").await.expect(200);
    let rows = export["rows"].as_array().unwrap();
    let of_one: Vec<&[Value]> = rows.chunk_by(|a, b| a["determination"] == b["determination"]).collect();
    assert!(of_one.len() >= least, "{} determinations", of_one.len());
    assert_eq!(export["counts"]["determinations"], of_one.len());
    let newest_first =
        of_one.windows(2).all(|pair| text(&pair[0][0], "determination") > text(&pair[1][0], "determination"));
    assert!(newest_first);
    for own in of_one {
        let read = auditor.get(&format!("/determinations/{}", text(&own[0], "determination"))).await.expect(200);
        let expected = rows_of(&read);
        assert_eq!(own.len(), expected.len(), "{}", read["code"]);
        for (row, expected) in own.iter().zip(&expected) {
            for (name, value) in row.as_object().unwrap() {
                assert_eq!(value, &expected[name], "{name} of {}", read["code"]);
            }
        }
    }
}

async fn every_statistic_of_the_study_has_its_formula(auditor: &Client) {
    let list = auditor.get("/validation-studies").await.expect(200);
    let id = text(&list["items"][0], "id");
    let answers = auditor.get(&format!("/validation-studies/{id}/answers")).await.expect(200);
    let export = auditor.get(&format!("/exports/validation-studies/{id}?format=xlsx")).await;
    assert_eq!(export.status, 200, "{}", export.text);
    let mut book = Book::open(recalculated(&export.bytes).await);
    for answer in answers["characteristics"].as_array().unwrap() {
        let compared = compare_statistics(&mut book, &format!("C{}", answer["position"]), answer);
        assert!(compared > 0, "{}", answer["kind"]);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_records_of_the_demo_are_exported_as_they_are_read_one_by_one() {
    let (_, auditor) = nobody_and_auditor().await;
    rows_are_those_of_each_determination(&auditor, 9).await;
    let export = auditor.get("/exports/determinations").await.expect(200);
    let rows = export["rows"].as_array().unwrap();
    let judged = |specification: &str, outcome: &str| {
        rows.iter().find(|row| row["specification"] == specification && row["conformity"] == outcome)
    };
    // The bath's iron(II) by two specifications, its total iron by one.
    let both = judged("SP-1 v1; SP-3 v1", "conditional; conforms").unwrap();
    assert_eq!(text(both, "conformance_probability").split("; ").count(), 2);
    let total = judged("SP-2 v1", "does not conform").unwrap();
    assert!(total["conformance_probability"].as_f64().unwrap() < 0.5, "{total}");
    every_statistic_of_the_study_has_its_formula(&auditor).await;
}
