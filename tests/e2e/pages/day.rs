//! The day: what somebody can do now, and of everything else what it waits for and who can do that.

use ferrotitre_tests::bench::{dichromate_standard, text};
use ferrotitre_tests::client::Client;
use serde_json::json;

use super::Visitor;
use crate::lab::{Lab, sign};

/// A section of a page by its id; nothing if the page has none.
fn section<'a>(page: &'a str, id: &str) -> &'a str {
    let (_, rest) = page.split_once(&format!("<section id=\"{id}\"")).unwrap_or_default();
    rest.split("</section>").next().unwrap_or_default()
}

/// The line of a section that names a thing.
fn line<'a>(page: &'a str, id: &str, thing: &str) -> &'a str {
    section(page, id).split("<tr>").find(|line| line.contains(thing)).unwrap_or_default()
}

async fn day(lab: &Lab, who: &Client) -> String {
    let page = Visitor::of(lab.app.running.address, who).get("/day").await;
    assert_eq!(page.status, 200, "{}", page.text);
    page.text
}

#[tokio::test(flavor = "multi_thread")]
async fn the_day_lists_what_one_can_do_and_says_of_the_rest_what_it_waits_for_and_who_can_do_it() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let id = lab.iron2_done(["21.46", "21.48"]).await;
    let (path, place) = (format!("/determinations/{id}"), format!("/determinations/{id}\""));
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    // Its author cannot review it, somebody else can, an auditor can do nothing.
    let author = day(&lab, &app.analyst).await;
    assert_eq!(line(&author, "review", &place), "");
    let waits = line(&author, "others", &place);
    assert!(waits.contains("its review") && waits.contains("an analyst authorised for M1, who had no hand"), "{waits}");
    assert_ne!(line(&day(&lab, &app.analyst2).await, "review", &place), "");
    let auditor = day(&lab, &app.auditor).await;
    assert_eq!((section(&auditor, "review"), section(&auditor, "closed")), ("", ""));
    assert!(line(&auditor, "others", &place).contains("its review"), "{auditor}");

    sign(&app.analyst2, &path, "review", None).await.expect(201);
    let early = day(&lab, &app.manager).await;
    assert_eq!(line(&early, "approve", &place), "");
    let waits = line(&early, "others", &place);
    assert!(waits.contains("waits for its release") && waits.contains("did not open the run"), "{waits}");
    let run = app.auditor.get(&path).await.expect(200)["run"].as_str().unwrap().to_owned();
    assert_ne!(line(&early, "closed", &format!("/runs/{run}\"")), "");
    lab.release_run_of(&path).await;
    assert_ne!(line(&day(&lab, &app.manager).await, "approve", &place), "");
    let reviewer = day(&lab, &app.analyst2).await;
    assert!(line(&reviewer, "others", &place).contains("a manager who had no hand in it"), "{reviewer}");

    // An account whose password somebody else set waits for a manager.
    let set = app.administrator.post(&format!("/accounts/{}/provisional-password", app.analyst2.id), &json!({})).await;
    let _ = set.expect(201);
    let account = format!("/accounts/{}\"", app.analyst2.id);
    assert_ne!(line(&day(&lab, &app.manager).await, "identities", &account), "");
    // An analyst reads that it waits, without a link to a page that is not theirs to open.
    let colleague = day(&lab, &app.analyst).await;
    assert!(line(&colleague, "others", "analyst-2").contains("a manager who did not set"), "{colleague}");
    assert!(!colleague.contains(&account), "{colleague}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_draft_and_a_lot_wait_for_a_manager_who_can_decide_on_them() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let facts = json!({
        "code": "M9", "title": "iron(II) in effluents", "principle": "titration with dichromate", "analyte": "iron(II)",
        "matrix": "effluent", "chemistry": "dichromate", "reduction": "none", "indicator": "diphenylamine sulfonate",
        "rules": crate::lab::rules(), "mercury_reason": null,
    });
    let method = text(&app.manager.post("/methods", &facts).await.expect(201), "id");
    let lot = app.analyst.post("/primary-standards", &dichromate_standard("PS-9")).await.expect(201);
    let (method, lot) = (format!("/methods/{method}\""), format!("/stock/standards/{}\"", text(&lot, "id")));
    let author = day(&lab, &app.manager).await;
    assert_eq!(line(&author, "received", &method), "", "nobody approves their own draft");
    assert!(line(&author, "others", &method).contains("a manager who is not its author"), "{author}");
    assert_ne!(line(&author, "received", &lot), "");
    let other = day(&lab, &app.manager2).await;
    assert_ne!(line(&other, "received", &method), "");
    let analyst = day(&lab, &app.analyst).await;
    assert_eq!(section(&analyst, "received"), "");
    assert!(line(&analyst, "others", &lot).contains("a decision"), "{analyst}");
}
