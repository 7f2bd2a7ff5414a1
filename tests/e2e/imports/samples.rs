//! Samples: own columns in own order, both decimal marks, three kinds of files, all or nothing, once.

use ferrotitre_ledger::audit::verify::{self, Against};
use ferrotitre_tests::TestApp;
use ferrotitre_tests::cluster::DatabaseRole;
use ferrotitre_tests::spreadsheet::opened;
use serde_json::{Value, json};

use super::{first, named, pair, table, with_columns};

const PATH: &str = "/import-tables/samples";

/// A list as a laboratory has it: other headings, another order, columns that nobody asked for, empty ends.
fn list(comma: bool, prefix: &str) -> String {
    let (day, time, kept) = if comma {
        ("04.03.2025", "05.03.2025 08:30", "30.06.2031")
    } else {
        ("03/04/2025", "03/05/2025 08:30 AM", "06/30/2031")
    };
    let mark = if comma { "1,5" } else { "1.5" };
    format!(
        "Eingang;Nummer;Bad;Kunde;Menge;Aufbewahren bis;\n{time};{prefix}-1;Salzsäurebeize;Bad 3, früh;{mark};{kept};\n\
         {day};{prefix}-2;Salzsäurebeize;Bad 3, spät;{mark};{kept};\n;;;;;;\n{day};{prefix}-3;Spülwasser;Bad 4;{mark};{kept};;\n"
    )
}

fn mapped(file: Value) -> Value {
    let mut file = with_columns(
        file,
        &[
            ("received_at", "Eingang"),
            ("code", "nummer"),
            ("matrix", "Bad"),
            ("client_reference", "Kunde"),
            ("retained_until", "Aufbewahren bis"),
        ],
    );
    file["same"] = json!({
        "description": "clear, green", "condition": "intact", "preservation": "full bottle",
        "container": "PE, 100 mL", "storage": "refrigerator 2",
    });
    file
}

#[tokio::test(flavor = "multi_thread")]
async fn a_list_is_tried_and_imported_from_every_kind_of_file_with_either_mark() {
    let app = TestApp::start().await;
    for (comma, form) in [(true, "ods"), (false, "ods"), (true, "xlsx"), (false, "xlsx"), (true, "csv"), (false, "csv")]
    {
        let prefix = format!("{form}-{comma}");
        let text = list(comma, &prefix);
        let bytes = if form == "csv" { text.into_bytes() } else { opened(&text, comma, &[2], form).await };
        let name = format!("Proben 2025.{form}");
        let file = mapped(table(&name, &bytes, comma));
        let counts = app.row_counts(&["samples", "imported_tables"]).await;
        let seen = app.analyst.post(&format!("{PATH}/preview"), &file).await.expect(200);
        assert_eq!(app.row_counts(&["samples", "imported_tables"]).await, counts, "a preview stores nothing");
        assert_eq!((&seen["records"], &seen["sample"][0]["row"]), (&json!(3), &json!(2)), "{seen}");
        assert_eq!(seen["sample"][2]["row"], json!(5), "the empty row is no sample, and is counted");
        let unread: Vec<&Value> =
            seen["headings"].as_array().unwrap().iter().filter(|one| one["fields"] == json!([])).collect();
        assert_eq!((unread.len(), &unread[0]["column"], &unread[0]["heading"]), (1, &json!("E"), &json!("Menge")));

        let done = app.analyst.post_with_key(&format!("{PATH}/imports"), &prefix, &file).await.expect(201);
        let again = app.analyst.post_with_key(&format!("{PATH}/imports"), &prefix, &file).await;
        assert_eq!(again.header("idempotency-replayed"), "true");
        assert_eq!(again.expect(201), done, "the same request again is the same import");
        let id = done["id"].as_str().unwrap();
        let kept = app.auditor.get(&format!("/imported-tables/{id}")).await.expect(200);
        assert_eq!((&kept["file_name"], &kept["records"]), (&json!(name), &json!(3)));
        let file_again = app.auditor.get(&format!("/imported-tables/{id}/file")).await;
        assert_eq!(file_again.bytes, bytes, "the file is kept as it came");
        // In the order in which they were received, each with its row.
        let rows: Vec<u64> =
            kept["became"].as_array().unwrap().iter().map(|one| one["row"].as_u64().unwrap()).collect();
        assert_eq!(rows, [3, 5, 2]);
        let first_row = kept["became"][2]["id"].as_str().unwrap();
        let sample = app.auditor.get(&format!("/samples/{first_row}")).await.expect(200);
        let facts = &sample["versions"][0];
        assert_eq!(facts["code"], json!(format!("{prefix}-1")));
        assert_eq!((&facts["matrix"], &facts["container"]), (&json!("Salzsäurebeize"), &json!("PE, 100 mL")));
        assert_eq!(facts["retained_until"], json!("2031-06-30"));
        let received: chrono::DateTime<chrono::Utc> = facts["received_at"].as_str().unwrap().parse().unwrap();
        let local = chrono::NaiveDate::from_ymd_opt(2025, 3, 5).unwrap().and_hms_opt(8, 30, 0).unwrap();
        assert_eq!(Some(received), ferrotitre_base::zone::moment(local));

        // The same rows a second time: every code by its cell, and nothing of it.
        let problem = app.analyst.post(&format!("{PATH}/imports"), &file).await.refused(409, "already_exists");
        let cell =
            |row: u32| if form == "csv" { format!("line {row}, column B, Nummer") } else { format!("B{row}, Nummer") };
        let expected: Vec<_> = [2, 3, 5].map(|row| (cell(row), "already_exists".to_owned())).to_vec();
        assert_eq!(named(&problem), expected);
        assert_eq!(problem["facts"]["headings"][1]["heading"], json!("Nummer"), "{problem}");
    }
    assert_eq!(app.row_counts(&["samples", "imported_tables"]).await, [18, 6]);
    let listed = app.auditor.get("/imported-tables").await.expect(200);
    assert_eq!(listed["items"].as_array().unwrap().len(), 6);
    // One request, one act: every sample and the file have events that name it.
    let sql = app.sql(DatabaseRole::Service).await;
    let asked = "SELECT count(*), count(DISTINCT request_id) FROM audit_events WHERE entity_kind IN ('samples', 'imported_tables')";
    let row = sql.query_one(asked, &[]).await.unwrap();
    assert_eq!((row.get::<_, i64>(0), row.get::<_, i64>(1)), (24, 6));
}

#[tokio::test(flavor = "multi_thread")]
async fn one_wrong_cell_and_nothing_is_recorded() {
    let app = TestApp::start().await;
    let text = list(true, "S").replace("Spülwasser", "");
    let bytes = opened(&text, true, &[2], "ods").await;
    let file = mapped(table("a.ods", &bytes, true));
    let refused = app.analyst.post(&format!("{PATH}/imports"), &file).await;
    assert_eq!(first(refused, 422, "invalid_input"), pair("C5, Bad", "required"));
    assert_eq!(app.row_counts(&["samples", "imported_tables"]).await, [0, 0]);
    // The key is not used up by what was refused.
    let good = mapped(table("a.ods", &opened(&list(true, "S"), true, &[2], "ods").await, true));
    let _ = app.analyst.post_with_key(&format!("{PATH}/imports"), "k", &good).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn two_at_once_record_every_sample_once() {
    let app = TestApp::start().await;
    let file = mapped(table("a.csv", list(true, "S").as_bytes(), true));
    let path = format!("{PATH}/imports");
    let (one, other) = tokio::join!(app.analyst.post(&path, &file), app.manager.post(&path, &file));
    let mut statuses = [one.status, other.status];
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 409], "{} {}", one.text, other.text);
    assert_eq!(app.row_counts(&["samples", "imported_tables"]).await, [3, 1]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_kept_file_that_is_altered_in_the_database_is_found() {
    let app = TestApp::start().await;
    let file = mapped(table("a.csv", list(true, "S").as_bytes(), true));
    let _ = app.analyst.post(&format!("{PATH}/imports"), &file).await.expect(201);
    app.sealed().await;
    let findings = async || {
        let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
        let remembered = app.memory.read().unwrap();
        let key = app.shared.seal_key.public();
        let against = Against { key: &key, remembered: remembered.as_ref(), kept: &[] };
        verify::check(&connection, against).await.unwrap().findings
    };
    assert_eq!(findings().await, Vec::<String>::new());
    // The service's role may not; who administers the database can, past its triggers, but not past the event's digests.
    let service = app.sql(DatabaseRole::Service).await;
    assert!(service.batch_execute("UPDATE imported_tables SET records = 2").await.is_err());
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute("SET session_replication_role = replica").await.unwrap();
    assert!(
        sql.batch_execute("UPDATE imported_tables SET content = 'x'").await.is_err(),
        "the file is that of its digest"
    );
    sql.batch_execute("UPDATE imported_tables SET became = '[]'").await.unwrap();
    let found = findings().await;
    assert!(found.iter().any(|finding| finding.contains("imported_tables")), "{found:?}");
}
