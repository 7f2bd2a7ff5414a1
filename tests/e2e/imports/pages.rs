//! The page that imports a list, in a browser.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::browser::Browser;
use ferrotitre_tests::spreadsheet::opened;

#[tokio::test(flavor = "multi_thread")]
async fn a_list_is_read_its_columns_chosen_tried_mended_and_imported() {
    let app = TestApp::start().await;
    let text = |matrix: &str| {
        format!(
            "Received;No.;Bath;Kept until\n2025-03-05 08:30;S-1;{matrix};2031-06-30\n2025-03-04 08:30;S-2;rinse;2031-06-30\n"
        )
    };
    let folder = std::env::temp_dir().join(format!("ferrotitre-import-{}", uuid::Uuid::now_v7()));
    std::fs::create_dir_all(&folder).unwrap();
    let (wrong, right) = (folder.join("wrong.ods"), folder.join("right.xlsx"));
    std::fs::write(&wrong, opened(&text(""), false, &[], "ods").await).unwrap();
    std::fs::write(&right, opened(&text("pickling bath"), false, &[], "xlsx").await).unwrap();

    let browser = Browser::open(&format!("http://{}", app.running.address)).await;
    browser.sign_in(&app.analyst.code, &app.analyst.password).await;
    browser.goto("/samples").await;
    browser.click("a[href='/samples/import']").await;
    browser.sees("Columns of the list").await;
    // Without a file it says so.
    browser.click("form.entry button.main").await;
    browser.sees("choose a file").await;
    browser.choose_file("[name=_table]", &wrong).await;
    browser.click("form.entry button.main").await;
    browser.sees("wrong.ods: 2 rows below the headings").await;
    browser.sees("The file as it was read").await;
    // Equal headings are taken for what they say; the others are chosen.
    assert_eq!(browser.value("[name='columns.received_at']").await, "Received");
    assert_eq!(browser.value("[name='columns.retained_until']").await, "Kept until");
    browser.choose("columns.code", "No.").await;
    browser.choose("columns.matrix", "Bath").await;
    for (field, words) in [
        ("client_reference", "order 7"),
        ("description", "clear"),
        ("condition", "intact"),
        ("preservation", "full"),
        ("container", "PE"),
    ] {
        browser.fill(&format!("[name='same.{field}']"), words).await;
    }
    browser.click("form.entry button.main").await;
    // A field that is nowhere is told beside it, and nothing entered is lost.
    browser.sees("needs a column of the file, or what is the same in every row").await;
    browser.fill("[name='same.storage']", "refrigerator 2").await;
    browser.click("form.entry button.main").await;
    browser.sees("Wrong cells; nothing is stored").await;
    browser.sees("C2, Bath").await;
    assert_eq!(app.row_counts(&["samples", "imported_tables"]).await, [0, 0]);
    // The mended file, read again, with the columns as they were chosen.
    browser.choose_file("[name=_table]", &right).await;
    browser.click("button[value=again]").await;
    browser.sees("right.xlsx: 2 rows below the headings").await;
    assert_eq!(browser.value("[name='columns.matrix']").await, "Bath");
    browser.click("form.entry button.main").await;
    browser.sees("It would become this; nothing is stored yet").await;
    browser.sees("pickling bath").await;
    browser.click("[name=_do][value=import]").await;
    browser.click("form.entry button.main").await;
    browser.sees("Saved.").await;
    browser.sees("What its rows became").await;
    assert_eq!(app.row_counts(&["samples", "imported_tables"]).await, [2, 1]);
    browser.click("#rows tbody tr:nth-child(1) a").await;
    browser.sees("S-2").await;
    browser.goto("/imports").await;
    browser.sees("right.xlsx").await;
    browser.close().await;
    let _ = std::fs::remove_dir_all(&folder);

    // Who may not record samples has no such page; who may look finds the templates.
    let auditor = crate::pages::Visitor::of(app.running.address, &app.auditor);
    assert_eq!(auditor.get("/samples/import").await.status, 403);
    let page = auditor.get("/imports/new").await;
    assert!(
        page.status == 200 && page.text.contains("/api/v1/import-tables/samples/template?format=xlsx"),
        "{}",
        page.text
    );
    assert!(!page.text.contains("href=\"/samples/import\""), "{}", page.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_list_with_our_headings_is_imported_at_once_and_one_that_is_refused_is_kept_in_the_form() {
    let app = TestApp::start().await;
    let text = |matrix: &str| {
        format!(
            "code;client_reference;description;matrix;received_at;condition;preservation;container;storage;retained_until\n\
             S-1;order 7;clear;{matrix};2025-03-05 08:30;intact;full;PE;refrigerator 2;2031-06-30\n"
        )
    };
    let folder = std::env::temp_dir().join(format!("ferrotitre-import-{}", uuid::Uuid::now_v7()));
    std::fs::create_dir_all(&folder).unwrap();
    let (wrong, right) = (folder.join("wrong.csv"), folder.join("right.csv"));
    std::fs::write(&wrong, text("")).unwrap();
    std::fs::write(&right, text("pickling bath")).unwrap();
    let browser = Browser::open(&format!("http://{}", app.running.address)).await;
    browser.sign_in(&app.analyst.code, &app.analyst.password).await;
    browser.goto("/samples/import").await;
    browser.choose_file("[name=_table]", &wrong).await;
    browser.click("label.tile:has([name=_how][value=import])").await;
    browser.click("form.entry button.main").await;
    browser.sees("Wrong cells; nothing is stored").await;
    browser.sees("line 2, column D").await;
    assert_eq!(app.row_counts(&["samples", "imported_tables"]).await, [0, 0]);
    // The file is still there: looked at, it asks which column is which.
    browser.click("label.tile:has([name=_how][value=look])").await;
    browser.click("form.entry button.main").await;
    browser.sees("wrong.csv: 1 rows below the headings").await;
    assert_eq!(browser.value("[name='columns.matrix']").await, "matrix");
    browser.goto("/samples/import").await;
    browser.choose_file("[name=_table]", &right).await;
    browser.click("label.tile:has([name=_how][value=import])").await;
    browser.click("form.entry button.main").await;
    browser.sees("What its rows became").await;
    assert_eq!(app.row_counts(&["samples", "imported_tables"]).await, [1, 1]);
    browser.close().await;
    let _ = std::fs::remove_dir_all(&folder);
}
