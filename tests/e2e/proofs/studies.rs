//! Validation studies of the demo as bundles: what an auditor is told of a conclusion, and what it cannot be made to rest on.

use serde_json::{Value, json};

use super::bundles::{All, Taken, all, second};
use super::forged::{events, place, read, row, sealed, written};

/// Studies of the demo with a signed conclusion, and what their bundle proves.
fn concluded(all: &All) -> Vec<(&Taken, String)> {
    let studies = all.taken.iter().filter(|one| one.path.starts_with("/validation-studies"));
    let said = studies.map(|one| (one, all.accepts(&one.file).unwrap().text()));
    said.filter(|(_, text)| text.contains("its answers rest on all")).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_conclusion_is_proved_with_the_answers_and_all_data_it_was_signed_over() {
    let all = all().await;
    let studies = concluded(all);
    assert!(!studies.is_empty());
    for (one, text) in &studies {
        println!("{text}");
        let content = serde_json::from_slice::<Value>(&one.file).unwrap()["content"].clone();
        let code = content["code"].as_str().unwrap();
        assert!(text.matches(" as it was signed").count() > 50, "{text}");
        for says in ["conclusion 1: ", "signed \"these are my observations\"", "signed \"fit for release\""] {
            assert!(text.contains(says), "no {says} in {code}: {text}");
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_conclusion_sealed_anew_with_the_key_still_rests_on_what_was_recorded() {
    let all = all().await;
    let study = concluded(all).remove(0).0;
    let good: Value = serde_json::from_slice(&study.file).unwrap();
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
    // A statistic that does not follow, of another name, or from a datum that was left out.
    let figure = |change: fn(&mut Value)| move |bundle: &mut Value| change(&mut bundle["content"]["figures"][0]);
    let renamed = |figure: &mut Value| {
        let nodes = figure["graph"]["nodes"].as_array_mut().unwrap();
        nodes.last_mut().unwrap()["quantity"] = json!("horrat_r");
    };
    refused(&figure(renamed), "which is not what was signed").await;
    let of_another = |bundle: &mut Value| {
        let figures = bundle["content"]["figures"].as_array_mut().unwrap();
        let other = figures.last().unwrap()["id"].clone();
        (figures[0]["id"], figures[0]["graph"]["id"]) = (other.clone(), other);
    };
    refused(&of_another, "is none that counts").await;
    let any = |_: &Value| true;
    // Every word and number of the conclusion is signed.
    for (field, value) in [
        ("words", json!("fit for everything")),
        ("validated_high", json!(1000)),
        ("unit", json!("mg/L")),
        ("matrix", json!("any")),
        ("limitations", json!("none")),
        ("fit", json!(false)),
    ] {
        let other = |row: &mut Value| row[field] = value.clone();
        let change = |bundle: &mut Value| drop(row(bundle, "validation_conclusions", &any, &other));
        refused(&change, "a signature is over something else").await;
    }
    let authored = |sign: &Value| sign["entity_kind"] == "validation_conclusions" && sign["meaning"] == "authored";
    let answers = |sign: &mut Value| {
        sign["evaluation"] = json!(sign["evaluation"].as_str().unwrap().replace("\"meets\"", "\"exceeds\""));
    };
    let change = |bundle: &mut Value| drop(row(bundle, "sign_offs", &authored, &answers));
    refused(&change, "a signature is over something else").await;
    // A datum with another value, one that was never signed for, and one that is gone.
    let value = |row: &mut Value| row["value"] = json!(999.5);
    refused(&|bundle| drop(row(bundle, "validation_data", &any, &value)), "stands otherwise in the answers").await;
    let more = |bundle: &mut Value| {
        let at = place(bundle, |event, _| event["entity_kind"] == "validation_data");
        let (mut event, mut datum) = read(&events(bundle)[at].clone());
        let id = json!(uuid::Uuid::now_v7());
        (event["id"], event["entity_id"], datum["id"]) = (json!(uuid::Uuid::now_v7()), id.clone(), id);
        events(bundle).insert(at + 1, written(event, &datum));
    };
    refused(&more, "is not among the answers").await;
    let less = |bundle: &mut Value| {
        let at = place(bundle, |event, _| event["entity_kind"] == "validation_data");
        events(bundle).remove(at);
    };
    refused(&less, "stands otherwise in the answers").await;
}
