//! The first sign-in with a provisional password: one form, the rules of signing in and of changing the password.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::authenticator::set_up;
use ferrotitre_tests::bench::text;
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::json;

use super::{Page, Visitor};

const OWN: &str = "kettle-orbit-fern-lantern";

/// A new account: sign-in name and provisional password.
async fn new_account(app: &TestApp) -> (String, String) {
    let new = json!({ "code": "ada.quist", "display_name": "Ada Quist", "kind": "person" });
    let made = app.administrator.post("/accounts", &new).await.expect(201);
    ("ada.quist".to_owned(), text(&made, "provisional_password"))
}

async fn first(app: &TestApp, entries: [&str; 4]) -> Page {
    let names = ["account", "password", "new", "one_time_code"];
    let form: Vec<(&str, &str)> = names.into_iter().zip(entries).collect();
    Visitor::of(app.running.address, &app.nobody).post("/first-sign-in", &form).await
}

/// Whether the answer signs in.
fn signs_in(page: &Page) -> bool {
    page.status == 303
        && page.header("location") == "/?done=password"
        && page.header("set-cookie").contains("ferrotitre_access=")
}

#[tokio::test(flavor = "multi_thread")]
async fn a_provisional_password_is_given_once_with_the_own_one() {
    let app = TestApp::start().await;
    let (code, provisional) = new_account(&app).await;
    // Whoever signed in with it elsewhere is signed out.
    let before = app.nobody.sign_in(&code, &provisional).await.expect(200);
    let before = app.nobody.with_token(before["access_token"].as_str().unwrap());
    let secrets = app.row_counts(&["account_secrets"]).await[0];
    for (password, new, status, words) in [
        (provisional.as_str(), "short", 422, "must have 12 to 200 characters"),
        (provisional.as_str(), provisional.as_str(), 422, "must differ from the present password"),
        (provisional.as_str(), "ada.quist Ada Quist", 422, "too easy to guess"),
        ("not the password", OWN, 401, "name, password or one-time code is wrong"),
    ] {
        let page = first(&app, [&code, password, new, ""]).await;
        assert!(page.status == status && page.text.contains(words), "{new}: {} {}", page.status, page.text);
        assert!(page.text.contains("value=\"ada.quist\"") && !page.text.contains(&provisional), "{}", page.text);
    }
    let unknown = first(&app, ["nobody-here", &provisional, OWN, ""]).await;
    assert!(unknown.status == 401 && unknown.text.contains("name, password or one-time code is wrong"));
    assert_eq!(app.row_counts(&["account_secrets"]).await[0], secrets, "nothing was set");
    let done = first(&app, [&code, &provisional, OWN, ""]).await;
    assert!(signs_in(&done), "{} {}", done.status, done.text);
    before.get("/accounts/me").await.refused(401, "session_ended");
    app.nobody.sign_in(&code, &provisional).await.refused(401, "bad_credentials");
    let tokens = app.nobody.sign_in(&code, OWN).await.expect(200);
    assert_eq!(tokens["password_provisional"], false);
    // It is on record as set by its owner, who acted by their own account.
    let own = app.nobody.with_token(tokens["access_token"].as_str().unwrap()).get("/accounts/me").await.expect(200);
    let sql = app.sql(DatabaseRole::Service).await;
    let query = "SELECT actor::text, actor_kind, action FROM audit_events WHERE entity_kind = 'account_secrets' ORDER BY at DESC LIMIT 1";
    let event = sql.query_one(query, &[]).await.unwrap();
    let (actor, kind, action): (Option<String>, String, String) = (event.get(0), event.get(1), event.get(2));
    assert_eq!((actor, kind.as_str(), action.as_str()), (Some(text(&own, "id")), "person", "own_account"));
    // An own password is not changed here.
    let again = first(&app, [&code, OWN, "another-orbit-fern-lantern", ""]).await;
    assert!(again.status == 409 && again.text.contains("has an own password already"), "{}", again.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn wrong_passwords_count_like_those_of_signing_in() {
    let app = TestApp::start().await;
    let (code, provisional) = new_account(&app).await;
    for _ in 0..5 {
        assert_eq!(first(&app, [&code, "not the password", OWN, ""]).await.status, 401);
        app.nobody.sign_in(&code, "not the password").await.refused(401, "bad_credentials");
    }
    assert_eq!(first(&app, [&code, &provisional, OWN, ""]).await.status, 429);
    app.nobody.sign_in(&code, &provisional).await.refused(429, "too_many_tries");
}

/// Somebody whose password was set anew has their codes still.
#[tokio::test(flavor = "multi_thread")]
async fn one_time_codes_are_asked_for_where_they_are_set_up() {
    let app = TestApp::start().await;
    let (mut device, _) = set_up(&app.analyst, false).await;
    let path = format!("/accounts/{}/provisional-password", app.analyst.id);
    let set = app.administrator.post(&path, &json!({})).await.expect(201);
    let (code, provisional) = (app.analyst.code.clone(), text(&set, "provisional_password"));
    assert_eq!(first(&app, [&code, &provisional, OWN, ""]).await.status, 401);
    let one_time = device.fresh().await;
    // A new password that is too short does not use up a code.
    assert_eq!(first(&app, [&code, &provisional, "short", &one_time]).await.status, 422);
    let done = first(&app, [&code, &provisional, OWN, &one_time]).await;
    assert!(signs_in(&done), "{} {}", done.status, done.text);
}

/// The second transaction: whoever read the password over somebody's shoulder is as quick as they.
#[tokio::test(flavor = "multi_thread")]
async fn of_two_at_the_same_moment_one_sets_the_password() {
    let app = TestApp::start().await;
    let (code, provisional) = new_account(&app).await;
    let entries = |new: &'static str| [code.clone(), provisional.clone(), new.to_owned()];
    let (one, other) = (entries(OWN), entries("meadow-copper-violin-stair"));
    let (a, b) =
        tokio::join!(first(&app, [&one[0], &one[1], &one[2], ""]), first(&app, [&other[0], &other[1], &other[2], ""]));
    assert_eq!([&a, &b].into_iter().filter(|page| signs_in(page)).count(), 1, "{} {}", a.text, b.text);
    let refused = if signs_in(&a) { &b } else { &a };
    // Too late by a moment, or by more.
    assert!([401, 409].contains(&refused.status), "{} {}", refused.status, refused.text);
    assert_eq!(app.nobody.sign_in(&code, OWN).await.status == 200, signs_in(&a));
}
