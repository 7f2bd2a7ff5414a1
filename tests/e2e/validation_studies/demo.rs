//! Event q of the scenario: the demo's validation of M3 against M2 with all characteristics.

use ferrotitre_tests::demo::nobody_and_auditor;
use serde_json::{Value, json};

#[tokio::test(flavor = "multi_thread")]
async fn the_demo_validates_m3_with_all_characteristics_and_says_where_it_fails() {
    let (_, auditor) = nobody_and_auditor().await;

    let list = auditor.get("/validation-studies").await.expect(200);
    let study = &list["items"][0];
    assert_eq!((&study["code"], &study["state"]), (&json!("VS-M3"), &json!("approved")));
    let id = study["id"].as_str().unwrap();
    let answers = auditor.get(&format!("/validation-studies/{id}/answers")).await.expect(200);
    let all = answers["characteristics"].as_array().unwrap();
    let mut kinds: Vec<&str> = all.iter().map(|one| one["kind"].as_str().unwrap()).collect();
    kinds.sort_unstable();
    kinds.dedup();
    assert_eq!(kinds.len(), 13, "every characteristic once");
    for one in all {
        let expected = if one["kind"] == "selectivity" { "does not meet" } else { "meets" };
        assert_eq!(one["verdict"], expected, "{}: {} {}", one["kind"], one["judgements"], one["missing"]);
        let picture = format!("/validation-characteristics/{}/answer.svg", one["characteristic"].as_str().unwrap());
        assert_eq!(auditor.get(&picture).await.status, 200, "{}", one["kind"]);
    }
    let failed = all.iter().find(|one| one["kind"] == "selectivity").unwrap();
    let not_met = |one: &&Value| one["met"] == false;
    let which: Vec<&str> =
        failed["judgements"].as_array().unwrap().iter().filter(not_met).filter_map(|one| one["of"].as_str()).collect();
    assert_eq!(which, ["copper 0.5 g/L"], "{}", failed["judgements"]);
    let comparison = all.iter().find(|one| one["kind"] == "method comparison").unwrap();
    assert_eq!((&comparison["n"], &comparison["excluded_too"]["n"]), (&json!(80), &json!(81)));
    assert!(comparison["flags"].is_array());
    let conclusion = &study["conclusions"][0];
    assert!(conclusion["limitations"].as_str().unwrap().contains("copper"), "{conclusion}");
    assert!(conclusion["sign_offs"].as_array().unwrap().iter().all(|sign| sign["still_valid"] == true), "{conclusion}");
}
