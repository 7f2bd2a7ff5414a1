//! What is not certified, and who does not authorise it.

use ferrotitre_tests::bench::days_ahead;

use super::*;
use crate::signed::{amend, correct_portion};

#[tokio::test(flavor = "multi_thread")]
async fn only_an_approved_result_of_a_customers_sample_goes_on_a_certificate() {
    let lab = described().await;
    let app = &lab.app;
    let post = async |results: &[&str]| app.analyst2.post("/certificates", &facts(results)).await;
    let nobody = uuid::Uuid::now_v7().to_string();
    post(&[]).await.refused(422, "invalid_input");
    post(&[&nobody]).await.refused(422, "unknown_reference");
    let submitted = lab.iron2_done(["21.46", "21.48"]).await;
    let of = format!("/determinations/{submitted}");
    for (state, step, who) in [("in progress", "submission", &app.analyst), ("submitted", "review", &app.analyst2)] {
        let problem = post(&[&submitted]).await.refused(409, "state_conflict");
        assert!(text(&problem, "detail").contains(&format!("it is {state}, not approved")), "{problem}");
        sign(who, &of, step, None).await.expect(201);
    }
    // The manager who would issue it all the same is told what it waits for.
    let problem = app.manager.post("/certificates", &facts(&[&submitted])).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains("it is reviewed, not approved"), "{problem}");
    assert_eq!(app.row_counts(&["certificates"]).await, [0]);
    let (result, _) = approved(&lab).await;
    post(&[&result, &result]).await.expect(201);
    let mut first = facts(&[&result]);
    first["what_changed"] = json!("nothing yet");
    app.analyst2.post("/certificates", &first).await.refused(422, "invalid_input");
    let mut strange = facts(&[&result]);
    strange["specifications"] = json!([nobody]);
    let problem = app.analyst2.post("/certificates", &strange).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "specifications", "{problem}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_laboratory_that_has_not_described_itself_issues_nothing() {
    let lab = Lab::open().await;
    let (result, _) = approved(&lab).await;
    let problem = lab.app.analyst2.post("/certificates", &facts(&[&result])).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains("no laboratory details are recorded yet"), "{problem}");
    let mut wrong = identity();
    wrong["status_address"] = json!("harbour street");
    lab.app.manager.post("/laboratory", &wrong).await.refused(422, "invalid_input");
    lab.app.analyst.post("/laboratory", &identity()).await.refused(403, "forbidden");
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_authorises_what_they_drew_up_or_had_a_hand_in() {
    let lab = described().await;
    let app = &lab.app;
    let (result, _) = approved(&lab).await;
    let draft = app.manager2.post("/certificates", &facts(&[&result])).await.expect(201);
    let place = path(&draft);
    authorise(&app.manager2, &place).await.refused(403, "own_record");
    authorise(&app.analyst2, &place).await.refused(403, "forbidden");
    authorise(&app.auditor, &place).await.refused(403, "forbidden");
    let wrong = json!({ "password": "not the password", "content_digest": draft["content_digest"] });
    app.manager.post(&format!("{place}/authorisation"), &wrong).await.refused(403, "secret_wrong");
    // Somebody else drawing it up anew does not wash the first one's hands.
    let revised = json!({ "reason": "the address was wrong", "facts": facts(&[&result]) });
    let anew = app.analyst2.post_if_match(&format!("{place}/drafts"), &text(&draft, "version_id"), &revised).await;
    let anew = anew.expect(201);
    authorise(&app.manager2, &place).await.refused(403, "own_record");
    // 412: the digest of the draft before, and none at all.
    for seen in [json!(draft["issues"][0]["content_digest"]), Value::Null] {
        let unseen = if seen == anew["content_digest"] { json!("0".repeat(64)) } else { seen };
        let signature = json!({ "password": app.manager.password, "content_digest": unseen });
        app.manager.post(&format!("{place}/authorisation"), &signature).await.refused(412, "stale_version");
    }
    app.analyst2
        .post_if_match(&format!("{place}/drafts"), &text(&draft, "version_id"), &revised)
        .await
        .refused(412, "stale_version");
    authorise(&app.manager, &place).await.expect(201);
    authorise(&app.manager, &place).await.refused(409, "state_conflict");

    // An author of the observations who is a manager as well.
    let (result, _) = approved(&lab).await;
    let of = format!("/determinations/{result}");
    amend(&lab, &of, "to be looked at again").await;
    sign(&app.analyst, &of, "submission", None).await.expect(201);
    sign(&app.analyst2, &of, "review", None).await.expect(201);
    sign(&app.manager2, &of, "approval", None).await.expect(201);
    let draft = drafted(&lab, &[&result]).await;
    let problem = authorise(&app.manager, &path(&draft)).await.refused(403, "own_record");
    assert!(text(&problem, "detail").contains("a hand in a result"), "{problem}");
    authorise(&app.manager2, &path(&draft)).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_changed_since_the_draft_is_not_issued() {
    let lab = described().await;
    let app = &lab.app;
    let (result, _) = approved(&lab).await;
    let of = format!("/determinations/{result}");
    let draft = drafted(&lab, &[&result]).await;
    let place = path(&draft);
    // A mark that nobody has decided on.
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let problem = authorise(&app.manager2, &place).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains("test portion corrected"), "{problem}");
    let impacts = app.auditor.get("/impacts").await.expect(200);
    let decision = json!({ "results": [result], "reason": "the volume differs by less than its uncertainty" });
    let decisions = format!("/impacts/{}/decisions", text(&impacts["items"][0], "id"));
    let _ = app.manager.post(&decisions, &decision).await.expect(201);
    // The laboratory moved meanwhile.
    let present = app.auditor.get("/laboratory").await.expect(200)["versions"][0].clone();
    let mut moved = identity();
    moved["address"] = json!("1 Market Square, Portmere");
    let correction = json!({ "reason": "the laboratory moved house", "facts": moved });
    let _ = app
        .manager
        .post_if_match("/laboratory/corrections", &text(&present, "version_id"), &correction)
        .await
        .expect(201);
    let problem = authorise(&app.manager2, &place).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains("redraft it"), "{problem}");
    let revised = json!({ "reason": "the laboratory moved", "facts": facts(&[&result]) });
    let drafts = format!("{place}/drafts");
    let _ = app.analyst2.post_if_match(&drafts, &text(&draft, "version_id"), &revised).await.expect(201);
    // The result is amended.
    amend(&lab, &of, "to be looked at again").await;
    let problem = authorise(&app.manager2, &place).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains("it is amended, not approved"), "{problem}");
    assert_eq!(app.row_counts(&["certificate_papers"]).await, [0]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_result_stands_on_one_certificate_at_a_time() {
    let lab = described().await;
    let app = &lab.app;
    let (result, _) = approved(&lab).await;
    let first = drafted(&lab, &[&result]).await;
    let second = drafted(&lab, &[&result]).await;
    authorise(&app.manager2, &path(&first)).await.expect(201);
    let problem = authorise(&app.manager2, &path(&second)).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains(&text(&first, "number")), "{problem}");
    app.analyst2.post("/certificates", &facts(&[&result])).await.refused(409, "state_conflict");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_difference_over_earlier_signatures_of_its_parts_is_not_certified() {
    let lab = described().await;
    let app = &lab.app;
    let [iron3, _, iron2] = difference(&lab).await;
    let of = format!("/determinations/{iron2}");
    amend(&lab, &of, "to be looked at again").await;
    sign(&app.analyst, &of, "submission", None).await.expect(201);
    sign(&app.analyst2, &of, "review", None).await.expect(201);
    sign(&app.manager2, &of, "approval", None).await.expect(201);
    let impacts = app.auditor.get("/impacts").await.expect(200);
    let decision = json!({ "results": [iron3], "reason": "the figure came out the same" });
    let decisions = format!("/impacts/{}/decisions", text(&impacts["items"][0], "id"));
    let _ = app.manager.post(&decisions, &decision).await.expect(201);
    let problem = app.analyst2.post("/certificates", &facts(&[&iron3])).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains("was signed anew since: amend the difference, too"), "{problem}");
}

#[tokio::test(flavor = "multi_thread")]
async fn who_was_sent_it_is_recorded_of_issues_that_went_out_and_not_ahead_of_time() {
    let lab = described().await;
    let app = &lab.app;
    let (result, _) = approved(&lab).await;
    let draft = drafted(&lab, &[&result]).await;
    let place = path(&draft);
    let sent = |issue: i64, at: Value| json!({ "issue": issue, "recipient": "shift manager", "means": "by post", "delivered_at": at });
    let deliveries = format!("{place}/deliveries");
    app.analyst2.post(&deliveries, &sent(1, json!(minutes_ago(1)))).await.refused(422, "invalid_input");
    app.auditor.get(&format!("{place}/issues/1/certificate.pdf")).await.refused(404, "not_found");
    let preview = app.auditor.get(&format!("{place}/draft.pdf")).await;
    let words = ferrotitre_tests::pdf::read(&preview.bytes).await.text;
    assert!(words.contains("Draft. This is not a certificate: nobody has authorised it."), "{words}");
    authorise(&app.manager2, &place).await.expect(201);
    app.auditor.get(&format!("{place}/draft.pdf")).await.refused(404, "not_found");
    app.analyst2.post(&deliveries, &sent(1, json!(days_ahead(1)))).await.refused(422, "invalid_input");
    app.analyst2.post(&deliveries, &sent(2, json!(minutes_ago(1)))).await.refused(422, "invalid_input");
    let _ = app.analyst2.post(&deliveries, &sent(1, json!(minutes_ago(0)))).await.expect(201);
}
