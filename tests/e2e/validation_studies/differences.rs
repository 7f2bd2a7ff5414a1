//! Detection and quantification of iron(III) by difference, from iron results of the record.

use ferrotitre_tests::bench::{minutes_ago, text};
use ferrotitre_tests::client::Answer;
use ferrotitre_tests::spreadsheet::{Book, recalculated};
use serde_json::{Value, json};

use super::{Study, missing, most, plan, planned, statistic};
use crate::exports::studies::compare_statistics;
use crate::lab::Lab;
use crate::pages::Visitor;

/// Contents without iron(III), near 60, 90 and 120 g/L, twice each: titres of iron(II) and of total iron, mL.
const DIFFERENCES: [(&str, &str); 6] = [
    ("10.74", "10.76"),
    ("10.76", "10.72"),
    ("16.12", "16.16"),
    ("16.12", "16.10"),
    ("21.48", "21.44"),
    ("21.50", "21.56"),
];

async fn determined(lab: &Lab, run: &str, last: &str, seen: Option<&str>) -> String {
    let determination = lab.begin(run).await;
    for _ in 0..2 {
        lab.titrate(&determination, &lab.titration("accurate", last, seen)).await;
    }
    determination
}

async fn difference(lab: &Lab, code: &str, total: &str, iron2: &str) -> String {
    let new = json!({ "code": code, "total": total, "iron2": iron2, "observed_at": minutes_ago(5) });
    text(&lab.app.analyst.post("/iron-results", &new).await.expect(201), "id")
}

/// All of them, and one whose total iron has no result; newest last.
async fn on_record(lab: &Lab) -> (Vec<String>, String) {
    let (of_iron2, of_total) = (lab.run(&lab.iron2).await, lab.run(&lab.total).await);
    let mut all = Vec::new();
    for (number, (iron2, total)) in DIFFERENCES.iter().enumerate() {
        let iron2 = determined(lab, &of_iron2, iron2, None).await;
        let total = determined(lab, &of_total, total, Some("slight white")).await;
        all.push(difference(lab, &format!("FE3-{number}"), &total, &iron2).await);
    }
    let iron2 = determined(lab, &of_iron2, "10.74", None).await;
    let empty = lab.begin(&of_total).await;
    (all, difference(lab, "FE3-empty", &empty, &iron2).await)
}

fn from(result: &str) -> Value {
    json!({ "iron_result": result })
}

fn refused_at(answer: Answer, code: &str, field: &str, rule: &str) -> Value {
    let problem = answer.refused(422, code);
    let fields = problem["errors"].as_array().unwrap();
    assert!(fields.iter().any(|one| one["field"] == field && one["rule"] == rule), "{field} {rule}: {problem}");
    problem
}

#[tokio::test(flavor = "multi_thread")]
async fn iron_results_give_the_difference_its_uncertainty_and_the_level_of_their_total_iron() {
    let lab = Lab::open().await;
    let (results, empty) = on_record(&lab).await;
    let limit = [most("loq_at", "9", "g/L")];
    let levels = json!({ "levels": ["60", "90", "120"], "titre_ml": "20", "titre_u_ml": "0.02" });
    let kind = "detection by difference";
    let new = plan(
        "VS-D",
        &lab.total,
        &[
            planned(kind, "g/L", 6, &levels, &limit),
            planned(kind, "g/L", 6, &json!({ "levels": ["20", "40"] }), &limit),
            planned(kind, "mg/L", 6, &levels, &[most("loq_at", "9", "mg/L")]),
            planned("repeatability", "g/L", 6, &json!({}), &[most("rsd_r", "9", "%")]),
        ],
    );
    let new = lab.app.analyst.post("/validation-studies", &new).await.expect(201);
    let first = text(&lab.app.auditor.get(&format!("/iron-results/{}", results[0])).await.expect(200), "total");
    let titration = lab.titration("accurate", "10.80", Some("slight white"));
    let study = Study::approve(lab.app, &new).await;

    // The first through the page, the others through the API.
    let page = format!("/validation/characteristics/{}", study.characteristics[0]);
    let analyst = Visitor::of(study.app.running.address, &study.app.analyst);
    assert!(analyst.get(&page).await.text.contains("Choose iron results"));
    let form = analyst.get(&format!("{page}/iron-results")).await;
    assert!(form.text.contains("6 iron results with iron(III) in g/L"), "{}", form.text);
    let at = (0..6).find(|at| form.text.contains(&format!("data[{at}].iron_result\" value=\"{}", results[0])));
    let name = format!("data[{}].iron_result", at.unwrap_or(5));
    let sent = [
        ("_code", form.hidden("_code")),
        ("_key", form.hidden("_key")),
        ("_shape", form.hidden("_shape")),
        (name.as_str(), results[0].as_str()),
    ];
    let taken = analyst.post(&format!("{page}/iron-results"), &sent).await;
    assert_eq!(taken.status, 303, "{}", taken.text);
    let form = analyst.get(&format!("{page}/iron-results")).await;
    assert!(form.text.contains("5 iron results with iron(III)"), "what was taken is offered no more");
    let rest: Vec<Value> = results[1..].iter().map(|result| from(result)).collect();
    let answer = study.record(0, &rest).await;

    let rows = answer["inputs"]["rows"].as_array().unwrap();
    let (mut values, mut uncertainties) = (Vec::new(), Vec::new());
    for (row, (result, level)) in rows.iter().zip(results.iter().zip(["60", "60", "90", "90", "120", "120"])) {
        let read = study.app.auditor.get(&format!("/iron-results/{result}")).await.expect(200);
        let evaluation = &read["evaluation"];
        let figures = evaluation["total"]["figures"].as_array().unwrap();
        let total = figures.iter().find(|figure| figure["unit"] == "g/L" && figure["expressed"] == "Fe").unwrap();
        let cell = |at: usize| row["cells"][at].as_str().unwrap().to_owned();
        let number = |text: String| json!(text.parse::<f64>().unwrap());
        assert_eq!((cell(1).as_str(), &row["source"]["iron_result"]), (level, &json!(result)));
        assert_eq!((number(cell(0)), number(cell(2))), (evaluation["value"].clone(), evaluation["u"].clone()));
        assert_eq!(number(text(&row["source"], "total_iron")), total["value"]);
        assert_eq!((&row["source"]["kind"], &row["source"]["determination"]), (&json!("iron result"), &Value::Null));
        values.push(evaluation["value"].as_f64().unwrap());
        uncertainties.push(evaluation["u"].as_f64().unwrap());
    }
    // By hand: s of two is their difference over the root of 2; u by its root mean square.
    for (index, level) in ["60", "90", "120"].into_iter().enumerate() {
        let (a, b) = (values[2 * index], values[2 * index + 1]);
        let (ua, ub) = (uncertainties[2 * index], uncertainties[2 * index + 1]);
        for (name, expected) in [("s0_at", (a - b).abs() / 2f64.sqrt()), ("u_at", ((ua * ua + ub * ub) / 2.0).sqrt())] {
            let found = statistic(&answer, name, Some(level))["value"].as_f64().unwrap();
            assert!((found / expected - 1.0).abs() < 1e-12, "{name} at {level}: {found} is not {expected}");
        }
    }
    assert!(statistic(&answer, "s0_slope", None)["value"].as_f64().is_some());
    assert!(
        statistic(&answer, "u_at", Some("120"))["value"].as_f64()
            > statistic(&answer, "u_at", Some("60"))["value"].as_f64()
    );
    assert_eq!(missing(&answer), "");

    // The workbook computes the same; the rows of the export lead back to the record.
    let path = format!("/exports/validation-studies/{}", study.id);
    let export = study.app.auditor.get(&format!("{path}?format=xlsx")).await;
    assert_eq!(export.status, 200, "{}", export.text);
    let mut book = Book::open(recalculated(&export.bytes).await);
    assert!(compare_statistics(&mut book, "C1", &answer) > 12);
    let rows = study.app.auditor.get(&path).await.expect(200)["rows"].clone();
    let cited =
        rows.as_array().unwrap().iter().filter(|row| row["column"] == "value" && row["iron_result"].is_string());
    assert_eq!(cited.count(), 6);
    let shown = analyst.get(&page).await;
    assert!(shown.text.contains(&format!("/iron-results/{}", results[0])), "{}", shown.text);

    what_is_no_datum_is_refused(&study, (&results[0], &empty, &first)).await;
    // Another titration for the total iron of a result that gave a datum: said, and the datum stays.
    let _ = study.app.analyst.post(&format!("/determinations/{first}/titrations"), &titration).await.expect(201);
    let notes = study.answer(0).await["notes"].to_string();
    assert!(notes.contains("datum 1: its iron result has changed"), "{notes}");
}

/// Each with its field; and one near no planned level.
async fn what_is_no_datum_is_refused(study: &Study, (result, empty, first): (&str, &str, &str)) {
    let again = study.send(0, &[from(result)]).await.refused(409, "already_exists");
    assert_eq!(again["errors"][0]["field"], "iron_result");
    let at = "data[0].iron_result";
    refused_at(study.send(0, &[from(empty)]).await, "not_enough_data", at, "complete");
    refused_at(study.send(0, &[from(first)]).await, "unknown_reference", at, "exists");
    refused_at(study.send(2, &[from(result)]).await, "invalid_input", at, "unit");
    refused_at(study.send(3, &[from(result)]).await, "invalid_input", at, "kind");
    let plain = json!({ "determination": first, "labels": { "taken": "60" } });
    refused_at(study.send(0, &[plain]).await, "invalid_input", "data[0].determination", "kind");
    let twice = json!({ "iron_result": result, "value": "0.1" });
    refused_at(study.send(0, &[twice]).await, "invalid_input", "data[0].value", "one_of");
    // Near no planned level it must be said which it is.
    let problem = refused_at(study.send(1, &[from(result)]).await, "invalid_input", "data[0].labels.taken", "level");
    assert!(text(&problem, "detail").contains("near no planned level (20, 40)"), "{problem}");
    let said = json!({ "iron_result": result, "labels": { "taken": "60.0" } });
    let answer = study.record(1, &[said]).await;
    assert_eq!(answer["inputs"]["rows"][0]["cells"][1], "60.0");
}
