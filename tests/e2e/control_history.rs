//! A laboratory arrives with years of control values: import of tables, and the picture of a long chart.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{days_ahead, text};
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};

async fn chart(app: &TestApp) -> String {
    let new =
        json!({ "code": "R-PH", "title": "Potential of the check solution", "quantity": "reading", "unit": "mV" });
    text(&app.manager.post("/control-charts", &new).await.expect(201), "id")
}

fn file(decimal_mark: &str, text: &str) -> Value {
    json!({ "file_name": "history 2025.csv", "decimal_mark": decimal_mark, "separator": "semicolon", "text": text })
}

const HEAD: &str = "ferrotitre control values 1\nobserved_at;value [mV];note\n";

#[tokio::test(flavor = "multi_thread")]
async fn a_file_with_decimal_commas_is_previewed_imported_once_and_kept() {
    let app = TestApp::start().await;
    let chart = chart(&app).await;
    let path = format!("/control-charts/{chart}/imports");
    let template = app.analyst.get(&format!("/control-charts/{chart}/import-template")).await;
    assert!(
        template.text.starts_with("ferrotitre control values 1\nobserved_at;value [mV];note\n"),
        "{}",
        template.text
    );
    let own = app.analyst.post(&format!("{path}/preview"), &file("comma", &template.text)).await.expect(200);
    assert_eq!(own["values"], json!(2), "the template is itself a valid file");

    let mut rows = String::from(HEAD);
    for day in 1..=28 {
        rows.push_str(&format!("2025-02-{day:02}T08:00:00+01:00;{},{}0;\r\n", 117 + day % 3, day % 10));
    }
    let seen = app.analyst.post(&format!("{path}/preview"), &file("comma", &rows)).await.expect(200);
    assert_eq!((&seen["values"], &seen["lowest"], &seen["highest"]), (&json!(28), &json!("117.10"), &json!("119.80")));
    assert_eq!(seen["first"], json!("2025-02-01T07:00:00Z"));
    assert_eq!(app.row_counts(&["control_values", "imported_files"]).await, [0, 0], "a preview stores nothing");

    // Declared the other way round, every value is refused by line and column, and nothing is half-stored.
    let problem = app.analyst.post(&path, &file("point", &rows)).await.refused(422, "invalid_input");
    let error = &problem["errors"][0];
    assert_eq!((&error["field"], &error["rule"]), (&json!("line 3, value [mV]"), &json!("decimal_mark")));
    assert_eq!(error["value"], json!("118,10"));
    let twice = format!("{rows}2025-02-03T07:00:00Z;118,00;\n2025-02-29;1;\n");
    let problem = app.analyst.post(&path, &file("comma", &twice)).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], json!("line 32, observed_at"), "2025 has no 29th of February");
    let twice = format!("{rows}2025-02-03T07:00:00Z;118,00;\n");
    let problem = app.analyst.post(&path, &file("comma", &twice)).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["rule"], json!("duplicate"), "{problem}");
    assert_eq!(app.row_counts(&["control_values", "imported_files"]).await, [0, 0]);

    let done = app.analyst.post(&path, &file("comma", &rows)).await.expect(201);
    assert_eq!(done["verdicts"], json!([{ "verdict": "not judged", "values": 28 }]), "there is no phase yet");
    let points = app.auditor.get(&format!("/control-charts/{chart}/points?limit=1000")).await.expect(200);
    let newest = &points["items"][0];
    assert_eq!(
        (&newest["value"], &newest["source"], &newest["position"]),
        (&json!("118.80"), &json!("imported"), &json!(28))
    );
    let history = newest["history"].as_str().unwrap();
    assert!(history.contains("history 2025.csv") && history.contains("line 30"), "{history}");
    app.analyst.post(&path, &file("comma", &rows)).await.refused(422, "invalid_input");
    let sql = app.sql(DatabaseRole::Service).await;
    let kept: String = sql.query_one("SELECT content FROM imported_files", &[]).await.unwrap().get(0);
    assert_eq!(kept, rows, "the file is kept as it came");
    app.auditor.post(&path, &file("comma", &rows)).await.refused(403, "forbidden");

    let picture = app.auditor.get(&format!("/control-charts/{chart}.svg")).await;
    assert_eq!((picture.status, picture.header("content-type")), (200, "image/svg+xml"));
    assert_eq!(picture.text.matches("<title>2025-02-").count(), 28, "every point says what it is");
    app.auditor.get(&format!("/control-charts/{chart}.svg?last=1")).await.refused(422, "invalid_input");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_long_chart_is_drawn_in_stretches_that_keep_extremes_and_hits() {
    let app = TestApp::start().await;
    let chart = chart(&app).await;
    let sql = app.sql(DatabaseRole::Service).await;
    // Rows with their audit events, as years of runs would leave them.
    let insert = format!(
        "BEGIN; SELECT set_config('ferrotitre.act', '{{\"kind\":\"system\",\"action\":\"record_control_value\"}}', true); \
         INSERT INTO control_values (id, chart_id, position, source, value, observed_at, hits, verdict, recorded_by) \
         SELECT gen_random_uuid(), '{chart}', i, 'entered', CASE i WHEN 2777 THEN 140 ELSE 118 + (i % 7) * 0.1 END, \
         timestamptz '{}' - interval '1 hour' * (6000 - i), CASE WHEN i IN (100, 2777) THEN '{{1}}'::int[] ELSE '{{}}' END, \
         'not judged', (SELECT recorded_by FROM control_charts WHERE id = '{chart}') FROM generate_series(1, 5000) i; COMMIT",
        days_ahead(-1).to_rfc3339()
    );
    sql.batch_execute(&insert).await.unwrap();
    let picture = app.auditor.get(&format!("/control-charts/{chart}.svg")).await.text;
    assert!(picture.contains("5000 points, 2 of them complete a rule"), "{}", &picture[..600]);
    assert!(picture.contains("highest 140"), "the extreme is there");
    assert_eq!(picture.matches("complete a rule; lowest").count(), 2, "both stretches with hits are marked");
    assert!(picture.len() < 600_000, "{} bytes", picture.len());
    let newest = app.auditor.get(&format!("/control-charts/{chart}.svg?last=50")).await.text;
    assert!(newest.contains("50 points"), "{}", &newest[..600]);
}
