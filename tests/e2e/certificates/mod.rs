//! Certificates of analysis: ISO/IEC 17025:2017, 7.8 (what they say, who authorises them, how they are amended and withdrawn).
//! Clauses are quoted from memory.

mod choices;
mod life;
mod marks;
pub(crate) mod paper;
mod races;
mod refused;

use ferrotitre_tests::Answer;
use ferrotitre_tests::bench::{minutes_ago, text};
use ferrotitre_tests::client::Client;
use serde_json::{Value, json};

use crate::lab::{Lab, sign};

/// The laboratory as it names itself.
pub(crate) fn identity() -> Value {
    json!({
        "name": "Harbour Street Analytical", "address": "12 Harbour Street, Portmere",
        "contact": "telephone 01632 960 114", "accreditation": "Not accredited: an invented laboratory.",
        "status_address": "http://127.0.0.1:8420/certificates/",
    })
}

/// A laboratory that has described itself.
pub(crate) async fn described() -> Lab {
    let lab = Lab::open().await;
    let _ = lab.app.manager.post("/laboratory", &identity()).await.expect(201);
    lab
}

/// What is entered for a certificate over results.
pub(crate) fn facts(results: &[&str]) -> Value {
    json!({ "customer": "Pickling line", "customer_address": "Quay 4, Portmere", "results": results })
}

/// Drawn up by the second analyst, who has no hand in the results.
pub(crate) async fn drafted(lab: &Lab, results: &[&str]) -> Value {
    lab.app.analyst2.post("/certificates", &facts(results)).await.expect(201)
}

pub(crate) fn path(certificate: &Value) -> String {
    format!("/certificates/{}", text(certificate, "id"))
}

/// Authorises as somebody, over the digest that is shown.
pub(crate) async fn authorise(who: &Client, path: &str) -> Answer {
    sign(who, path, "authorisation", None).await
}

/// Drawn up and authorised by the second manager.
pub(crate) async fn issued(lab: &Lab, results: &[&str]) -> Value {
    let draft = drafted(lab, results).await;
    authorise(&lab.app.manager2, &path(&draft)).await.expect(201)
}

async fn withdraw(who: &Client, path: &str, reason: &str) -> Answer {
    sign(who, path, "withdrawal", Some(reason)).await
}

/// An approved determination of iron(II): identity and view.
async fn approved(lab: &Lab) -> (String, Value) {
    let (path, view) = crate::signed::approved(lab).await;
    (path.trim_start_matches("/determinations/").to_owned(), view)
}

/// Iron(III) by difference, approved with both its parts: identities of the difference, total iron and iron(II).
async fn difference(lab: &Lab) -> [String; 3] {
    let (iron2, _) = approved(lab).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    for last in ["23.16", "23.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    lab.close(&run).await;
    lab.through(&format!("/determinations/{total}")).await;
    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": minutes_ago(5) });
    let iron3 = text(&lab.app.analyst.post("/iron-results", &new).await.expect(201), "id");
    lab.through(&format!("/iron-results/{iron3}")).await;
    [iron3, total, iron2]
}

async fn state_of(lab: &Lab, path: &str) -> String {
    text(&lab.app.auditor.get(path).await.expect(200), "state")
}

/// The document of an issue.
pub(crate) async fn document(lab: &Lab, path: &str, issue: i64) -> Answer {
    let answer = lab.app.auditor.get(&format!("{path}/issues/{issue}/certificate.pdf")).await;
    assert_eq!((answer.status, answer.header("content-type")), (200, "application/pdf"), "{}", answer.text);
    answer
}

/// The next issue, drawn up with what changed and why.
pub(crate) async fn amended(lab: &Lab, certificate: &Value, results: &[&str]) -> Answer {
    let mut next = facts(results);
    next["what_changed"] = json!("iron(II) was determined again");
    let amendment = json!({ "reason": "the pipette had been misread", "facts": next });
    let amendments = format!("{}/amendments", path(certificate));
    lab.app.analyst2.post_if_match(&amendments, &text(certificate, "version_id"), &amendment).await
}
