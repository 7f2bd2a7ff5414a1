//! A conclusion stands over the rows it was drawn from, and says what touched them since.

use ferrotitre_tests::bench::text;
use serde_json::{Value, json};

use super::{Study, most, plan, planned};
use crate::lab::{Lab, sign};

#[tokio::test(flavor = "multi_thread")]
async fn what_touches_the_results_behind_its_data_is_said_on_a_conclusion_whose_signatures_hold() {
    let lab = Lab::open().await;
    let mut paths = Vec::new();
    for titres in [["21.46", "21.46"], ["21.48", "21.50"]] {
        let path = format!("/determinations/{}", lab.iron2_done(titres).await);
        let _ = lab.through(&path).await;
        paths.push(path);
    }
    let titrant = lab.titrant.clone();
    let characteristics = [planned("repeatability", "g/L", 2, &json!({}), &[most("rsd_r", "0.6", "%")])];
    let new = plan("VS-1", &lab.iron2, &characteristics);
    let study = lab.app.analyst.post("/validation-studies", &new).await.expect(201);
    let study = Study::approve(lab.app, &study).await;
    let app = &study.app;
    let of = |path: &String| json!({ "determination": path.trim_start_matches("/determinations/"), "labels": {} });
    let _ = study.record(0, &paths.iter().map(of).collect::<Vec<_>>()).await;
    let path = format!("/validation-studies/{}", study.id);
    let answers = app.auditor.get(&format!("{path}/answers")).await.expect(200);
    let conclusion = |digest: &Value| {
        json!({
            "fit": true, "words": "fit for release of baths", "validated_low": "1", "validated_high": "150",
            "unit": "g/L", "matrix": "hydrochloric pickling bath", "limitations": "none known",
            "answers_digest": digest, "password": app.analyst.password,
        })
    };
    let conclusions = format!("{path}/conclusions");
    app.analyst.post(&conclusions, &conclusion(&json!("0".repeat(64)))).await.refused(412, "stale_version");
    let _ = app.analyst.post(&conclusions, &conclusion(&answers["content_digest"])).await.expect(201);
    let signed = study.read().await["conclusions"][0].clone();
    assert!(signed["touched"].is_null(), "{signed}");
    let used = app.auditor.get(&format!("/where-used/{titrant}")).await.expect(200);
    let found = used["items"].as_array().unwrap().iter().find(|one| one["kind"] == "validation_conclusions").unwrap();
    assert_eq!((&found["code"], &found["stands"]), (&json!("VS-1 conclusion 1"), &json!(true)), "{used}");

    sign(&app.manager, &paths[0], "amendment", Some("the bottle was mixed up")).await.expect(201);
    let after = study.read().await["conclusions"][0].clone();
    let touched = after["touched"].to_string();
    assert!(touched.contains("amended: the bottle was mixed up"), "{after}");
    assert_eq!(after["content_digest"], signed["content_digest"]);
    assert_eq!(after["sign_offs"][0]["still_valid"], true, "the answers are as they were signed: {after}");
    let impact = text(&after["touched"][0], "impact");
    let listed = app.auditor.get(&format!("/impacts/{impact}")).await.expect(200);
    assert_eq!(listed["touched"][0]["kind"], "validation_conclusions", "{listed}");
    assert_eq!(listed["touched"][0]["code"], "VS-1 conclusion 1");
    // A manager decides that it stays.
    let decision = json!({ "results": [after["id"]], "reason": "one datum of two, within its repeatability" });
    let decided = app.manager.post(&format!("/impacts/{impact}/decisions"), &decision).await.expect(201);
    assert_eq!(decided["waits"], false, "{decided}");
    // It can still be reviewed over what was signed.
    let reviewed = app.analyst2.sign(&format!("{path}/review"), None).await;
    assert_eq!(reviewed.status, 201, "{}", reviewed.text);
    // A look-back names it and says why it is not evaluated.
    let answer = app.auditor.get(&format!("/what-if?without_titrant={titrant}")).await;
    assert!(answer.text.contains("a new conclusion is needed"), "{}", answer.text);
}
