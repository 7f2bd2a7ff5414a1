//! Control history from workbooks: values keep their own time, and the line of the chart runs forward whenever they came.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{minutes_ago, text};
use ferrotitre_tests::spreadsheet::opened;
use serde_json::json;

use super::{first, named, pair, table, with_columns};

#[tokio::test(flavor = "multi_thread")]
async fn history_that_is_imported_later_stands_where_it_belongs() {
    let app = TestApp::start().await;
    let new =
        json!({ "code": "R-PH", "title": "Potential of the check solution", "quantity": "reading", "unit": "mV" });
    let chart = text(&app.manager.post("/control-charts", &new).await.expect(201), "id");
    let path = format!("/control-charts/{chart}");
    for (value, minutes) in [("120.0", 60), ("121.0", 30)] {
        let value = json!({ "value": value, "observed_at": minutes_ago(minutes) });
        let _ = app.analyst.post(&format!("{path}/values"), &value).await.expect(201);
    }
    for (comma, form) in [(true, "ods"), (false, "xlsx")] {
        let year = if comma { 2024 } else { 2023 };
        // Newest first, as many bench books are kept.
        let mut lines = String::from("Analyst;Potential;When\n");
        for day in (1..=9).rev() {
            let (value, at) = if comma {
                (format!("{},{day}0", 117 + day), format!("0{day}.02.{year} 08:30"))
            } else {
                (format!("{}.{day}0", 117 + day), format!("02/0{day}/{year} 08:30 AM"))
            };
            lines.push_str(&format!("A;{value};{at}\n"));
        }
        // The values as text keep their zeros.
        let bytes = opened(&lines, comma, &[2], form).await;
        let file = with_columns(
            table(&format!("history {year}.{form}"), &bytes, comma),
            &[("observed_at", "When"), ("value", "Potential"), ("note", "Analyst")],
        );
        let seen = app.analyst.post(&format!("{path}/table-imports/preview"), &file).await.expect(200);
        assert_eq!((&seen["records"], &seen["sample"][0]["values"]["value"]), (&json!(9), &json!("126.90")));
        let done = app.analyst.post(&format!("{path}/table-imports"), &file).await.expect(201);
        let kept = app.auditor.get(&format!("/imported-tables/{}", text(&done, "id"))).await.expect(200);
        assert_eq!((&kept["table"], &kept["subject"]), (&json!("control-values"), &json!(chart)));
        let again = app.analyst.post(&format!("{path}/table-imports"), &file).await;
        assert_eq!(first(again, 409, "already_exists"), pair("C2, When", "already_exists"));
    }
    // Newest observed first, over pages, although the oldest were recorded last.
    let mut times: Vec<String> = Vec::new();
    let mut next = String::new();
    loop {
        let page = app.auditor.get(&format!("{path}/points?limit=7{next}")).await.expect(200);
        times.extend(page["items"].as_array().unwrap().iter().map(|point| text(point, "observed_at")));
        match page["next"].as_i64() {
            Some(position) => next = format!("&before={position}"),
            None => break,
        }
    }
    let mut sorted = times.clone();
    sorted.sort_by_key(|at| std::cmp::Reverse(at.parse::<chrono::DateTime<chrono::Utc>>().unwrap()));
    assert_eq!((times.len(), &times), (20, &sorted));
    // The line of the picture runs forward: the x of its points never falls.
    let picture = app.auditor.get(&format!("{path}.svg")).await.text;
    let titles: Vec<&str> = picture.split("<title>2").skip(1).map(|rest| &rest[..15]).collect();
    let mut forward = titles.clone();
    forward.sort_unstable();
    assert_eq!((titles.len(), titles), (20, forward));
    let newest = app.auditor.get(&format!("{path}.svg?last=2")).await.text;
    assert!(newest.contains(": 121.0 mV") && !newest.contains("<title>2023-"), "{newest}");
    let oldest = app.auditor.get(&format!("{path}/points?limit=1&until=2023-02-02T00:00:00Z")).await.expect(200);
    let point = &oldest["items"][0];
    assert_eq!((&point["value"], &point["source"]), (&json!("118.10"), &json!("imported")));
    assert!(point["history"].as_str().unwrap().ends_with(", row 10"), "{point}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_history_is_named() {
    let app = TestApp::start().await;
    let new = json!({ "code": "R-PH", "title": "Potential", "quantity": "reading", "unit": "mV" });
    let chart = text(&app.manager.post("/control-charts", &new).await.expect(201), "id");
    let path = format!("/control-charts/{chart}/table-imports");
    let file =
        table("h.csv", b"Observed;Value, mV\n01.02.2024;1,0\n01.02.2024;2,0\n01.02.2034;2,0\n02.02.2024;1.0\n", true);
    let problem = app.analyst.post(&path, &file).await.refused(422, "invalid_input");
    assert_eq!(
        named(&problem),
        [
            pair("line 3, column A, Observed", "doubled"),
            pair("line 4, column A, Observed", "not_in_the_future"),
            pair("line 5, column B, Value, mV", "decimal_mark"),
        ]
    );
    let template = app.auditor.get(&format!("/control-charts/{chart}/table-template?format=csv")).await;
    assert_eq!(template.text.trim(), "\u{feff}Observed;Value, mV;Note");
    app.auditor.post(&path, &file).await.refused(403, "forbidden");
    // Text with the old version line goes the old way; a cell behind the last is nothing there, and neither is a missing name.
    let text = "ferrotitre control values 1;;\nobserved_at;value [mV];note;\n2025-03-04T08:30:00+01:00;118,2;;\n";
    let old = json!({ "decimal_mark": "comma", "separator": "semicolon", "text": text });
    let done = app.analyst.post(&format!("/control-charts/{chart}/imports"), &old).await.expect(201);
    assert_eq!((&done["values"], &done["file_name"]), (&json!(1), &json!("a table without a name")));
    assert_eq!(app.row_counts(&["control_values", "imported_tables", "imported_files"]).await, [1, 0, 1]);
}
