//! The list of certificates as a file.

use ferrotitre_tests::bench::text;
use serde_json::{Value, json};

use crate::certificates::{amended, described, drafted, issued, path};
use crate::lab::sign;
use crate::signed::correct_portion;

#[tokio::test(flavor = "multi_thread")]
async fn the_list_is_taken_out_whole_with_the_issue_in_force_and_what_is_affected() {
    let lab = described().await;
    let app = &lab.app;
    let mut results = Vec::new();
    for _ in 0..3 {
        let (of, _) = crate::signed::approved(&lab).await;
        results.push(of.trim_start_matches("/determinations/").to_owned());
    }
    // One in force with a draft of its next issue, one withdrawn, one that was never issued.
    let first = issued(&lab, &[&results[0]]).await;
    let why = json!({ "reason": "it was right after all" });
    for _ in 0..2 {
        let present = app.auditor.get(&path(&first)).await.expect(200);
        let _ = amended(&lab, &present, &[&results[0]]).await.expect(201);
        let _ = app.analyst2.post(&format!("{}/discarding", path(&first)), &why).await.expect(201);
    }
    let present = app.auditor.get(&path(&first)).await.expect(200);
    let _ = amended(&lab, &present, &[&results[0]]).await.expect(201);
    let second = issued(&lab, &[&results[1]]).await;
    sign(&app.manager, &path(&second), "withdrawal", Some("the bottle was of another bath")).await.expect(201);
    let third = drafted(&lab, &[&results[2]]).await;
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let json_file = app.manager.get("/exports/certificates").await;
    assert_eq!(json_file.status, 200, "{}", json_file.text);
    let counts = json!({ "rows": 3, "by_state": { "draft": 2, "withdrawn": 1 }, "in_force": 1, "affected": 1 });
    let found: Value = serde_json::from_str(json_file.header("x-completeness")).unwrap();
    assert_eq!((&found, json_file.header("x-content-rows")), (&counts, "3"));
    let csv = app.auditor.get("/exports/certificates?format=csv").await;
    let lines: Vec<&str> = csv.text.lines().collect();
    let line = |of: &Value| *lines.iter().find(|line| line.contains(&text(of, "number"))).unwrap();
    let number = text(&first, "number");
    let expected = format!("{number},2,draft,1,Pickling line,S-1,a result is affected,");
    assert!(line(&first).starts_with(&expected), "{}", line(&first));
    assert!(line(&second).contains(",1,withdrawn,,"), "{}", line(&second));
    assert!(line(&third).contains(",1,draft,,"), "{}", line(&third));
    // One content in three forms, each on record.
    let workbook = app.manager.get("/exports/certificates?format=xlsx").await;
    for file in [&csv, &workbook] {
        assert_eq!(file.header("x-content-sha256"), json_file.header("x-content-sha256"));
    }
    let listed = app.auditor.get("/exports").await.expect(200);
    let said = listed.as_array().unwrap().iter().filter(|one| one["what"] == "certificates");
    let said: Vec<&Value> = said.map(|one| &one["query"]).collect();
    assert_eq!(said, [&json!("all certificates"); 3]);
    // Of a state, each version by itself; a state that is none finds nothing, and says so.
    let drafts = app.manager.get("/exports/certificates?state=draft").await;
    assert_eq!(drafts.header("x-content-rows"), "2", "{}", drafts.text);
    for (query, field) in [("state=drafts", "state"), ("state=draft&from=2026-01-01T00:00:00Z", "from")] {
        let problem = app.manager.get(&format!("/exports/certificates?{query}")).await.refused(422, "invalid_input");
        assert_eq!(problem["errors"][0]["field"], json!(field), "{problem}");
    }
    // One that was discarded twice is one certificate, in force or affected once.
    let discarded = app.manager.get("/exports/certificates?state=discarded").await;
    let counts = json!({ "rows": 2, "by_state": { "discarded": 2 }, "in_force": 1, "affected": 1 });
    let found: Value = serde_json::from_str(discarded.header("x-completeness")).unwrap();
    assert_eq!((found, discarded.header("x-content-rows")), (counts, "2"));
    let none = app.manager.get("/exports/certificates?until=2026-01-01T00:00:00Z").await;
    assert_eq!(none.header("x-content-rows"), "0", "{}", none.text);
    app.analyst.get("/exports/certificates").await.refused(403, "forbidden");
    app.nobody.get("/exports/certificates").await.refused(401, "not_signed_in");
}
