//! Statistics of studies are computed again from the graphs of their data alone, with the operations that the checker has.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::process::Command;

use ferrotitre_check::graph::recompute;
use ferrotitre_check::json::Row;
use ferrotitre_core::validation::Statistic;
use ferrotitre_tests::Client;
use ferrotitre_tests::cluster::DatabaseRole;
use ferrotitre_tests::demo::nobody_and_auditor;
use serde_json::{Value, json};

use super::{Study, datum, most, planned, sign};

/// Largest relative deviation between a statistic of the answer and its graph.
const LIMIT: f64 = 1e-9;
/// What is left of a vanishing difference of doubles, over the largest of them.
const REST: f64 = 1e-14;

fn words<'a>(value: &'a Value, field: &str) -> &'a str {
    value[field].as_str().unwrap_or_default()
}

fn has_expression(one: &Value) -> bool {
    Statistic::named(words(one, "name")).unwrap().has_expression()
}

/// Digits of the data that count, by identity.
fn counted(answer: &Value) -> Vec<(&str, &Value)> {
    let rows = answer["inputs"]["rows"].as_array().unwrap().iter();
    rows.filter(|row| row["excluded"]["holds"] != true).map(|row| (words(row, "datum"), &row["cells"])).collect()
}

/// Compares each statistic of an answer with its graph, computed again; returns the names that were compared.
#[track_caller]
fn follows(answer: &Value, workings: &[&Value]) -> BTreeSet<String> {
    let statistics: Vec<&Value> =
        answer["statistics"].as_array().unwrap().iter().filter(|s| has_expression(s)).collect();
    let id = |one: &Value| (words(one, "name").to_owned(), one["of"].as_str().map(str::to_owned));
    let (found, given): (Vec<_>, Vec<_>) =
        (statistics.iter().map(|one| id(one)).collect(), workings.iter().map(|one| id(one)).collect());
    assert_eq!(found, given, "every statistic with a closed form has its working");
    let data = counted(answer);
    for (statistic, working) in statistics.iter().zip(workings) {
        let what = format!("{} {} of {}", words(answer, "kind"), words(statistic, "name"), statistic["of"]);
        let again = recompute(&working["graph"]).unwrap_or_else(|error| panic!("{what}: {error}"));
        let signed = statistic["value"].as_f64().unwrap();
        let largest = again.recorded.iter().map(|leaf| leaf.value.abs()).fold(0.0, f64::max);
        let allowed = LIMIT * signed.abs() + REST * largest;
        assert!((again.value - signed).abs() <= allowed, "{what}: {} is not {signed}", again.value);
        let unit = words(statistic, "unit");
        assert_eq!(again.unit, if unit == "1" { "" } else { unit }, "{what}");
        let last = working["graph"]["nodes"].as_array().unwrap().last().unwrap();
        assert_eq!(last["quantity"], statistic["name"], "{what}");
        assert!(
            again.recorded.iter().any(|leaf| leaf.kind == "validation_data"),
            "{what} goes by data or their labels"
        );
        for leaf in &again.recorded {
            let digits = leaf.entered.as_deref().unwrap();
            if leaf.kind == "validation_data" {
                let (_, cells) =
                    data.iter().find(|(id, _)| *id == leaf.id).unwrap_or_else(|| panic!("{what}: {leaf:?}"));
                let stands = cells.as_array().unwrap().iter().any(|cell| cell == digits);
                assert!(stands, "{what}: {leaf:?} in {cells}");
            } else {
                assert_eq!(
                    (leaf.kind.as_str(), leaf.field.as_str()),
                    ("validation_characteristics", "design"),
                    "{what}"
                );
                assert!(answer["design"].to_string().contains(digits), "{what}: {leaf:?}");
            }
        }
    }
    statistics.iter().map(|one| words(one, "name").to_owned()).collect()
}

async fn of_study(auditor: &Client, id: &str) -> Vec<Value> {
    let found = auditor.get(&format!("/validation-studies/{id}/workings")).await.expect(200);
    found.as_array().unwrap().clone()
}

fn of_characteristic<'a>(workings: &'a [Value], answer: &Value) -> Vec<&'a Value> {
    workings.iter().filter(|one| one["characteristic"] == answer["characteristic"]).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_statistic_of_the_demo_that_has_a_closed_form_follows_from_its_graph() {
    let (_, auditor) = nobody_and_auditor().await;
    let list = auditor.get("/validation-studies").await.expect(200);
    let mut compared = BTreeSet::new();
    let mut lines = String::new();
    for study in list["items"].as_array().unwrap() {
        let id = words(study, "id");
        let answers = auditor.get(&format!("/validation-studies/{id}/answers")).await.expect(200);
        let workings = of_study(&auditor, id).await;
        for answer in answers["characteristics"].as_array().unwrap() {
            let of_it = of_characteristic(&workings, answer);
            compared.extend(follows(answer, &of_it));
            let path = format!("/validation-characteristics/{}/workings", words(answer, "characteristic"));
            let alone = auditor.get(&format!("{path}?as=json")).await.expect(200);
            assert_eq!(alone.as_array().unwrap().iter().collect::<Vec<_>>(), of_it);
            let page = auditor.get(&path).await;
            assert_eq!(page.status, 200, "{}", page.text);
            assert!(of_it.iter().all(|one| page.text.contains(words(&one["graph"]["nodes"][0], "symbol"))));
        }
        lines.extend(workings.iter().map(|one| format!("{}\n", one["graph"])));
    }
    let all = Statistic::ALL.iter().filter(|one| one.has_expression()).map(|one| one.key().to_owned());
    let missing: Vec<String> = all.filter(|key| !compared.contains(key)).collect();
    // No difference of the demo has an uncertainty of its own: the test below has.
    assert_eq!(missing, ["u_at"], "what the demo does not show");

    let file = std::env::temp_dir().join(format!("ferrotitre-statistics-{}.jsonl", std::process::id()));
    std::fs::write(&file, lines).unwrap();
    let reader: PathBuf = [env!("CARGO_MANIFEST_DIR"), "oracle", "workings.py"].iter().collect();
    let read = Command::new("python3").arg(reader).arg(&file).output().unwrap();
    std::fs::remove_file(&file).unwrap();
    let (said, complained) = (String::from_utf8_lossy(&read.stdout), String::from_utf8_lossy(&read.stderr));
    assert!(read.status.success() && said.contains("study_statistic "), "{said}{complained}");
    println!("{said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn workings_are_of_the_data_that_count_and_of_nothing_where_there_is_no_spread() {
    let plan = |n| planned("repeatability", "g/L", n, &json!({}), &[most("rsd_r", "5", "%")]);
    let study = Study::run(&[plan(2), plan(3), plan(2)]).await;
    let app = &study.app;
    let of = |values: &[&str]| -> Vec<Value> { values.iter().map(|value| datum(value, &json!({}))).collect() };
    let none = of_study(&app.auditor, &study.id).await;
    assert!(none.is_empty(), "{none:?}");
    // Two data; one to be left out; equal data, which show the resolution of the reading only.
    study.record(0, &of(&["100000000.10", "100000000.30"])).await;
    let answer = study.record(1, &of(&["52.41", "52.33", "58.00"])).await;
    study.record(2, &of(&["1.000", "1.000"])).await;
    let outlier = words(&answer["inputs"]["rows"][2], "datum");
    let new = json!({ "cause": "grey precipitate", "evidence": "bench book 9, page 14: precipitate grey" });
    let proposed = app.analyst.post(&format!("/validation-data/{outlier}/exclusions"), &new).await.expect(201);
    let workings = of_study(&app.auditor, &study.id).await;
    let leaves = |workings: &[&Value]| {
        let graph = workings.iter().find(|one| one["name"] == "mean").map(|one| &one["graph"]).unwrap();
        recompute(graph).unwrap().recorded.len()
    };
    let answer = study.answer(1).await;
    assert_eq!(leaves(&of_characteristic(&workings, &answer)), 3, "a proposal leaves nothing out");
    let approval = format!("/validation-exclusions/{}/approval", words(&proposed, "id"));
    let _ = sign(&app.manager, &approval, None).await.expect(201);
    let workings = of_study(&app.auditor, &study.id).await;
    let answer = study.answer(1).await;
    let of_it = of_characteristic(&workings, &answer);
    assert_eq!(leaves(&of_it), 2);
    follows(&answer, &of_it);
    let answer = study.answer(2).await;
    assert!(of_characteristic(&workings, &answer).is_empty(), "no spread, no working");
    // 100000000.1 is no double: what the graph has on the decimals, the answer has as far as doubles hold the data.
    let answer = study.answer(0).await;
    let of_it = of_characteristic(&workings, &answer);
    follows(&answer, &of_it);
    let s_r = of_it.iter().find(|one| one["name"] == "s_r").unwrap();
    let found = recompute(&s_r["graph"]).unwrap().value;
    assert!((found - 0.2 / 2.0_f64.sqrt()).abs() < 1e-7, "{found}");
    app.auditor.get(&format!("/validation-studies/{}/workings", uuid::Uuid::nil())).await.refused(404, "not_found");
}

/// Rows as their audit events have them, by table and identity.
async fn row(sql: &tokio_postgres::Client, (kind, id): (&str, &str)) -> Row {
    let of = format!("SELECT to_jsonb(it)::text FROM {kind} it WHERE id = '{id}'");
    let text: String = sql.query_one(&of, &[]).await.unwrap().get(0);
    Row::read(&text).unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_leaf_stands_digit_for_digit_in_the_row_it_names() {
    let certified = json!({ "reference": "65.100", "reference_u": "0.030" });
    let blanks = json!({ "routine_replicates": 2, "routine_blanks": 3, "quantification_factor": "6.0" });
    let titres = json!({ "titre_ml": "25.0", "titre_u_ml": "0.020" });
    let study = Study::run(&[
        planned("trueness", "% m/m", 3, &certified, &[most("bias", "1", "% m/m")]),
        planned("linearity", "g/L", 6, &json!({}), &[most("slope", "2", "1")]),
        planned("detection", "mg/L", 4, &blanks, &[most("lod", "1", "mg/L")]),
        planned("recovery", "g/L", 3, &json!({}), &[most("recovery", "200", "%")]),
        planned("detection by difference", "g/L", 3, &titres, &[most("s0_slope", "1", "1")]),
    ])
    .await;
    let plain = |values: &[&str]| -> Vec<Value> { values.iter().map(|value| datum(value, &json!({}))).collect() };
    study.record(0, &plain(&["65.120", "65.08", "65.15"])).await;
    let taken = [
        ("5.00", "5.010"),
        ("5.00", "5.02"),
        ("10.0", "10.010"),
        ("10.00", "9.99"),
        ("15.0", "15.00"),
        ("15.0", "15.04"),
    ];
    study.record(1, &taken.map(|(taken, found)| datum(found, &json!({ "taken": taken })))).await;
    study.record(2, &plain(&["0.020", "-0.010", "0.03", "0.00"])).await;
    let arm = |arm: &str, value: &str| datum(value, &json!({ "pair": "ore", "arm": arm }));
    let spiked = |value: &str| datum(value, &json!({ "pair": "ore", "arm": "spiked", "added": "5.00" }));
    study.record(3, &[arm("unspiked", "5.02"), arm("unspiked", "5.00"), spiked("9.95"), spiked("10.02")]).await;
    let found = |total: &str, value: &str, u: &str| json!({ "value": value, "standard_uncertainty": u, "labels": { "taken": total } });
    let near = [("5.0", "0.01", "0.012"), ("20.0", "-0.020", "0.030"), ("60.0", "0.08", "0.0810")];
    let again = [("5.0", "-0.02", "0.011"), ("20.0", "0.04", "0.031"), ("60.0", "-0.09", "0.079")];
    study.record(4, &near.into_iter().chain(again).map(|(total, x, u)| found(total, x, u)).collect::<Vec<_>>()).await;
    let sql = study.app.sql(DatabaseRole::Superuser).await;
    let workings = of_study(&study.app.auditor, &study.id).await;
    let (mut fields, mut compared) = (BTreeSet::new(), BTreeSet::new());
    for at in 0..5 {
        let answer = study.answer(at).await;
        let of_it = of_characteristic(&workings, &answer);
        compared.extend(follows(&answer, &of_it));
        for working in of_it {
            for leaf in recompute(&working["graph"]).unwrap().recorded {
                let row = row(&sql, (&leaf.kind, &leaf.id)).await;
                assert!(row.holds(&leaf.field, leaf.value, leaf.entered.as_deref()), "{leaf:?}");
                fields.insert(format!("{} {}", leaf.kind, leaf.field));
            }
        }
    }
    let expected = ["characteristics design", "data labels", "data standard_uncertainty", "data value"]
        .map(|of| format!("validation_{of}"));
    assert!(fields.iter().eq(&expected), "{fields:?}");
    assert!(["u_at", "u_model_at", "s0_slope", "recovery", "loq", "bias"].iter().all(|name| compared.contains(*name)));
    // A digit changed anywhere does not follow.
    for working in &workings {
        let mut graph = working["graph"].clone();
        let leaf = graph["nodes"].as_array_mut().unwrap().iter_mut().find(|node| node["fact"].is_object()).unwrap();
        leaf["entered"] = json!(format!("{}7", words(leaf, "entered")));
        assert!(recompute(&graph).is_err(), "{}", working["name"]);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn two_thousand_data_have_workings_and_more_are_refused_in_words() {
    let design = json!({ "groups": 20 });
    let study = Study::run(&[planned("intermediate precision", "g/L", 40, &design, &[most("rsd_i", "5", "%")])]).await;
    let one = |at: usize| datum(format!("52.{:02}", (at * 7919) % 97), &json!({ "group": format!("day {}", at % 20) }));
    for start in [0, 1000] {
        study.record(0, &(start..start + 1000).map(one).collect::<Vec<_>>()).await;
    }
    let started = std::time::Instant::now();
    let text = study.app.auditor.get(&format!("/validation-studies/{}/workings", study.id)).await;
    let (took, workings) = (started.elapsed(), serde_json::from_str::<Value>(&text.text).unwrap());
    println!("2000 data: {} MB in {took:?}", text.text.len() / 1_000_000);
    follows(&study.answer(0).await, &workings.as_array().unwrap().iter().collect::<Vec<_>>());
    study.record(0, &[one(2000)]).await;
    let path = format!("/validation-studies/{}/workings", study.id);
    let refused = study.app.auditor.get(&path).await.refused(409, "state_conflict");
    assert!(words(&refused, "detail").contains("2001 data"), "{refused}");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_answer_has_the_bytes_it_always_had() {
    let study = Study::run(&[planned("repeatability", "g/L", 3, &json!({}), &[most("rsd_r", "0.6", "%")])]).await;
    // 100 ± 0.5: every figure of it can be written down by hand but the ends of intervals.
    let _ = study.record(0, &["99.5", "100.0", "100.5"].map(|value| datum(value, &json!({})))).await;
    let path = format!("/validation-characteristics/{}/answer", study.characteristics[0]);
    let text = study.app.auditor.get(&path).await.text;
    for piece in [
        r#""statistics":[{"name":"mean","of":null,"symbol":"x̄","title":"mean","value":100.0,"unit":"g/L","interval":null,"formula":"Σx/n","source":"definition"},{"name":"s_r","of":null,"symbol":"s_r","title":"repeatability standard deviation","value":0.5,"unit":"g/L","interval":{"low":"#,
        r#""formula":"√MS_within","source":"ISO 5725-2"},{"name":"rsd_r","of":null,"symbol":"RSD_r","title":"relative repeatability standard deviation","value":0.5,"unit":"%","interval":{"low":"#,
        r#","confidence":0.95},"formula":"100 s_r/x̄","source":"ISO 5725-2"},{"name":"r_limit","of":null,"symbol":"r","title":"repeatability limit","value":1.4,"unit":"g/L","interval":{"low":"#,
        r#""formula":"2.8 s_r","source":"ISO 5725-6"},{"name":"horrat_r","of":null,"symbol":"HorRat_r","title":"RSD_r over the predicted RSD","value":"#,
        r#","unit":"1","interval":null,"formula":"RSD_r/(2 C^-0.15)","source":"Horwitz and Albert 2006; AOAC guidelines"}],"judgements":[{"statistic":"rsd_r","of":null,"rule":"value","lower":null,"upper":0.6,"unit":"%","value":0.5,"met":true}],"verdict":"meets""#,
    ] {
        assert!(text.contains(piece), "{piece}\nis not in\n{text}");
    }
}
