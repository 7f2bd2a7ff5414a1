//! Every page, as nobody and as every role, against the guards its handler names.

use ferrotitre_base::auth::permissions::{Action, Role, may};
use ferrotitre_tests::TestApp;
use ferrotitre_tests::client::Client;
use ferrotitre_tests::sources::{is_page, service};

use super::Visitor;

/// A page: its address with parameters, and the actions its handler asks for.
pub(super) struct Address {
    pub(super) pattern: String,
    actions: Vec<Action>,
}

/// Pages that need no account.
const OPEN: [&str; 4] = ["/sign-in", "/first-sign-in", "/set-up", "/assets/{fingerprint}/{name}"];

/// Every page that answers GET, as the sources mount them.
pub(super) fn addresses() -> Vec<Address> {
    let mut found = Vec::new();
    for (_, file) in service().into_iter().filter(|(name, _)| is_page(name)) {
        let text = std::fs::read_to_string(&file).unwrap();
        let mut rest = text.as_str();
        while let Some((_, after)) = rest.split_once("#[get(\"") {
            let (pattern, after) = after.split_once('"').unwrap();
            let (signature, _) = after.split_once("-> ").unwrap();
            let named = signature.split("Allowed<").skip(1).map(|part| part.split('>').next().unwrap());
            let action = |name: &str| {
                let known = Action::ALL.iter().copied().find(|action| format!("{action:?}") == name);
                known.unwrap_or_else(|| panic!("{pattern} asks for {name}"))
            };
            let actions: Vec<Action> = named.map(action).collect();
            assert!(!actions.is_empty() || OPEN.contains(&pattern), "{pattern} has no guard");
            // A document is made of a page's sections, but it is an operation of the API.
            if !actions.is_empty() && !pattern.ends_with(".pdf") {
                found.push(Address { pattern: pattern.to_owned(), actions });
            }
            rest = after;
        }
    }
    found
}

/// The address with something in place of every parameter; where words are given, the first of them.
fn filled(pattern: &str) -> String {
    pattern
        .split('/')
        .map(|part| match part.strip_prefix('{').and_then(|part| part.strip_suffix('}')) {
            Some(parameter) => match parameter.split_once(':') {
                Some((_, words)) => words.split('|').next().unwrap().to_owned(),
                None => "01900000-0000-7000-8000-000000000000".to_owned(),
            },
            None => part.to_owned(),
        })
        .collect::<Vec<_>>()
        .join("/")
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_sends_nobody_to_the_sign_in_and_tells_a_role_that_may_not() {
    let app = TestApp::start().await;
    let roles: [(Role, &Client); 4] = [
        (Role::Analyst, &app.analyst),
        (Role::Manager, &app.manager),
        (Role::Auditor, &app.auditor),
        (Role::Administrator, &app.administrator),
    ];
    let nobody = Visitor::of(app.running.address, &app.nobody);
    let pages = addresses();
    assert!(pages.len() > 60, "{}", pages.len());
    for page in &pages {
        let path = filled(&page.pattern);
        let answer = nobody.get(&path).await;
        let place = answer.header("location");
        assert!(answer.status == 303 && place.starts_with("/sign-in?"), "{path}: {} {place}", answer.status);
        for (role, client) in roles {
            let answer = Visitor::of(app.running.address, client).get(&path).await;
            let allowed = page.actions.iter().all(|action| may(&[role], *action));
            assert_eq!(answer.status == 403, !allowed, "{path} as {}: {}", role.text(), answer.status);
            assert!(answer.status < 500, "{path} as {}: {}", role.text(), answer.text);
            if answer.status >= 400 {
                assert!(answer.text.starts_with("<!doctype html>"), "{path}: {}", answer.text);
            }
        }
    }
}
