//! One box for every code.

use ferrotitre_tests::bench::text;
use ferrotitre_tests::cluster::DatabaseRole;

use super::Visitor;
use crate::lab::Lab;

#[tokio::test(flavor = "multi_thread")]
async fn a_code_leads_to_its_page_and_its_beginning_to_a_list() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let determination = lab.iron2_done(["21.46", "21.48"]).await;
    let code = text(&app.auditor.get(&format!("/determinations/{determination}")).await.expect(200), "code");
    let analyst = Visitor::of(app.running.address, &app.analyst);
    // The whole code, as typed in haste or scanned.
    let found = analyst.get(&format!("/find?q=%20{}", code.to_lowercase())).await;
    assert_eq!((found.status, found.header("location")), (303, format!("/determinations/{determination}").as_str()));
    let lot = analyst.get("/find?q=D-1").await;
    assert_eq!((lot.status, lot.header("location")), (303, format!("/titrants/{}", lab.titrant).as_str()));
    // Its beginning, a client's reference, part of a title.
    let samples = app.auditor.get("/samples").await.expect(200);
    let sample = &samples["items"][0];
    let list = analyst.get(&format!("/find?q={}", &text(sample, "code")[..1])).await;
    assert_eq!(list.status, 200);
    assert!(list.text.contains(&format!("/samples/{}", text(sample, "id"))), "{}", list.text);
    let reference = text(sample, "client_reference").replace(' ', "%20");
    let list = analyst.get(&format!("/find?q={}", reference.to_uppercase())).await;
    assert!(list.text.contains(&format!("/samples/{}", text(sample, "id"))), "{reference}: {}", list.text);
    let list = analyst.get("/find?q=pickling").await;
    assert!(list.text.contains("/methods/") && list.text.contains("approved"), "{}", list.text);
    // People are for those who may see them.
    assert!(!analyst.get("/find?q=manager").await.text.contains("/accounts/"));
    let manager = Visitor::of(app.running.address, &app.manager);
    assert!(manager.get("/find?q=manager").await.text.contains("/accounts/"));
    // What is no code is looked for as it stands, and nothing is made of it.
    for (q, says) in [
        ("%25", "Nothing begins with"),
        ("_", "Nothing begins with"),
        ("%27%20OR%20true%20--", "Nothing begins with"),
        ("%3Cscript%3E", "Nothing begins with"),
        ("", "Enter a code or its beginning"),
    ] {
        let page = analyst.get(&format!("/find?q={q}")).await;
        assert!(page.status == 200 && page.text.contains(says), "{q}: {}", page.text);
        assert!(!page.text.contains("<script>"), "{q}");
    }
    let none = Visitor::of(app.running.address, &app.administrator).get("/find?q=D-1").await;
    assert_eq!(none.status, 403);
}

/// The year of data: the way to a code does not lead through every row.
#[tokio::test(flavor = "multi_thread")]
async fn among_many_samples_a_code_is_found_through_its_index() {
    let lab = Lab::open().await;
    let sql = lab.app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute(
        "SET session_replication_role = replica; \
         INSERT INTO samples SELECT (jsonb_populate_record(NULL::samples, to_jsonb(t) || jsonb_build_object( \
             'id', gen_random_uuid(), 'record_id', gen_random_uuid(), 'code', 'Z-' || n))).* \
         FROM (SELECT * FROM samples ORDER BY id LIMIT 1) t, generate_series(1, 30000) n; ANALYZE samples",
    )
    .await
    .unwrap();
    let analyst = Visitor::of(lab.app.running.address, &lab.app.analyst);
    let one = analyst.get("/find?q=z-29999").await;
    assert_eq!(one.status, 303, "{}", one.text);
    let many = analyst.get("/find?q=Z-2999").await;
    assert!(many.status == 303 || many.text.contains("Z-29991"), "{}", many.text);
    let many = analyst.get("/find?q=Z-").await;
    assert!(many.text.contains("enter more of the code"), "{}", many.text);
    let plan = sql
        .query(
            "EXPLAIN SELECT id FROM samples t WHERE ((upper(t.code) COLLATE \"C\" >= 'Z-29999' AND upper(t.code) COLLATE \"C\" < 'Z-3') \
             OR (upper(t.client_reference) COLLATE \"C\" >= 'Z-29999' AND upper(t.client_reference) COLLATE \"C\" < 'Z-3'))",
            &[],
        )
        .await
        .unwrap();
    let plan: Vec<String> = plan.iter().map(|row| row.get(0)).collect();
    assert!(plan.iter().any(|line| line.contains("samples_find")), "{plan:?}");
}
