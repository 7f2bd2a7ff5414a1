//! What can be chosen for a certificate, whatever else the laboratory has, and what lists say of it.

use super::*;
use crate::copies::Copies;
use crate::pages::Visitor;
use crate::signed::correct_portion;

/// Results on a certificate: 60 at most, by our own choice.
#[tokio::test(flavor = "multi_thread")]
async fn what_could_not_be_authorised_is_not_drawn_up() {
    let lab = described().await;
    let app = &lab.app;
    let iron2 = lab.iron2_done(["21.46", "21.46"]).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    for last in ["23.16", "23.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    lab.close(&run).await;
    let mut results = Vec::new();
    for turn in 0..59 {
        let new = json!({
            "code": format!("FE3-{turn}"), "total": total, "iron2": iron2, "observed_at": minutes_ago(5),
        });
        results.push(text(&app.analyst.post("/iron-results", &new).await.expect(201), "id"));
    }
    // With the two determinations they are 61: the draft would be kept, and refused when it is authorised.
    let named: Vec<&str> = results.iter().map(String::as_str).collect();
    let problem = app.analyst2.post("/certificates", &facts(&named)).await.refused(422, "invalid_input");
    let said = text(&problem["errors"][0], "message");
    assert!(said.contains("at most 60 results, with the determinations that iron(III) brings along"), "{problem}");
    // 60 are not too many; these are not approved.
    let problem = app.analyst2.post("/certificates", &facts(&named[..58])).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains("not approved"), "{problem}");
}

#[tokio::test(flavor = "multi_thread")]
async fn older_results_stay_among_the_choices_whatever_was_made_since() {
    use crate::specifications::{approved as agreed, assign, at_most, simple};
    let lab = described().await;
    let app = &lab.app;
    let (certified, _) = approved(&lab).await;
    let certificate = issued(&lab, &[&certified]).await;
    let (waiting, _) = approved(&lab).await;
    for (state, purpose) in [("reported", "sample"), ("approved", "control")] {
        Copies { state, purpose, ..Copies::approved(&waiting, 101) }.make(&lab).await;
    }
    let analyst2 = Visitor::of(app.running.address, &app.analyst2);
    let choice = |id: &str| format!("value=\"{id}\"");
    // Controls crowd out no sample, on the form and among what waits.
    let form = analyst2.get("/certificates/new").await.text;
    assert!(form.contains(&choice(&waiting)), "{form}");
    assert!(!form.contains(&choice(&certified)), "it is on a certificate");
    assert!(analyst2.get("/day").await.text.contains(&format!("/determinations/{waiting}")));
    // What is on the certificate is among the choices of the next issue, and of a new draft of it.
    let number = text(&certificate, "number");
    let form = analyst2.get(&format!("/certificates/{number}/amendment")).await.text;
    assert!(form.contains(&choice(&certified)) && form.contains(&choice(&waiting)), "{form}");
    // Of each sample the specifications, however many samples there are.
    Copies { of_own_samples: true, ..Copies::approved(&waiting, 30) }.make(&lab).await;
    let sql = app.sql(ferrotitre_tests::cluster::DatabaseRole::Superuser).await;
    let last = sql.query_one("SELECT max(record_id::text) FROM samples", &[]).await.unwrap();
    let (_, rule) = agreed(app, "/decision-rules", &simple("DR-1")).await;
    let (_, version) = agreed(app, "/specifications", &at_most("SP-1", "150.0", &rule)).await;
    let assigned = assign(app, &last.get::<_, String>(0), &version).await;
    let form = analyst2.get("/certificates/new").await.text;
    assert!(form.contains(&choice(&text(&assigned, "id"))), "{form}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_list_says_which_issue_is_in_force_whatever_became_of_the_next_draft() {
    let lab = described().await;
    let app = &lab.app;
    let (result, _) = approved(&lab).await;
    let first = issued(&lab, &[&result]).await;
    let _ = amended(&lab, &first, &[&result]).await.expect(201);
    let analyst = Visitor::of(app.running.address, &app.analyst);
    let line = async || app.auditor.get("/certificates").await.expect(200)["items"][0].clone();
    let waits = line().await;
    assert_eq!((&waits["state"], &waits["issue"], &waits["current_issue"]), (&json!("draft"), &json!(2), &json!(1)));
    assert!(analyst.get("/certificates").await.text.contains("issue 1 in force; draft of issue 2"));
    // The box for codes shows the issue that is in force, with its own state.
    let beginning = &text(&waits, "number")[..3];
    let found = async || analyst.get(&format!("/find?q={beginning}")).await.text;
    let in_force = async || {
        let page = found().await;
        assert!(page.contains("issue 1, ") && page.contains("issued") && !page.contains("issue 2, "), "{page}");
    };
    in_force().await;
    let why = json!({ "reason": "it was right after all" });
    let _ = app.analyst2.post(&format!("{}/discarding", path(&first)), &why).await.expect(201);
    let discarded = line().await;
    assert_eq!(
        (&discarded["state"], &discarded["current_issue"], &discarded["marked"]),
        (&json!("discarded"), &json!(1), &json!(false))
    );
    in_force().await;
    // What touches the issue in force marks the line.
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    assert_eq!(line().await["marked"], true);
    let page = analyst.get("/certificates").await.text;
    for words in ["issue 1 in force; draft of issue 2 discarded", "a result is affected"] {
        assert!(page.contains(words), "{words}: {page}");
    }
    withdraw_all(&lab, &first).await;
    let gone = line().await;
    assert_eq!((&gone["current_issue"], &gone["marked"]), (&Value::Null, &json!(false)));
}

/// Withdraws the issue in force.
async fn withdraw_all(lab: &Lab, certificate: &Value) {
    withdraw(&lab.app.manager, &path(certificate), "the bottle was of another bath").await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_on_a_draft_does_not_wait_for_a_certificate() {
    let lab = described().await;
    let app = &lab.app;
    let (result, _) = approved(&lab).await;
    let analyst2 = Visitor::of(app.running.address, &app.analyst2);
    let place = format!("/determinations/{result}");
    assert!(analyst2.get("/day").await.text.contains(&place), "it waits");
    let draft = drafted(&lab, &[&result]).await;
    let day = analyst2.get("/day").await.text;
    assert!(!day.contains(&place), "it is on a draft: {day}");
    let why = json!({ "reason": "both baths on one certificate" });
    let _ = app.analyst2.post(&format!("{}/discarding", path(&draft)), &why).await.expect(201);
    assert!(analyst2.get("/day").await.text.contains(&place), "it waits again");
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_was_sent_an_issue_before_it_was_issued() {
    let lab = described().await;
    let (result, _) = approved(&lab).await;
    let certificate = issued(&lab, &[&result]).await;
    let deliveries = format!("{}/deliveries", path(&certificate));
    let sent = |at: String| json!({ "issue": 1, "recipient": "shift manager", "means": "by post", "delivered_at": at });
    let problem = lab.app.analyst2.post(&deliveries, &sent(minutes_ago(3))).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "delivered_at", "{problem}");
    let _ = lab.app.analyst2.post(&deliveries, &sent(minutes_ago(0))).await.expect(201);
}
