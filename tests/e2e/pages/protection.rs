//! What protects pages: where posts come from, what a form must carry, what browsers are told.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{day, sample};
use serde_json::Value;

use super::{Page, Visitor};

/// A sample as the form sends it.
pub(super) fn entries(code: &str) -> Vec<(String, String)> {
    let facts = sample(code);
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let mut all: Vec<(String, String)> =
        facts.as_object().unwrap().iter().map(|(name, value)| (name.clone(), text(value))).collect();
    all.retain(|(name, _)| name != "received_at" && name != "retained_until");
    all.push(("retained_until".to_owned(), day(90)));
    all
}

pub(super) async fn register(visitor: &Visitor, form: &Page, all: &[(String, String)]) -> Page {
    let mut sent: Vec<(&str, &str)> = all.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
    sent.extend([("_code", form.hidden("_code")), ("_key", form.hidden("_key"))]);
    visitor.post("/samples/new", &sent).await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_sent_twice_records_once_and_one_that_is_refused_keeps_its_entries() {
    let app = TestApp::start().await;
    let analyst = Visitor::of(app.running.address, &app.analyst);
    let form = analyst.get("/samples/new").await;
    let first = register(&analyst, &form, &entries("S-100")).await;
    assert_eq!(first.status, 303, "{}", first.text);
    assert!(first.header("location").ends_with("?done=saved"), "{}", first.header("location"));
    let again = register(&analyst, &form, &entries("S-100")).await;
    assert!(again.header("location").ends_with("?done=again"), "{}", again.header("location"));
    let samples = app.analyst.get("/samples").await.expect(200);
    assert_eq!(samples["items"].as_array().unwrap().len(), 1);
    // The same key with other entries: nothing is recorded, and the form has a fresh key.
    let reused = register(&analyst, &form, &entries("S-101")).await;
    assert_eq!(reused.status, 422);
    assert!(reused.hidden("_key") != form.hidden("_key") && reused.text.contains("value=\"S-101\""), "{}", reused.text);
    // A taken code stands beside its field.
    let fresh = analyst.get("/samples/new").await;
    let taken = register(&analyst, &fresh, &entries("S-100")).await;
    assert_eq!(taken.status, 409);
    assert!(taken.text.contains("there is a sample with this code"), "{}", taken.text);
    assert!(taken.text.contains("value=\"bath 3, morning\""), "{}", taken.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn forms_of_other_sites_and_of_other_sessions_are_refused() {
    let app = TestApp::start().await;
    let analyst = Visitor::of(app.running.address, &app.analyst);
    let form = analyst.get("/samples/new").await;
    let code = form.hidden("_code").to_owned();
    assert!(code.len() > 30, "{code}");
    for headers in [&[("Sec-Fetch-Site", "cross-site")][..], &[("Origin", "http://elsewhere.example")], &[]] {
        let answer = analyst.post_from("/samples/new", headers, &[("_code", &code)]).await;
        assert_eq!(answer.status, 403, "{headers:?}: {}", answer.text);
    }
    let other = Visitor::of(app.running.address, &app.analyst2).get("/samples/new").await;
    assert_ne!(other.hidden("_code"), code);
    let mut all = entries("S-200");
    all.push(("_code".to_owned(), other.hidden("_code").to_owned()));
    let sent: Vec<(&str, &str)> = all.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
    let answer = analyst.post("/samples/new", &sent).await;
    assert_eq!(answer.status, 409, "{}", answer.text);
    assert!(app.analyst.get("/samples").await.expect(200)["items"].as_array().unwrap().is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn the_cookie_opens_pages_but_changes_nothing_through_the_api() {
    let app = TestApp::start().await;
    let analyst = Visitor::of(app.running.address, &app.analyst);
    assert_eq!(analyst.get("/api/v1/accounts/me").await.status, 200);
    let answer = analyst.post("/api/v1/accounts/me/password", &[]).await;
    assert_eq!(answer.status, 401, "{}", answer.text);
    let signed = Visitor::of(app.running.address, &app.nobody)
        .post(
            "/sign-in",
            &[("account", &app.analyst.code), ("password", &app.analyst.password), ("next", "//elsewhere.example")],
        )
        .await;
    assert_eq!((signed.status, signed.header("location")), (303, "/"));
    let cookie = signed.header("set-cookie");
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
}

#[tokio::test(flavor = "multi_thread")]
async fn look_and_decimal_mark_are_kept_in_the_browser_and_used() {
    let app = TestApp::start().await;
    let analyst = Visitor::of(app.running.address, &app.analyst);
    let chosen = analyst.post("/look", &[("look", "dark"), ("mark", "comma"), ("back", "/samples")]).await;
    assert_eq!((chosen.status, chosen.header("location")), (303, "/samples"));
    let cookies: Vec<&str> = chosen.headers.get_all("set-cookie").iter().filter_map(|one| one.to_str().ok()).collect();
    assert!(cookies.iter().any(|one| one.starts_with("ferrotitre_look=dark")), "{cookies:?}");
    let with = format!("ferrotitre_access={}; ferrotitre_look=dark; ferrotitre_mark=comma", analyst.token);
    let bare = Visitor { token: String::new(), ..analyst };
    let page = bare.send(bare.request(reqwest::Method::GET, "/titrants/new").header("Cookie", with)).await;
    assert!(page.text.contains("data-look=\"dark\" data-mark=\"comma\""), "{}", page.text);
    assert!(page.text.contains("value=\"0,990\""), "{}", page.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn pages_run_only_our_own_files_and_files_are_kept_for_ever() {
    let app = TestApp::start().await;
    let manager = Visitor::of(app.running.address, &app.manager);
    let day = manager.get("/day").await;
    let policy = day.header("content-security-policy");
    assert!(policy.contains("default-src 'none'") && !policy.contains("unsafe"), "{policy}");
    assert_eq!(day.header("cache-control"), "no-store");
    assert!(
        !day.text.contains("<style") && !day.text.contains(" style=") && !day.text.contains("onclick"),
        "{}",
        day.text
    );
    let sheet = day.text.split("href=\"/assets/").nth(2).unwrap().split('"').next().unwrap().to_owned();
    let file = manager.get(&format!("/assets/{sheet}")).await;
    assert_eq!(file.status, 200, "{sheet}");
    assert!(file.header("cache-control").contains("immutable"), "{}", file.header("cache-control"));
    let missing = manager.get("/no-such-page").await;
    assert_eq!(missing.status, 404);
    assert!(missing.text.contains("No such thing"), "{}", missing.text);
}
