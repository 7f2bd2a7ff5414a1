//! The lists that an auditor asks for: each row says what, by whom, why and who approved, and leads to the event that proves it.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{days_ahead, minutes_ago, text};
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};

use super::{list, proved};
use crate::control::Control;
use crate::lab::{Lab, sign};
use crate::signed::{approved, begun, correct_portion};

#[tokio::test(flavor = "multi_thread")]
async fn a_rejected_titre_and_a_rejected_blank_are_exclusions_with_cause_and_approval() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let run = lab.run(&lab.iron2).await;
    let determination = begun(&lab, &run).await;
    let view = lab.titrate(&determination, &lab.titration("accurate", "22.90", None)).await;
    let titration = text(view["titrations"].as_array().unwrap().last().unwrap(), "id");
    let rejection = json!({ "cause": "air bubble", "reason": "seen in the tip of the burette" });
    let _ = app.analyst.post(&format!("/titrations/{titration}/rejection"), &rejection).await.expect(201);
    let rows = list(&app.auditor, "exclusions").await;
    assert_eq!(rows.len(), 1, "{rows:?}");
    let row = &rows[0];
    let code = text(&app.auditor.get(&format!("/determinations/{determination}")).await.expect(200), "code");
    assert_eq!(row["record"]["name"], json!(format!("{code}, titration 3")));
    assert_eq!(row["record"]["page"], json!(format!("/determinations/{determination}")));
    assert_eq!(
        (&row["what"], &row["cause"], &row["by"]),
        (&json!("rejected"), &json!("air bubble"), &json!("analyst-1"))
    );
    assert_eq!(row["evidence"], "seen in the tip of the burette");
    assert!(row["decision"].is_null(), "nobody has approved what was made without it yet");
    proved(&app.auditor, row).await;
    lab.close(&run).await;
    lab.through(&format!("/determinations/{determination}")).await;
    let row = list(&app.manager, "exclusions").await.remove(0);
    assert_eq!((&row["decision"], &row["decided_by"]), (&json!("approved"), &json!("manager-1")));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_correction_after_the_signature_names_the_results_and_what_was_decided() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, view) = approved(&lab).await;
    assert!(list(&app.auditor, "corrections-after-signature").await.is_empty());
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let rows = list(&app.auditor, "corrections-after-signature").await;
    assert_eq!(rows.len(), 1, "{rows:?}");
    let row = &rows[0];
    assert!(text(row, "what").contains("the other pipette was used"), "{row}");
    assert_eq!((&row["results_touched"], &row["by"]), (&json!(1), &json!("analyst-1")));
    assert_eq!(row["results"][0]["name"], view["code"]);
    assert!(row["decision"].is_null());
    proved(&app.auditor, row).await;
    // An amendment is one, too, and the newest comes first.
    sign(&app.manager, &path, "amendment", Some("the portion was corrected")).await.expect(201);
    let rows = list(&app.auditor, "corrections-after-signature").await;
    assert_eq!(rows[0]["what"], "amended", "{rows:?}");
    assert_eq!(rows[0]["record"]["name"], view["code"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_result_of_a_run_without_a_control_that_passed_is_listed_with_its_concession() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let determination = lab.iron2_done(["21.46", "21.48"]).await;
    let path = format!("/determinations/{determination}");
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    sign(&app.analyst2, &path, "review", None).await.expect(201);
    let ask = json!({
        "item_kind": "determinations", "item": determination, "reason": "the control bottle broke; duplicate agrees",
        "valid_from": minutes_ago(5), "valid_to": days_ahead(1),
    });
    let concession = text(&app.analyst.post("/concessions", &ask).await.expect(201), "id");
    for manager in [&app.manager, &app.manager2] {
        let _ = manager.sign(&format!("/concessions/{concession}/signatures"), None).await.expect(201);
    }
    let approved = sign(&app.manager, &path, "approval", None).await.expect(201);
    let rows = list(&app.auditor, "released-while-out").await;
    assert_eq!(rows.len(), 1, "{rows:?}");
    let row = &rows[0];
    assert_eq!((&row["record"]["name"], &row["by"]), (&approved["code"], &json!("manager-1")));
    assert!(text(row, "what").ends_with("had no control value that passed"), "{row}");
    assert_eq!(row["concession"]["page"], json!(format!("/concessions/{concession}")));
    assert!(text(row, "evidence").starts_with("the control bottle broke"), "{row}");
    proved(&app.auditor, row).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_result_approved_while_a_chart_of_its_method_is_out_says_which_point() {
    let control = Control::open().await;
    let chart = control.chart("X-BATH", &json!({})).await;
    control.target(&chart, 20.0).await;
    let app = control.app();
    let _ = control.plan(&[&chart]).await;
    // A result of a run in control waits for its approval while the control of the next run is far out.
    let good = control.run(None).await;
    let _ = control.control(&good, &control.titre(118.0).await).await;
    let path = format!("/determinations/{}", begun(&control.lab, &good).await);
    assert_eq!(control.close(&good).await["quality"]["verdict"], "in control");
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    sign(&app.analyst2, &path, "review", None).await.expect(201);
    sign(&app.manager2, &format!("/runs/{good}"), "release", None).await.expect(201);
    let bad = control.run(None).await;
    let _ = control.control(&bad, &control.titre(126.0).await).await;
    assert_eq!(control.close(&bad).await["quality"]["verdict"], "out of control");
    let view = sign(&app.manager, &path, "approval", None).await.expect(201);
    let rows = list(&app.auditor, "released-while-out").await;
    assert_eq!(rows.len(), 1, "{rows:?}");
    assert_eq!(rows[0]["record"]["name"], view["code"]);
    assert_eq!(rows[0]["what"], "chart X-BATH was out of control at point 2");
    assert!(rows[0]["concession"].is_null(), "{rows:?}");
    // A result of the same method that is approved in control again is none; the row stays whatever becomes of the value.
    let again = control.run(None).await;
    let _ = control.control(&again, &control.titre(118.0).await).await;
    let next = format!("/determinations/{}", begun(&control.lab, &again).await);
    let _ = control.close(&again).await;
    control.lab.through(&next).await;
    let value = text(&control.points(&chart, "").await[1], "id");
    let cause = json!({ "to": "invalid-with-cause", "reason": "the wrong bottle was titrated", "cause": "misread" });
    let disposed = app.manager.post(&format!("/control-values/{value}/dispositions"), &cause).await;
    assert_eq!(disposed.status, 201, "{}", disposed.text);
    assert_eq!(list(&app.auditor, "released-while-out").await, rows);
    let left_out = list(&app.auditor, "exclusions").await;
    assert_eq!(left_out[0]["record"]["name"], "X-BATH, point 2", "{left_out:?}");
}

/// A plan that rests on blanks and duplicates alone asks for no control: its results are not listed.
#[tokio::test(flavor = "multi_thread")]
async fn a_run_whose_plan_asks_for_no_control_lacks_none() {
    let lab = Lab::open().await;
    let determination = lab.iron2_done(["21.46", "21.48"]).await;
    lab.through(&format!("/determinations/{determination}")).await;
    assert_eq!(list(&lab.app.auditor, "released-while-out").await, Vec::<Value>::new());
}

async fn sign_ins(app: &TestApp, query: &str) -> Vec<Value> {
    let page = app.auditor.get(&format!("/audit-lists/sign-ins?limit=200{query}")).await.expect(200);
    page["items"].as_array().unwrap().clone()
}

#[tokio::test(flavor = "multi_thread")]
async fn sign_ins_refused_unknown_and_ended_are_on_record_with_the_address() {
    let app = TestApp::start().await;
    app.nobody.sign_in("analyst-1", "not the password").await.refused(401, "bad_credentials");
    app.nobody.sign_in("analyst-9", "some password or other").await.refused(401, "bad_credentials");
    // A passphrase in the wrong field is on record as a try, and not kept.
    app.nobody.sign_in("kettle-orbit-fern-lantern", "analyst-1").await.refused(401, "bad_credentials");
    let token = ferrotitre_tests::app::sign_in(&app.nobody, "analyst-2", &app.analyst2.password).await;
    let session = app.nobody.with_token(&token);
    assert_eq!(session.delete("/sessions/current").await.status, 204);
    let rows = sign_ins(&app, "").await;
    let said: Vec<(String, String)> =
        rows.iter().take(5).map(|row| (text(row, "what"), text(&row["record"], "name"))).collect();
    let expected = [
        ("session ended: signed out", "analyst-2 (analyst-2)"),
        ("signed in", "analyst-2 (analyst-2)"),
        ("refused: unknown name", "a name that is not kept"),
        ("refused: unknown name", "analyst-9"),
        ("refused: wrong password, or the account was not active", "analyst-1 (analyst-1)"),
    ];
    let expected: Vec<(String, String)> =
        expected.iter().map(|(what, name)| ((*what).to_owned(), (*name).to_owned())).collect();
    assert_eq!(said, expected);
    for row in rows.iter().take(5) {
        assert_eq!(row["source_address"], "127.0.0.1", "{row}");
        assert_eq!(proved(&app.auditor, row).await["leaf_hash"].as_str().unwrap().len(), 64);
    }
    assert!(!serde_json::to_string(&rows).unwrap().contains("lantern"));
    let sql = app.sql(DatabaseRole::Superuser).await;
    let kept = "SELECT count(*) FROM audit_events WHERE after_row LIKE '%lantern%'";
    assert_eq!(sql.query_one(kept, &[]).await.unwrap().get::<_, i64>(0), 0);
    // By account and by address.
    let own = sign_ins(&app, "&account=analyst-2").await;
    assert!(own.iter().all(|row| row["record"]["name"] == "analyst-2 (analyst-2)") && own.len() >= 2);
    assert_eq!(
        sign_ins(&app, "&address=127.0.0.1").await.len(),
        rows.iter().filter(|r| r["source_address"] == "127.0.0.1").count()
    );
    assert!(sign_ins(&app, "&address=192.0.2.7").await.is_empty());
    let refused = list(&app.manager, "refused-sign-ins").await;
    assert!(refused.iter().take(3).all(|row| text(row, "what").starts_with("refused")), "{refused:?}");
    assert!(refused.iter().all(|row| row["what"] != "signed in"));
    let problem = app.auditor.get("/audit-lists/exclusions?account=analyst-1").await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "account");
    app.auditor.get("/audit-lists/everything").await.refused(404, "not_found");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_list_goes_by_days_and_pages_and_out_as_a_file_that_is_on_record() {
    let app = TestApp::start().await;
    for number in 0..5 {
        app.nobody.sign_in(&format!("stranger-{number}"), "some password").await.refused(401, "bad_credentials");
    }
    let all = list(&app.auditor, "refused-sign-ins").await;
    let mut paged = Vec::new();
    let mut after = String::new();
    loop {
        let page = app.auditor.get(&format!("/audit-lists/refused-sign-ins?limit=2{after}")).await.expect(200);
        paged.extend(page["items"].as_array().unwrap().clone());
        let Some(next) = page["next"].as_str() else { break };
        after = format!("&after={next}");
    }
    assert_eq!(paged, all);
    let at = text(&all[1], "recorded_at");
    let until = app.auditor.get(&format!("/audit-lists/refused-sign-ins?limit=200&until={at}")).await.expect(200);
    assert_eq!(until["items"].as_array().unwrap()[..], all[2..]);
    let from = app.auditor.get(&format!("/audit-lists/refused-sign-ins?from={at}")).await.expect(200);
    assert_eq!(from["items"].as_array().unwrap()[..], all[..2]);
    let json_file = app.manager.get("/exports/audit-lists/refused-sign-ins").await;
    assert_eq!(json_file.header("x-content-rows"), all.len().to_string(), "{}", json_file.text);
    let csv = app.auditor.get("/exports/audit-lists/refused-sign-ins?format=csv").await;
    let lines: Vec<&str> = csv.text.lines().collect();
    assert_eq!(lines.len(), all.len() + 1);
    assert!(lines[1].contains(",stranger-4,refused: unknown name,"), "{}", lines[1]);
    let workbook = app.auditor.get("/exports/audit-lists/refused-sign-ins?format=xlsx").await;
    for file in [&csv, &workbook] {
        assert_eq!(file.header("x-content-sha256"), json_file.header("x-content-sha256"));
    }
    let exports = app.auditor.get("/exports").await.expect(200);
    assert!(exports.as_array().unwrap().iter().any(|one| one["what"] == "audit list"), "{exports}");
    app.analyst.get("/exports/audit-lists/exclusions").await.refused(403, "forbidden");
    app.administrator.get("/exports/audit-lists/exclusions").await.refused(403, "forbidden");
    app.auditor.get("/exports/audit-lists/nothing").await.refused(404, "not_found");
}
