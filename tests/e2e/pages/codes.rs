//! One-time codes in a real browser: an administrator who must set them up, and a manager whose signatures ask for them.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::authenticator::{Authenticator, set_up};
use ferrotitre_tests::browser::Browser;
use serde_json::json;

use super::every_page::{axe, findings};

async fn fill(browser: &Browser, name: &str, text: &str) {
    browser.fill(&format!("[name='{name}']"), text).await;
}

async fn send(browser: &Browser) {
    browser.click("form.entry button.main").await;
}

async fn tile(browser: &Browser, name: &str, value: &str) {
    browser.click(&format!("label.tile:has(input[name='{name}'][value='{value}'])")).await;
}

async fn no_fault(browser: &Browser, page: &str) {
    browser.script(&axe()).await;
    let found = findings(browser, "").await;
    assert!(found.is_empty(), "{page}: {found:#?}");
}

/// Gives name, password and code at the door.
async fn knock(browser: &Browser, account: &str, password: &str, code: &str) {
    browser.goto("/sign-in").await;
    fill(browser, "account", account).await;
    fill(browser, "password", password).await;
    fill(browser, "one_time_code", code).await;
    send(browser).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_administrator_is_led_to_the_codes_sets_them_up_and_signs_in_with_one() {
    let app = TestApp::start().await;
    let rule = json!({ "administrators_must": true, "reason": "they set passwords", "password": app.manager.password });
    let _ = app.manager.post("/one-time-code-rules", &rule).await.expect(201);
    let browser = Browser::open(&format!("http://{}", app.running.address)).await;
    let (name, password) = (&app.administrator.code, &app.administrator.password);
    browser.sign_in(name, password).await;
    assert_eq!(browser.path().await, "/account/one-time-codes");
    browser.sees("Set them up before anything else").await;
    assert!(browser.has("figure svg[role=img]").await);
    no_fault(&browser, "set up").await;
    let secret = browser.text("#type dd").await.replace(' ', "");
    let uri = format!("otpauth://totp/ferrotitre:{name}?secret={secret}&issuer=ferrotitre");
    let mut device = Authenticator::of(&uri);
    // A wrong code comes back with the same secret.
    fill(&browser, "one_time_code", &device.off_by(-5)).await;
    fill(&browser, "password", password).await;
    send(&browser).await;
    browser.sees("is not what the authenticator shows").await;
    assert_eq!(browser.text("#type dd").await.replace(' ', ""), secret);
    fill(&browser, "one_time_code", &device.fresh().await).await;
    fill(&browser, "password", password).await;
    send(&browser).await;
    browser.sees("These recovery codes open your account").await;
    no_fault(&browser, "recovery codes").await;
    let recovery = browser.text(".recovery li").await;
    assert_eq!(recovery.len(), 19, "{recovery}");
    browser.click(".narrow a.button.main").await;
    browser.sees("Recovery codes left").await;
    browser.goto("/accounts").await;
    browser.sees("Administrators must use one-time codes.").await;
    browser.click("form[action='/sign-out'] button").await;
    browser.sees("Sign in").await;

    knock(&browser, name, password, "").await;
    browser.sees("one-time code is wrong").await;
    knock(&browser, name, password, &device.fresh().await).await;
    browser.sees("Sign out").await;
    browser.goto("/account/one-time-codes/end").await;
    no_fault(&browser, "end").await;
    fill(&browser, "reason", "a new telephone").await;
    fill(&browser, "password", password).await;
    fill(&browser, "_one_time_code", &recovery).await;
    send(&browser).await;
    browser.sees("Sign in").await;
    browser.sign_in(name, password).await;
    assert_eq!(browser.path().await, "/account/one-time-codes");
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_that_signs_has_a_field_for_the_code_where_the_owner_chose_so() {
    let app = TestApp::start().await;
    let browser = Browser::open(&format!("http://{}", app.running.address)).await;
    let (name, password) = (&app.manager.code, &app.manager.password);
    browser.sign_in(name, password).await;
    browser.goto("/one-time-codes/decision").await;
    assert!(!browser.has("[name='_one_time_code']").await);
    let (mut device, recovery) = set_up(&app.manager, false).await;
    browser.goto("/account").await;
    browser.click("a[href='/account/one-time-codes/choice']").await;
    no_fault(&browser, "choice").await;
    tile(&browser, "at_signatures", "true").await;
    fill(&browser, "password", password).await;
    fill(&browser, "_one_time_code", &device.fresh().await).await;
    send(&browser).await;
    browser.sees("asked, too").await;
    browser.goto("/one-time-codes/decision").await;
    tile(&browser, "administrators_must", "true").await;
    fill(&browser, "reason", "they set passwords").await;
    fill(&browser, "password", password).await;
    send(&browser).await;
    browser.sees("must not be empty").await;
    for (code, said) in [("123", "password or the one-time code was wrong"), (recovery[0].as_str(), "they must")] {
        fill(&browser, "password", password).await;
        fill(&browser, "_one_time_code", code).await;
        send(&browser).await;
        browser.sees(said).await;
    }
    assert!(browser.path().await.starts_with("/one-time-codes?"));
    browser.close().await;
}
