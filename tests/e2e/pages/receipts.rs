//! Receipts of what is saved through pages: the browser keeps them, with script and without, and they prove what became of the log.

use ferrotitre_check::receipt::Receipt;
use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::text;
use ferrotitre_tests::browser::Browser;

use super::Visitor;
use super::protection::{entries, register};
use crate::proofs::receipts::{LOCK, forger, period, sample};
use crate::proofs::{brought, log_key};

/// Registers a sample through the form, as a person does; the address of the receipt that the answer offers.
async fn saved(browser: &Browser, code: &str) -> String {
    browser.goto("/samples/new").await;
    for (name, value) in entries(code) {
        let script = format!("document.querySelector(\"[name='{name}']\").value = {}", serde_json::json!(value));
        browser.script(&script).await;
    }
    browser.click("form.entry button.main").await;
    browser.sees("Saved.").await;
    browser.click(".notice a").await;
    browser.sees("What was promised").await;
    browser.path().await
}

/// The file that the page of a receipt offers.
async fn file(browser: &Browser, receipt: &str) -> String {
    let script = format!(
        "const done = arguments[arguments.length - 1]; fetch('{receipt}/file').then((answer) => answer.text()).then(done)"
    );
    browser.script_async(&script).await.as_str().unwrap().to_owned()
}

/// RFC 9162, 4.8 (from memory): a log that does not hold what it has promised is shown to have misbehaved by the promise alone.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_saved_through_a_form_leaves_a_receipt_in_the_browser_that_proves_a_suppressed_event() {
    let app = TestApp::start().await;
    let key = brought(&log_key(&app.nobody).await);
    let browser = Browser::open(&format!("http://{}", app.running.address)).await;
    browser.sign_in(&app.analyst.code, &app.analyst.password).await;
    let first = saved(&browser, "S-1").await;
    let kept = file(&browser, &first).await;
    app.sealed().await;
    let found = Receipt::open(&kept, &key).unwrap().check(None, Some(&period(&app, &key).await)).unwrap().text();
    assert!(found.contains("is in the log as it was promised"), "{found}");
    browser.goto(&first).await;
    browser.sees("as promised").await;
    // Somebody with the database suppresses an entry before it is sealed; the log goes on, and is in order.
    let sql = forger(&app).await;
    let before = sample(&app, "S-2").await;
    let second = saved(&browser, "S-3").await;
    assert_ne!(second, first);
    let after = sample(&app, "S-4").await;
    let version = |answer: &ferrotitre_tests::Answer| text(&answer.json, "version_id");
    sql.batch_execute(&format!(
        "UPDATE audit_events SET at = at - interval '1 hour' WHERE entity_id = '{}'; \
         UPDATE audit_events SET at = at + interval '1 hour' WHERE entity_id = '{}'; \
         DELETE FROM audit_pending WHERE event_id IN (SELECT e.id FROM audit_events e JOIN samples s ON s.id = e.entity_id \
         WHERE s.code = 'S-3'); \
         DELETE FROM audit_events e USING samples s WHERE s.id = e.entity_id AND s.code = 'S-3'; \
         DELETE FROM samples WHERE code = 'S-3'; SELECT pg_advisory_unlock({LOCK})",
        version(&before),
        version(&after),
    ))
    .await
    .unwrap();
    app.sealed().await;
    let bundle = period(&app, &key).await;
    let kept = file(&browser, &second).await;
    let why = Receipt::open(&kept, &key).unwrap().check(None, Some(&bundle)).unwrap_err();
    assert!(why.contains("it was suppressed"), "{why}");
    // The service itself says so, as long as nobody has altered it as well.
    browser.goto(&second).await;
    browser.sees("NOT IN THE LOG: it was suppressed").await;
    browser.goto("/receipts").await;
    browser.click("main table tr:last-child a").await;
    browser.sees("What was promised").await;
    assert_eq!(browser.console().await, Vec::<String>::new());
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn receipts_are_kept_without_script_each_at_its_own_address_and_the_oldest_gives_way() {
    let app = TestApp::start().await;
    let key = brought(&log_key(&app.nobody).await);
    // The answer to the post has it, in the header and in two cookies; a refusal has none.
    let analyst = Visitor::of(app.running.address, &app.analyst);
    let form = analyst.get("/samples/new").await;
    let done = register(&analyst, &form, &entries("S-9")).await;
    assert_eq!(done.status, 303, "{}", done.text);
    let cookies: Vec<&str> = done.headers.get_all("set-cookie").iter().map(|value| value.to_str().unwrap()).collect();
    let own = cookies.iter().find(|cookie| cookie.starts_with("ferrotitre_receipt=")).unwrap();
    assert!(own.contains("Path=/receipts/0;") && own.contains("HttpOnly") && own.contains("SameSite=Strict"), "{own}");
    assert!(own.len() < 4096, "browsers keep no longer cookie: {}", own.len());
    let index = cookies.iter().find(|cookie| cookie.starts_with("ferrotitre_receipts=0.")).unwrap();
    let pair = |cookie: &str| cookie.split(';').next().unwrap().to_owned();
    let page = analyst.get_with("/receipts/0/file", &pair(own)).await;
    assert_eq!(page.text, done.header("audit-receipt"), "the same promise, not one made later");
    assert!(page.header("content-disposition").starts_with("attachment; filename=\"receipt-2"));
    assert!(Receipt::open(&page.text, &key).is_ok());
    let list = analyst.get_with("/receipts", &pair(index)).await.text;
    assert!(list.contains("href=\"/receipts/0\""), "{list}");
    let fresh = analyst.get("/samples/new").await;
    let taken = register(&analyst, &fresh, &entries("S-9")).await;
    assert_eq!((taken.status, taken.header("audit-receipt")), (409, ""));
    assert!(!taken.headers.get_all("set-cookie").iter().any(|value| value.to_str().unwrap().contains("receipt")));
    // Nothing is kept here; what is no receipt.
    for cookie in ["", "ferrotitre_receipt=x", "ferrotitre_receipt=e30=.x", "ferrotitre_receipt=!.!"] {
        let none = analyst.get_with("/receipts/3", cookie).await;
        assert!(none.status == 404 || none.text.contains("Events promised"), "{cookie}: {}", none.status);
    }
}
