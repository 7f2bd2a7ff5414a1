//! The end of runs in one form.

use ferrotitre_tests::bench::{minutes_ago, text};
use serde_json::{Value, json};

use super::{Page, Visitor};
use crate::lab::Lab;

#[tokio::test(flavor = "multi_thread")]
async fn a_difference_is_signed_with_its_determinations_and_what_changed_is_told() {
    let lab = Lab::open().await;
    let one = json!([{ "portion": lab.portion, "purpose": "sample" }]);
    let new = json!({ "bench": "bench 2", "observed_at": minutes_ago(45),
        "runs": [{ "method": lab.iron2, "titrates": one }, { "method": lab.total, "titrates": one }] });
    let opened = lab.app.analyst.post("/runs/with-determinations", &new).await.expect(201);
    let id = |run: &Value| (text(run, "id"), text(&run["determinations"][0], "id"));
    let ((run1, iron2), (run2, total)) = (id(&opened["runs"][0]), id(&opened["runs"][1]));
    for run in [&run1, &run2] {
        lab.blank(run).await;
    }
    for last in ["21.46", "21.48"] {
        lab.titrate(&iron2, &lab.titration("accurate", last, None)).await;
    }
    for last in ["23.16", "23.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    let analyst = Visitor::of(lab.app.running.address, &lab.app.analyst);
    let path = format!("/runs/{run2}/finish");
    let values = |page: &Page, name: &str| -> Vec<String> {
        let marked = format!("type=\"checkbox\" name=\"{name}\" value=\"");
        let all = page.text.split(marked.as_str()).skip(1);
        all.map(|tile| tile.split('"').next().unwrap().to_owned()).collect()
    };
    let send = async |page: &Page, determinations: &[String]| {
        let mut sent = vec![
            ("_code", page.hidden("_code").to_owned()),
            ("_key", page.hidden("_key").to_owned()),
            ("password", lab.app.analyst.password.clone()),
        ];
        sent.extend(values(page, "runs").into_iter().map(|value| ("runs", value)));
        sent.extend(values(page, "iron_results").into_iter().map(|value| ("iron_results", value)));
        sent.extend(determinations.iter().map(|value| ("determinations", value.clone())));
        let sent: Vec<(&str, &str)> = sent.iter().map(|(name, value)| (*name, value.as_str())).collect();
        analyst.post(&path, &sent).await
    };
    let page = analyst.get(&path).await;
    let own = values(&page, "determinations");
    assert_eq!(
        (values(&page, "runs").len(), own.len(), values(&page, "iron_results").len()),
        (2, 2, 1),
        "{}",
        page.text
    );
    assert!(page.text.contains("FE3-S-1") && !page.text.contains("Before you close"), "{}", page.text);
    // The difference alone would be signed without what it is made of.
    let half = send(&page, &own[..1]).await;
    assert!(half.status == 422 && half.text.contains("to sign it with FE3-S-1"), "{}", half.text);
    // Meanwhile somebody titrates once more.
    let page = analyst.get(&path).await;
    lab.titrate(&iron2, &lab.titration("accurate", "21.46", None)).await;
    let late = send(&page, &own).await;
    assert_eq!(late.status, 412, "{}", late.text);
    assert!(late.text.contains("since you looked at it"), "{}", late.text);
    assert_eq!(lab.app.row_counts(&["sign_offs", "iron_results"]).await[1], 0);
    let page = analyst.get(&path).await;
    let own = values(&page, "determinations");
    let done = send(&page, &own).await;
    assert_eq!(done.status, 303, "{}", done.text);
    for run in [&run1, &run2] {
        assert_eq!(lab.app.auditor.get(&format!("/runs/{run}")).await.expect(200)["state"], "closed");
    }
    let results = lab.app.auditor.get("/iron-results").await.expect(200);
    assert_eq!(results["items"][0]["state"], "submitted", "{results}");
    // A run that is closed has no end any more.
    assert_eq!(analyst.get(&path).await.header("location"), format!("/runs/{run2}"));
    // Who reviews finds nothing of their own to sign there.
    let reviewer = Visitor::of(lab.app.running.address, &lab.app.analyst2);
    assert!(reviewer.get("/signatures/review").await.text.contains(&iron2));
}
