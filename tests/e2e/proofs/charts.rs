//! Charts of the demo as bundles: what an auditor is told of them, and what does not follow from their points.

use serde_json::{Value, json};

use super::bundles::{All, Taken, all, second};
use super::forged::{events, place, read, row, sealed};

const LINES: [&str; 4] = ["lower_action", "lower_warning", "upper_warning", "upper_action"];

/// Charts of the demo whose bundle says this.
fn saying<'a>(all: &'a All, words: &str) -> Vec<(&'a Taken, String)> {
    let charts = all.taken.iter().filter(|one| one.path.starts_with("/control-charts"));
    let said = charts.map(|one| (one, all.accepts(&one.file).unwrap().text()));
    said.filter(|(_, text)| text.contains(words)).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn limits_of_charts_are_proved_from_the_points_of_their_baselines() {
    let all = all().await;
    let with_limits = saying(all, "of its baseline lead to the standard deviation on record");
    assert!(!with_limits.is_empty());
    for (one, text) in &with_limits {
        println!("{text}");
        let content = serde_json::from_slice::<Value>(&one.file).unwrap()["content"].clone();
        let points = content["events"].as_array().unwrap().iter().map(read);
        let points = points.filter(|(event, _)| event["entity_kind"] == "control_values").count();
        let code = content["code"].as_str().unwrap();
        assert!(
            text.contains(&format!("{code}: {points} points from the first to the newest, none left out")),
            "{text}"
        );
        assert!(text.contains("PROVED") && text.contains(&format!("{code}, phase 1: ")), "{text}");
        assert!(text.contains("by the verdict each got when it was recorded"), "{text}");
    }
    // A point with an assigned cause stays in sight.
    assert!(!saying(all, "is left out of its baseline").is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_chart_sealed_anew_with_the_key_still_follows_from_its_points() {
    let all = all().await;
    let chart = saying(all, "lead to the centre line on record").remove(0).0;
    let good: Value = serde_json::from_slice(&chart.file).unwrap();
    assert!(all.accepts(&sealed(&good, &[]).await).is_ok());
    let refused = async |change: &dyn Fn(&mut Value), says: &str| {
        let mut bundle = good.clone();
        change(&mut bundle);
        let file = Box::pin(sealed(&bundle, &[])).await;
        let why = all.accepts(&file).map(|found| found.text()).unwrap_err();
        assert!(why.contains(says), "{says}: {why}");
        let (proved, said) = second(&file, &all.fingerprint);
        assert!(!proved && said.starts_with("not proved: "), "{says}: {said}");
    };
    // A point that nobody liked, taken out of the file; and one that follows it under another number.
    let less = |bundle: &mut Value| {
        let at = place(bundle, |event, row| event["entity_kind"] == "control_values" && row["position"] == 3);
        events(bundle).remove(at);
    };
    refused(&less, "point 3 is not in the bundle").await;
    let from_baseline = |row: &Value| row["origin"] == "baseline";
    for (field, says) in [("centre", "the centre line of its points"), ("s", "the standard deviation of its points")] {
        let wider = |row: &mut Value| {
            row[field] = json!(row[field].as_f64().unwrap() * 1.000_001);
            // Without lines that would give it away.
            for line in LINES {
                row[line] = Value::Null;
            }
        };
        refused(&|bundle| drop(row(bundle, "chart_phases", &from_baseline, &wider)), says).await;
    }
    let line = |row: &mut Value| row["upper_action"] = json!(row["upper_action"].as_f64().unwrap() * 1.01);
    refused(&|bundle| drop(row(bundle, "chart_phases", &from_baseline, &line)), "upper_action is not 3 standard").await;
    let phase = row(&mut good.clone(), "chart_phases", &from_baseline, &|_| ())["id"].clone();
    // A working of their own making, which leads to a line of their own: no working is asked for what the points say.
    let own = |bundle: &mut Value| {
        let centre = |figure: &&mut Value| {
            let nodes = figure["graph"]["nodes"].as_array().unwrap();
            figure["id"] == phase && nodes.last().unwrap()["quantity"] == "centre"
        };
        let figures = bundle["content"]["figures"].as_array_mut().unwrap();
        let graph = &mut figures.iter_mut().find(centre).unwrap()["graph"];
        let nodes = graph["nodes"].as_array_mut().unwrap();
        let total: f64 =
            nodes.iter().filter(|node| !node["fact"].is_null()).map(|node| node["value"].as_f64().unwrap()).sum();
        let last = nodes.last_mut().unwrap();
        assert_eq!(last["op"], "mean");
        (last["op"], last["value"]) = (json!("sum"), json!(total));
        graph["result"]["value"] = json!(total);
        let other = |row: &mut Value| {
            row["centre"] = json!(total);
            for line in LINES {
                row[line] = Value::Null;
            }
        };
        row(bundle, "chart_phases", &from_baseline, &other);
    };
    refused(&|bundle| own(bundle), "the centre line of its points").await;
    // A point of the baseline said to be left out, and a working without it.
    let used = |row: &Value| row["phase_id"] == phase && row["excluded"] == false;
    let out = |row: &mut Value| row["excluded"] = json!(true);
    refused(&|bundle| drop(row(bundle, "chart_baseline_points", &used, &out)), "of its points comes to").await;
    let without = |bundle: &mut Value| {
        bundle["content"]["figures"].as_array_mut().unwrap().retain(|figure| figure["id"] != phase);
    };
    refused(&without, "the bundle does not show how").await;
    let signs = |sign: &Value| sign["entity_id"] == phase;
    let other = |sign: &mut Value| sign["recorded_by"] = json!(uuid::Uuid::nil());
    refused(&|bundle| drop(row(bundle, "sign_offs", &signs, &other)), "in the name of another account").await;
}
