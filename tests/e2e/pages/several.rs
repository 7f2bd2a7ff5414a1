//! Pages that do for several at once what is done for each.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::text;
use serde_json::json;

use super::Visitor;
use crate::lab::Lab;

#[tokio::test]
async fn an_administrator_lists_people_and_a_manager_decides_on_their_roles_in_one_form() {
    let app = TestApp::start().await;
    let administrator = Visitor::of(app.running.address, &app.administrator);
    let form = administrator.get("/accounts/several").await;
    let entries = [
        ("_code", form.hidden("_code")),
        ("_key", form.hidden("_key")),
        ("people[0].display_name", "Mara Lindqvist"),
        ("people[0].role", "analyst"),
        // A row that was left empty is none.
        ("people[2].display_name", "Theo Brandt"),
        ("people[2].code", "theo"),
        ("people[2].role", "manager"),
        ("reason", "people of the bath laboratory"),
    ];
    let made = administrator.post("/accounts/several", &entries).await;
    assert!(made.status == 200 && made.text.contains("mara.lindqvist") && made.text.contains("theo"), "{}", made.text);
    assert_eq!(made.text.matches("class=\"secret\"").count(), 2, "{}", made.text);
    // Sent again, as when the page is loaded anew, it makes nobody twice.
    let again = administrator.post("/accounts/several", &entries).await;
    assert!(again.text.contains("people[0].code") && again.status != 200, "{}", again.text);

    let manager = Visitor::of(app.running.address, &app.manager);
    let day = manager.get("/day").await;
    assert!(day.text.contains("Roles to be decided on") && day.text.contains("/role-grants/decisions"), "{}", day.text);
    let grants = app.manager.get("/role-grants").await.expect(200);
    let waiting: Vec<String> = grants["items"].as_array().unwrap().iter().take(2).map(|one| text(one, "id")).collect();
    let ticked: Vec<(&str, &str)> = waiting.iter().map(|id| ("grants", id.as_str())).collect();
    manager.fill("/role-grants/decisions", &[&ticked[..], &[("decision", "approved")]].concat()).await;
    let people = app.auditor.get("/accounts").await.expect(200);
    let roles: Vec<&serde_json::Value> =
        people["items"].as_array().unwrap().iter().take(2).map(|one| &one["roles"]).collect();
    assert_eq!(roles, [&json!(["manager"]), &json!(["analyst"])]);
    // Who asked does not decide.
    assert_eq!(administrator.get("/role-grants/decisions").await.status, 403);
}

#[tokio::test]
async fn what_was_not_signed_of_several_says_why() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let analyst = Visitor::of(app.running.address, &app.analyst);
    let first = lab.iron2_done(["21.46", "21.48"]).await;
    let second = lab.iron2_done(["21.44", "21.46"]).await;
    let form = analyst.get("/signatures/submission").await;
    let value = |id: &str| {
        let (_, rest) = form.text.split_once(&format!("value=\"determinations/{id}/")).unwrap();
        format!("determinations/{id}/{}", rest.split('"').next().unwrap())
    };
    let (one, mut other) = (value(&first), value(&second));
    other.replace_range(other.len() - 4.., "0000");
    let password = app.analyst.password.as_str();
    let hidden = [("_code", form.hidden("_code")), ("_key", form.hidden("_key")), ("password", password)];
    let nothing = analyst.post("/signatures/submission", &hidden).await;
    assert!(nothing.status == 422 && nothing.text.contains("tick what you have looked at"), "{}", nothing.text);
    let form = analyst.get("/signatures/submission").await;
    let hidden = [("_code", form.hidden("_code")), ("_key", form.hidden("_key")), ("password", password)];
    let sent = analyst.post("/signatures/submission", &[&hidden[..], &[("of", &one), ("of", &other)]].concat()).await;
    assert!(sent.status == 200 && sent.text.contains("1 of 2 not signed"), "{}", sent.text);
    assert!(sent.text.contains("not signed: "), "{}", sent.text);
    let state = async |id: &str| app.auditor.get(&format!("/determinations/{id}")).await.expect(200)["state"].clone();
    assert_eq!((state(&first).await, state(&second).await), (json!("submitted"), json!("in progress")));
    // Nobody is offered their own work to review.
    let own = analyst.get("/signatures/review").await;
    assert!(own.text.contains("Nothing waits for your signature"), "{}", own.text);
    let reviewer = Visitor::of(app.running.address, &app.analyst2);
    assert!(reviewer.get("/signatures/review").await.text.contains(&first));
}
