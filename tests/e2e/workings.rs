//! Every working of the demo, in the open form, computed again by a program that knows only the page about that form.

use std::path::PathBuf;
use std::process::Command;

use ferrotitre_tests::{Client, demo};
use serde_json::Value;

fn text<'a>(value: &'a Value, field: &str) -> &'a str {
    value[field].as_str().unwrap_or_default()
}

/// All items of a list, page after page.
async fn all(auditor: &Client, list: &str) -> Vec<Value> {
    let mut items = Vec::new();
    let mut from = String::new();
    loop {
        let page = auditor.get(&format!("{list}?limit=200{from}")).await.expect(200);
        items.extend(page["items"].as_array().unwrap().iter().cloned());
        match page["next"].as_str() {
            Some(next) => from = format!("&after={next}"),
            None => return items,
        }
    }
}

/// The graph of a working; none where there is not enough data for one.
async fn graph(auditor: &Client, path: &str) -> Option<Value> {
    let answer = auditor.get(&format!("{path}/working?as=json")).await;
    if answer.status != 200 {
        assert!(answer.text.contains("not_enough_data"), "{path}: {}", answer.text);
        return None;
    }
    Some(serde_json::from_str(&answer.text).unwrap())
}

#[track_caller]
fn same(found: &Value, expected: &Value, what: &str) {
    assert_eq!(found.as_f64(), expected.as_f64(), "{what}");
}

/// The result of the graph is the figure of the evaluation, to the last bit.
fn is_the_figure(graph: &Value, evaluation: &Value) {
    let result = &graph["result"];
    if evaluation["u_if_independent"].is_number() {
        same(&result["value"], &evaluation["value"], "iron(III)");
        same(&result["u"], &evaluation["u"], "u of iron(III)");
        return;
    }
    let reported = &evaluation["reported"];
    let of_unit = |figure: &&Value| figure["unit"] == reported["unit"] && figure["value"] == result["value"];
    let figure = evaluation["figures"].as_array().unwrap().iter().find(of_unit);
    same(&result["u"], &figure.unwrap_or_else(|| panic!("{result} is no figure"))["u"], "u of a determination");
}

#[tokio::test(flavor = "multi_thread")]
async fn every_working_of_the_demo_is_computed_again_from_its_graph() {
    let (_, auditor) = demo::nobody_and_auditor().await;
    let mut graphs = Vec::new();
    for (list, least) in [("/determinations", 10), ("/iron-results", 1)] {
        let before = graphs.len();
        for item in all(&auditor, list).await {
            let path = format!("{list}/{}", text(&item, "id"));
            if let Some(graph) = graph(&auditor, &path).await {
                let view = auditor.get(&path).await.expect(200);
                is_the_figure(&graph, &view["evaluation"]);
                graphs.push(graph);
            }
        }
        assert!(graphs.len() >= before + least, "{list}: {}", graphs.len() - before);
    }
    let (mut preparations, mut standardisations) = (0, 0);
    for titrant in all(&auditor, "/titrants").await {
        let path = format!("/titrants/{}", text(&titrant, "id"));
        let detail = auditor.get(&path).await.expect(200);
        // The working is that of the present version of each.
        let versions = detail["preparations"].as_array().unwrap();
        let corrected = |one: &Value| versions.iter().any(|other| other["supersedes"] == one["version_id"]);
        for preparation in versions.iter().filter(|one| !corrected(one)) {
            let evaluated = &preparation["evaluation"];
            let path = format!("/preparations/{}", text(preparation, "id"));
            let Some(graph) = graph(&auditor, &path).await else { continue };
            same(&graph["result"]["value"], &evaluated["concentration"], "concentration");
            same(&graph["result"]["u"], &evaluated["u"], "u of a concentration");
            graphs.push(graph);
            preparations += 1;
        }
        for standardisation in auditor.get(&format!("{path}/standardisations")).await.expect(200).as_array().unwrap() {
            let evaluated = &standardisation["concentration"];
            let path = format!("/standardisations/{}", text(standardisation, "id"));
            let Some(graph) = graph(&auditor, &path).await else { continue };
            same(&graph["result"]["value"], &evaluated["concentration"], "concentration");
            same(&graph["result"]["u"], &evaluated["u"], "u of a concentration");
            graphs.push(graph);
            standardisations += 1;
        }
    }
    assert!(preparations > 0 && standardisations > 0, "{preparations}, {standardisations}");

    let file = std::env::temp_dir().join(format!("ferrotitre-workings-{}.jsonl", std::process::id()));
    let lines: String = graphs.iter().map(|graph| format!("{graph}\n")).collect();
    std::fs::write(&file, lines).unwrap();
    let reader: PathBuf = [env!("CARGO_MANIFEST_DIR"), "oracle", "workings.py"].iter().collect();
    let read = Command::new("python3").arg(reader).arg(&file).output().unwrap();
    std::fs::remove_file(&file).unwrap();
    let (said, complained) = (String::from_utf8_lossy(&read.stdout), String::from_utf8_lossy(&read.stderr));
    assert!(read.status.success(), "{said}{complained}");
    println!("{said}");
    let counted = |kind: &str| said.lines().any(|line| line.starts_with(kind));
    assert!(["determination ", "iron_result ", "preparation ", "standardisation "].iter().all(|kind| counted(kind)));
}
