//! Whoever holds database and key can seal anything: what both checkers still refuse, since it contradicts itself, and what they say
//! of things that are in force no longer.

use ferrotitre_check::bundle::{Against, Bundle};
use ferrotitre_check::canonical;
use ferrotitre_check::note::{Checkpoint, Note, SignatureLine, base64};
use ferrotitre_check::proof::of_many;
use ferrotitre_check::sentences::Found;
use ferrotitre_core::merkle::{Hash, leaf_hash, root};
use ferrotitre_tests::bench::text;
use ferrotitre_tests::cluster::shared;
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use super::bundles::{All, all, second};
use super::{brought, log_key};
use crate::lab::{Lab, sign};

const HEADER: &str = "ferrotitre audit event 1\n";

fn content_digest(content: &Value) -> String {
    hex::encode(Sha256::digest(canonical::text(content).as_bytes()))
}

/// The bundle sealed anew, by the log's own key, after somebody changed its content: the events are the whole log, but for leaves
/// that are missing in front of these places.
pub(super) async fn sealed(bundle: &Value, gaps: &[usize]) -> Vec<u8> {
    let content = &bundle["content"];
    let key = &shared().await.seal_key;
    let export = bundle["log"]["export"]["event"].as_str().unwrap();
    let before = export.split("digest").nth(1).unwrap();
    let before: String = before.chars().skip_while(|c| !c.is_ascii_hexdigit()).take(64).collect();
    let export = export.replace(&before, &content_digest(content));
    let (mut leaves, mut places): (Vec<Hash>, Vec<u64>) = (Vec::new(), Vec::new());
    for (at, event) in content["events"].as_array().unwrap().iter().enumerate() {
        if gaps.contains(&at) {
            leaves.push([9; 32]);
        }
        places.push(leaves.len() as u64);
        leaves.push(leaf_hash(event.as_str().unwrap().as_bytes()));
    }
    let last = leaves.len() as u64;
    leaves.push(leaf_hash(export.as_bytes()));
    let wanted: Vec<u64> = places.iter().copied().chain([last]).collect();
    let named = key.named();
    let head = Checkpoint { origin: named.name.clone(), size: leaves.len() as u64, root: root(&leaves) }.text();
    let line = SignatureLine::by(&named, &key.sign(&head));
    let log = json!({
        "checkpoint": Note { text: head, signatures: vec![line] }.print(),
        "export": { "event": export, "leaf": last },
        "key": named.text(),
        "leaves": places,
        "proof": of_many(&leaves, &wanted).unwrap().iter().map(|node| base64(node)).collect::<Vec<_>>(),
        "witnesses": [],
    });
    let bundle = json!({ "content": content, "format": bundle["format"], "log": log });
    canonical::text(&bundle).into_bytes()
}

/// Event and row of an event's text.
pub(super) fn read(event: &Value) -> (Value, Value) {
    let event: Value = serde_json::from_str(event.as_str().unwrap().strip_prefix(HEADER).unwrap()).unwrap();
    let row = event["after_row"].as_str().map(|row| serde_json::from_str(row).unwrap()).unwrap_or_default();
    (event, row)
}

pub(super) fn written(mut event: Value, row: &Value) -> Value {
    event["after_row"] = json!(row.to_string());
    json!(format!("{HEADER}{event}"))
}

pub(super) fn events(bundle: &mut Value) -> &mut Vec<Value> {
    bundle["content"]["events"].as_array_mut().unwrap()
}

/// Place of the last event that this holds of.
pub(super) fn place(bundle: &Value, holds: impl Fn(&Value, &Value) -> bool) -> usize {
    let events = bundle["content"]["events"].as_array().unwrap();
    events
        .iter()
        .rposition(|event| {
            let (event, row) = read(event);
            holds(&event, &row)
        })
        .unwrap()
}

/// Changes a row of a table, the last for which this holds; the row as it is then.
pub(super) fn row(
    bundle: &mut Value,
    table: &str,
    holds: &dyn Fn(&Value) -> bool,
    change: &dyn Fn(&mut Value),
) -> Value {
    let at = place(bundle, |event, row| event["entity_kind"] == table && holds(row));
    let (event, mut row) = read(&events(bundle)[at].clone());
    change(&mut row);
    events(bundle)[at] = written(event, &row);
    row
}

/// A signed determination of the demo.
fn signed(all: &All) -> Value {
    let of = all.taken.iter().filter(|one| one.path.starts_with("/determinations"));
    let says = |found: &Found| {
        let text = found.text();
        text.contains("rounded once, the printed") && text.contains("that the signature stands over are all")
    };
    let one = of.filter(|one| all.accepts(&one.file).is_ok_and(|found| says(&found))).min_by_key(|one| one.file.len());
    serde_json::from_slice(&one.unwrap().file).unwrap()
}

/// Rows that the signature stands over and no number of the working comes from.
fn only_pinned(bundle: &Value) -> String {
    let at = place(bundle, |event, _| event["entity_kind"] == "pins");
    let (_, pins) = read(&bundle["content"]["events"][at]);
    let nodes = bundle["content"]["figures"][0]["graph"]["nodes"].as_array().unwrap();
    let used =
        |id: &&Value| nodes.iter().any(|node| node["fact"]["id"] == **id) || **id == bundle["content"]["subject"];
    let ids = pins["row_ids"].as_array().unwrap();
    let of_equipment = |id: &&Value| {
        let at = place(bundle, |event, _| event["entity_id"] == **id);
        read(&bundle["content"]["events"][at]).0["entity_kind"] == "equipment"
    };
    ids.iter().find(|id| !used(id) && !of_equipment(id)).unwrap().as_str().unwrap().to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_sealed_anew_with_the_key_must_still_agree_with_itself() {
    let all = all().await;
    let good = signed(all);
    let unchanged = sealed(&good, &[]).await;
    let found = all.accepts(&unchanged).unwrap().text();
    assert!(found.contains("NOT SHOWN: that nothing else was recorded of it before"), "{found}");
    let (proved, said) = second(&unchanged, &all.fingerprint);
    assert!(proved, "{said}");
    let refused = async |change: &dyn Fn(&mut Value), gaps: &[usize], says: &str| {
        let mut bundle = good.clone();
        change(&mut bundle);
        let file = sealed(&bundle, gaps).await;
        let why = all.accepts(&file).unwrap_err();
        assert!(why.contains(says), "{says}: {why}");
        let (proved, said) = second(&file, &all.fingerprint);
        assert!(!proved, "{says}: {said}");
        // By what it checks, not by tripping over the file.
        assert!(said.starts_with("not proved: "), "{says}: {said}");
    };
    let graph = good["content"]["figures"][0]["graph"].clone();
    // Step 5.
    refused(&|bundle| bundle["content"]["code"] = json!("DET-9"), &[], "the bundle calls it DET-9").await;
    refused(&|bundle| bundle["content"]["kind"] = json!("chart"), &[], "a bundle of a \"chart\" is not known").await;
    refused(&|bundle| bundle["content"]["kind"] = json!("period"), &[], "neither a subject nor figures").await;
    refused(&|bundle| bundle["content"]["kind"] = json!("titrant"), &[], "none of its events").await;
    let twice = |bundle: &mut Value| {
        let at = place(bundle, |event, _| event["entity_kind"] == "titrations");
        let (mut event, row) = read(&events(bundle)[at].clone());
        event["id"] = json!(uuid::Uuid::now_v7());
        events(bundle).push(written(event, &row));
    };
    refused(&twice, &[], "two events say what titrations").await;
    // Step 6: a reading in the row, another in the working; and a working that does not follow.
    let leaf =
        graph["nodes"].as_array().unwrap().iter().find(|node| node["fact"]["field"] == "final_readings").unwrap();
    let (id, digits) = (leaf["fact"]["id"].as_str().unwrap(), leaf["entered"].as_str().unwrap());
    let reading = |bundle: &mut Value| {
        let at = place(bundle, |event, _| event["entity_id"] == id);
        let text = events(bundle)[at].as_str().unwrap().replace(digits, "39.99");
        events(bundle)[at] = json!(text);
    };
    refused(&reading, &[], "in the working, but final_readings of").await;
    let node = |bundle: &mut Value| {
        let nodes = bundle["content"]["figures"][0]["graph"]["nodes"].as_array_mut().unwrap();
        let last = nodes.len() - 1;
        nodes[last]["value"] = json!(nodes[last]["value"].as_f64().unwrap() * 1.000_001);
    };
    refused(&node, &[], "where the working says").await;
    // Step 7.
    let printed = |field: &'static str, value: Value| {
        move |bundle: &mut Value| bundle["content"]["figures"][0]["printed"][field] = value.clone()
    };
    for field in ["value", "text", "expanded_uncertainty"] {
        refused(&printed(field, json!("1.5")), &[], "does not round to the printed").await;
    }
    refused(&printed("unit", json!("kg/t")), &[], "does not round to the printed").await;
    refused(&printed("below_loq", json!(true)), &[], "does not round to the printed").await;
    // Step 8: a signature in another name, and one over another figure.
    let id = good["content"]["subject"].clone();
    let signature = |change: fn(&mut Value)| {
        let id = id.clone();
        move |bundle: &mut Value| {
            let of = |event: &Value, row: &Value| {
                event["entity_kind"] == "sign_offs" && row["entity_id"] == id && row["evaluation"].is_string()
            };
            let at = place(bundle, of);
            let (event, mut row) = read(&events(bundle)[at].clone());
            change(&mut row);
            events(bundle)[at] = written(event, &row);
        }
    };
    let other_name = signature(|row| row["recorded_by"] = json!(uuid::Uuid::nil()));
    refused(&other_name, &[], "in the name of another account").await;
    let other_u = signature(|row| {
        let mut evaluation: Value = serde_json::from_str(row["evaluation"].as_str().unwrap()).unwrap();
        for figure in evaluation["figures"].as_array_mut().unwrap() {
            figure["u"] = json!(figure["u"].as_f64().unwrap() / 2.0);
        }
        row["evaluation"] = json!(evaluation.to_string());
    });
    refused(&other_u, &[], "not the one that was signed").await;
    let other_text = signature(|row| {
        let mut evaluation: Value = serde_json::from_str(row["evaluation"].as_str().unwrap()).unwrap();
        evaluation["reported"]["expanded_uncertainty"] = json!("0.01");
        row["evaluation"] = json!(evaluation.to_string());
    });
    refused(&other_text, &[], "what is printed is not what was signed").await;
    // Step 9.
    let missing = only_pinned(&good);
    let without = |bundle: &mut Value| events(bundle).retain(|event| read(event).0["entity_id"] != missing.as_str());
    refused(&without, &[], "which is not in the bundle").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_period_with_an_event_left_out_is_refused_though_it_is_sealed() {
    let all = all().await;
    let period = all.taken.iter().find(|one| one.path.starts_with("/exports")).unwrap();
    let period: Value = serde_json::from_slice(&period.file).unwrap();
    let found = all.accepts(&sealed(&period, &[]).await).unwrap().text();
    assert!(found.contains("none was left out") && found.contains("stand before leaf 0 or after leaf"), "{found}");
    let file = sealed(&period, &[5]).await;
    let why = all.accepts(&file).unwrap_err();
    assert!(why.contains("events between the first and the last of the period are missing"), "{why}");
    let (proved, said) = second(&file, &all.fingerprint);
    assert!(!proved && said.contains("a period has gaps"), "{said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_figure_without_a_signature_is_noted_and_not_proved() {
    let all = all().await;
    let mut bundle = signed(all);
    events(&mut bundle).retain(|event| read(event).0["entity_kind"] != "sign_offs");
    let found = all.accepts(&sealed(&bundle, &[]).await).unwrap();
    let proved = found.proved.join("\n");
    assert!(!proved.contains("computed again") && !proved.contains("rounded once"), "{proved}");
    let noted = found.noted.join("\n");
    assert!(noted.contains("no signature stands over this figure") && noted.contains("computed again"), "{noted}");
}

/// The neighbour: a run rejected after its result was approved.
#[tokio::test(flavor = "multi_thread")]
async fn the_bundle_of_a_result_whose_run_was_rejected_says_that_it_is_none_any_longer() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let id = lab.iron2_done(["21.46", "21.48"]).await;
    let path = format!("/determinations/{id}");
    let approved = lab.through(&path).await;
    let key = log_key(&app.nobody).await;
    let bundle = async || {
        let file = app.auditor.get(&format!("{path}/bundle")).await;
        assert_eq!(file.status, 200, "{}", file.text);
        let brought = brought(&key);
        let found = Bundle::check(&file.bytes, &Against { key: &brought, witnesses: &[], needed: 0 }).unwrap().text();
        (found, second(&file.bytes, &key.fingerprint()).1)
    };
    let before = bundle().await;
    assert!(!before.0.contains("NO LONGER IN FORCE") && !before.1.contains("NO LONGER"), "{before:?}");
    let run = format!("/runs/{}", text(&approved, "run"));
    sign(&app.manager, &run, "rejection", Some("the bath control was swapped")).await.expect(201);
    let (said, second) = bundle().await;
    assert!(said.contains("NO LONGER IN FORCE: in the last state this bundle knows it is invalidated"), "{said}");
    assert!(said.contains("the bath control was swapped"), "{said}");
    assert!(said.contains("signed \"these are my observations\""), "{said}");
    assert!(second.contains("NO LONGER IN FORCE: invalidated"), "{second}");
}
