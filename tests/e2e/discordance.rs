//! Titres that disagree without a cause: said everywhere, and approved only under somebody else's reasoned decision.

use ferrotitre_tests::bench::text;
use serde_json::{Value, json};

use crate::lab::{Lab, sign};

/// The titres of the case, with the run closed and the determination submitted by its author.
async fn discordant(lab: &Lab) -> (String, Value) {
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    for last in ["21.46", "21.46", "30.46", "40.46"] {
        lab.titrate(&determination, &lab.titration("accurate", last, None)).await;
    }
    lab.close(&run).await;
    let path = format!("/determinations/{determination}");
    let submitted = sign(&lab.app.analyst, &path, "submission", None).await.expect(201);
    (path, submitted)
}

/// s = 9.0554 mL; Student's factor 3.1824 / 1.95996 (any table), sqrt(pi / 2) for the median: u = 9.2138 mL, and 5.5845 g/L for
/// each mL of 1/60 mol/L dichromate at this dilution: U = 102.9 g/L, the lot and the glass adding 0.05 g/L at most.
#[tokio::test(flavor = "multi_thread")]
async fn a_discordant_result_is_called_so_everywhere_and_approved_only_under_a_decision() {
    let lab = Lab::open().await;
    let (path, submitted) = discordant(&lab).await;
    assert_eq!(submitted["evaluation"]["outcome"], "discordant");
    let expanded: f64 = text(&submitted["evaluation"]["reported"], "expanded_uncertainty").parse().unwrap();
    assert!((100.0..106.0).contains(&expanded), "{expanded}");
    let flags = submitted["flags"].to_string();
    assert!(flags.contains("discordant") && flags.contains("nobody has decided"), "{flags}");
    let listed = lab.app.auditor.get("/determinations").await.expect(200);
    assert_eq!(listed["items"][0]["outcome"], "discordant");
    let working = lab.app.auditor.get(&format!("{path}/working")).await.text;
    assert!(working.contains("discordant: 4 titres disagree") && working.contains("t_95"), "{working}");

    sign(&lab.app.analyst2, &path, "review", None).await.expect(201);
    lab.release_run_of(&path).await;
    // Two people have looked at it, and still nobody has said why such a figure may leave the house.
    sign(&lab.app.manager, &path, "approval", None).await.refused(422, "rule_broken");
    // Not its author, not without a reason, not by an auditor, not over another content.
    sign(&lab.app.analyst, &path, "discordance-decision", Some("it is fine")).await.refused(403, "own_record");
    sign(&lab.app.manager2, &path, "discordance-decision", None).await.refused(422, "invalid_input");
    sign(&lab.app.auditor, &path, "discordance-decision", Some("it is fine")).await.refused(403, "forbidden");
    let blind = json!({ "password": lab.app.manager2.password, "reason": "the client asked for any figure at all" });
    lab.app.manager2.post(&format!("{path}/discordance-decision"), &blind).await.refused(412, "stale_version");
    let reason = "the sample separates; the client asked for an order of magnitude only";
    let decided = sign(&lab.app.manager2, &path, "discordance-decision", Some(reason)).await.expect(201);
    assert_eq!(decided["discordance_decided"], true);
    let flags = decided["flags"].to_string();
    assert!(flags.contains(reason) && flags.contains("decided on"), "{flags}");
    let approved = sign(&lab.app.manager, &path, "approval", None).await.expect(201);
    assert_eq!(approved["state"], "approved");
    let signed = approved["sign_offs"].as_array().unwrap();
    let decision = signed.iter().find(|sign| sign["meaning"] == "decided").unwrap();
    assert_eq!((&decision["reason"], &decision["still_valid"]), (&json!(reason), &json!(true)));
    let events = lab.app.auditor.get(&format!("/audit-events?entity_id={}", text(decision, "id"))).await.expect(200);
    assert!(events.to_string().contains("sign_offs"), "{events}");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_working_of_iron_iii_says_which_of_the_two_is_discordant() {
    let lab = Lab::open().await;
    let (path, _) = discordant(&lab).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    for last in ["33.16", "33.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    let new = json!({
        "code": "FE3-1", "total": total, "iron2": path.trim_start_matches("/determinations/"),
        "observed_at": ferrotitre_tests::bench::minutes_ago(5),
    });
    let result = text(&lab.app.analyst.post("/iron-results", &new).await.expect(201), "id");
    let working = lab.app.auditor.get(&format!("/iron-results/{result}/working")).await.text;
    let foot = working.rsplit_once("discordant: ").map(|(_, foot)| foot.to_owned()).unwrap_or_default();
    assert!(foot.starts_with("iron(II): 4 titres disagree") && !foot.contains("total iron:"), "{working}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_decision_is_of_the_titres_it_was_made_on_and_concordant_ones_need_none() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    for last in ["21.46", "21.48"] {
        lab.titrate(&determination, &lab.titration("accurate", last, None)).await;
    }
    lab.close(&run).await;
    let path = format!("/determinations/{determination}");
    let submitted = sign(&lab.app.analyst, &path, "submission", None).await.expect(201);
    assert_eq!(submitted["evaluation"]["outcome"], "concordant");
    sign(&lab.app.manager2, &path, "discordance-decision", Some("nothing to decide"))
        .await
        .refused(409, "state_conflict");

    let (path, submitted) = discordant(&lab).await;
    let reason = Some("the sample separates; an order of magnitude is asked for");
    sign(&lab.app.manager2, &path, "discordance-decision", reason).await.expect(201);
    // Returned and corrected: what was decided on the titres before does not hold for those after.
    sign(&lab.app.analyst2, &path, "return", Some("read the sheet again")).await.expect(201);
    let titration = submitted["titrations"].as_array().unwrap().last().unwrap().clone();
    let mut facts = lab.titration("accurate", "40.48", None);
    facts["observed_at"] = titration["observed_at"].clone();
    let correction = json!({ "reason": "the sheet says 40.48", "facts": facts });
    let corrections = format!("/titrations/{}/corrections", text(&titration, "id"));
    let version = text(&titration, "version_id");
    lab.app.analyst.post_if_match(&corrections, &version, &correction).await.expect(201);
    let again = sign(&lab.app.analyst, &path, "submission", None).await.expect(201);
    assert_eq!(again["discordance_decided"], false);
    sign(&lab.app.analyst2, &path, "review", None).await.expect(201);
    lab.release_run_of(&path).await;
    sign(&lab.app.manager, &path, "approval", None).await.refused(422, "rule_broken");
}
