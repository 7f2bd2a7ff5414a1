//! Ten thousand rows: all of them, in their order, or none with every wrong cell counted.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::cluster::DatabaseRole;
use ferrotitre_tests::spreadsheet::opened;
use serde_json::{Value, json};

use super::{named, pair, table};

const ROWS: usize = 10_000;

/// Samples of several years, newest first, with the decimal mark of the list in what is only text.
fn list(comma: bool, wrong: impl Fn(usize) -> bool) -> String {
    let mut text = String::from(
        "Code on the label;Client's reference;Description;Matrix;Received;Condition on receipt;Preservation;Container;Storage;Kept until\n",
    );
    let first = chrono::NaiveDate::from_ymd_opt(2020, 1, 1).unwrap();
    for at in 0..ROWS {
        let back = ROWS - 1 - at;
        let day = first + chrono::Days::new((back / 6) as u64);
        let (hour, minute) = (8 + back % 6, 30);
        let (form, kept) = if comma { ("%d.%m.%Y", "31.12.2035") } else { ("%m/%d/%Y", "12/31/2035") };
        let day = if wrong(at) { "soon".to_owned() } else { format!("{} {hour:02}:{minute:02}", day.format(form)) };
        text.push_str(&format!(
            "S-{back:05};order {back};bath, {} mL;pickling bath;{day};intact;full;PE;refrigerator 2;{kept}\n",
            if comma { "100,0" } else { "100.0" }
        ));
    }
    text
}

#[tokio::test(flavor = "multi_thread")]
async fn ten_thousand_rows_are_taken_over_from_either_workbook_in_their_own_order() {
    for (comma, form) in [(true, "ods"), (false, "xlsx")] {
        let app = TestApp::start().await;
        let bytes = opened(&list(comma, |_| false), comma, &[], form).await;
        let file = table(&format!("all.{form}"), &bytes, comma);
        let done = app.analyst.post("/import-tables/samples/imports", &file).await.expect(201);
        assert_eq!(done["records"], json!(ROWS));
        let sql = app.sql(DatabaseRole::Service).await;
        // Record identities grow with the time of receipt, whatever the order of the file.
        let asked = "SELECT count(*), count(*) FILTER (WHERE code <> 'S-' || lpad((place - 1)::text, 5, '0')) FROM \
                     (SELECT code, row_number() OVER (ORDER BY received_at, record_id) AS place, row_number() OVER (ORDER BY record_id) AS by_id FROM samples) s \
                     WHERE place = by_id";
        let row = sql.query_one(asked, &[]).await.unwrap();
        assert_eq!((row.get::<_, i64>(0), row.get::<_, i64>(1)), (i64::try_from(ROWS).unwrap(), 0));
        let events: i64 =
            sql.query_one("SELECT count(*) FROM audit_events WHERE entity_kind = 'samples'", &[]).await.unwrap().get(0);
        assert_eq!(events, i64::try_from(ROWS).unwrap());
        let newest = app.auditor.get("/samples?limit=1").await.expect(200);
        assert_eq!(newest["items"][0]["code"], json!("S-09999"));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn of_thousands_of_wrong_cells_the_first_are_named_and_all_are_counted() {
    let app = TestApp::start().await;
    let bytes = opened(&list(true, |at| at % 2 == 0), true, &[], "xlsx").await;
    let file = table("all.xlsx", &bytes, true);
    let problem = app.analyst.post("/import-tables/samples/imports", &file).await.refused(422, "invalid_input");
    let cells = named(&problem);
    assert_eq!(
        (cells.len(), &cells[0], &cells[99]),
        (100, &pair("E2, Received", "date"), &pair("E200, Received", "date"))
    );
    let said = problem["detail"].as_str().unwrap();
    assert!(said.starts_with("5000 cells break a rule, the first 100 are named"), "{said}");
    assert_eq!(app.row_counts(&["samples", "imported_tables"]).await, [0, 0]);
    // More rows than are taken.
    let text = format!("Code on the label\n{}", "x\n".repeat(20_001));
    let mut long = table("long.csv", text.as_bytes(), true);
    long["same"] = ["client_reference", "description", "matrix", "condition", "preservation", "container", "storage"]
        .into_iter()
        .map(|field| (field.to_owned(), Value::from("x")))
        .chain([("received_at", "01.01.2025"), ("retained_until", "01.01.2035")].map(|(k, v)| (k.to_owned(), v.into())))
        .collect();
    let problem = app.analyst.post("/import-tables/samples/imports", &long).await.refused(422, "invalid_input");
    assert_eq!(named(&problem), [pair("content", "size")]);
}
