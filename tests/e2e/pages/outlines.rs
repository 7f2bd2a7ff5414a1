//! A method from an outline, and another copied from it, in a browser.

use ferrotitre_tests::app::TestApp;
use ferrotitre_tests::browser::Browser;
use serde_json::json;

async fn fill(browser: &Browser, name: &str, text: &str) {
    browser.fill(&format!("[name='{name}']"), text).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_method_begins_with_an_outline_and_is_copied_to_another() {
    let app = TestApp::start().await;
    let outlines = app.analyst.get("/method-outlines").await.expect(200);
    let all = outlines.as_array().unwrap();
    assert!(all.len() >= 8, "{outlines}");
    for outline in all {
        assert!(
            !outline["sources"].as_array().unwrap().is_empty() && outline["before_use"].as_array().unwrap().len() >= 6
        );
        assert!(outline["cautions"].as_str().unwrap().contains("safety data sheet"), "{outline}");
        assert!(outline["proposals"].as_array().unwrap().iter().all(|one| one["reason"] != ""), "{outline}");
    }
    let browser = Browser::open(&format!("http://{}", app.running.address)).await;
    browser.sign_in(&app.manager.code, &app.manager.password).await;
    browser.goto("/methods").await;
    browser.click("a[href='/methods/outlines']").await;
    browser.click("a[href='/methods/outlines/iron2-dichromate']").await;
    browser.sees("To be shown before use").await;
    browser.click("a[href='/methods/new?outline=iron2-dichromate']").await;
    assert_eq!(browser.value("[name='rules.concordance_limit_ml']").await, "0.10");
    assert_eq!(browser.value("[name='rules.end_point_u_ml']").await, "", "only a validation can say it");
    // What the outline leaves open, and no more.
    for (name, text) in [
        ("code", "M-OUT"),
        ("matrix", "hydrochloric pickling bath"),
        ("rules.end_point_u_ml", "0.01"),
        ("rules.validated_low", "5"),
        ("rules.validated_high", "200"),
    ] {
        fill(&browser, name, text).await;
    }
    browser.click("form.entry button.main").await;
    browser.sees("In plain words").await;
    browser.sees("Two accurate titres within 0.10 mL; otherwise up to four, then their median").await;
    let methods = app.auditor.get("/methods").await.expect(200);
    let drafted = &methods["items"][0];
    assert_eq!((&drafted["code"], &drafted["state"]), (&json!("M-OUT"), &json!("draft")));
    assert_eq!(drafted["rules"]["coverage_factor"], "2");
    browser.click(&format!("a[href='/methods/new?copy={}']", drafted["id"].as_str().unwrap())).await;
    assert_eq!(browser.value("[name='code']").await, "");
    assert_eq!(browser.value("[name='rules.validated_high']").await, "200");
    fill(&browser, "code", "M-COPY").await;
    browser.click("form.entry button.main").await;
    browser.sees("In plain words").await;
    let methods = app.auditor.get("/methods").await.expect(200);
    let copied = &methods["items"][0];
    assert_eq!(copied["code"], "M-COPY");
    for same in ["title", "principle", "analyte", "matrix", "chemistry", "reduction", "indicator", "rules"] {
        assert_eq!(copied[same], drafted[same], "{same}");
    }
    // A code that is taken is said, and nothing entered is lost.
    browser.goto("/methods/new?outline=iron2-dichromate").await;
    for (name, text) in
        [("code", "M-OUT"), ("matrix", "rinse"), ("rules.end_point_u_ml", "0.01"), ("rules.validated_low", "5")]
    {
        fill(&browser, name, text).await;
    }
    fill(&browser, "rules.validated_high", "200").await;
    browser.click("form.entry button.main").await;
    browser.sees("there is a method with this code").await;
    assert_eq!(browser.value("[name='matrix']").await, "rinse");
    browser.close().await;
    for (path, status) in [("/methods/outlines/none", 404), ("/methods/new?outline=none", 404)] {
        let page = super::Visitor::of(app.running.address, &app.manager).get(path).await;
        assert_eq!(page.status, status, "{path}");
    }
    // Who may not draft may look.
    let auditor = super::Visitor::of(app.running.address, &app.auditor);
    let page = auditor.get("/methods/outlines/total-tin-mercury").await;
    assert!(
        page.status == 200 && !page.text.contains("Draft a method from it") && page.text.contains("Mercury(II)"),
        "{}",
        page.text
    );
}
