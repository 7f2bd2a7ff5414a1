//! The newcomer: an empty store and a browser, from the code in the first lines to two people who can go on.

use std::path::PathBuf;

use ferrotitre_api::migrate;
use ferrotitre_tests::app::{Running, SET_UP_CODE};
use ferrotitre_tests::browser::Browser;
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::{DatabaseRole, shared};

/// A service over a store in which nobody has an account.
pub(super) async fn empty() -> Running {
    let shared = shared().await;
    let database = shared.empty_database().await;
    migrate::run(&shared.address(DatabaseRole::Owner, &database)).await.unwrap();
    let store = shared.address(DatabaseRole::Service, &database);
    Running::start(&store, &shared.data, (&shared.seal_key, &shared.memory(&database)))
}

fn picture(name: &str) -> PathBuf {
    let folder: PathBuf = [env!("CARGO_MANIFEST_DIR"), "screenshots"].iter().collect();
    std::fs::create_dir_all(&folder).unwrap();
    folder.join(name)
}

async fn fill(browser: &Browser, name: &str, text: &str) {
    browser.fill(&format!("[name='{name}']"), text).await;
}

async fn send(browser: &Browser) {
    browser.click("form.entry button.main").await;
}

async fn sign_out(browser: &Browser) {
    browser.click("form[action='/sign-out'] button").await;
    browser.sees("Sign in").await;
}

/// Chooses one of few.
async fn tile(browser: &Browser, name: &str, value: &str) {
    browser.click(&format!("label.tile:has(input[name='{name}'][value='{value}'])")).await;
}

/// Signs in with a provisional password, sets an own one, and signs in with that.
async fn take_over(browser: &Browser, (name, provisional, own): (&str, &str, &str)) {
    browser.sign_in(name, provisional).await;
    assert_eq!(browser.path().await, "/account/password", "{name}");
    fill(browser, "present", provisional).await;
    fill(browser, "new", own).await;
    send(browser).await;
    // Whoever has just given both goes on in this browser; every other session has ended.
    browser.sees("The password was changed").await;
    browser.sees("Sign out").await;
}

/// Whether leaving the page, or loading it anew, is asked about first.
async fn asks_before_it_is_left(browser: &Browser) -> bool {
    let leave = "return !window.dispatchEvent(new Event('beforeunload', { cancelable: true }))";
    browser.script(leave).await.as_bool().unwrap()
}

const ADMINISTRATOR: (&str, &str) = ("robin.falk", "copper-lantern-orchid-9-gulls");
const MANAGER: (&str, &str) = ("noor.haas", "velvet-anchor-thistle-4-plums");

async fn set_up(browser: &Browser) -> [String; 2] {
    browser.goto("/").await;
    assert_eq!(browser.path().await, "/set-up");
    browser.picture(1280, &picture("newcomer-set-up-1280.png")).await;
    fill(browser, "code", "not the code").await;
    fill(browser, "administrator.display_name", "Robin Falk").await;
    fill(browser, "administrator.code", ADMINISTRATOR.0).await;
    fill(browser, "manager.display_name", "Noor Haas").await;
    fill(browser, "manager.code", "Noor Haas").await;
    send(browser).await;
    browser.sees("is not the code the service printed").await;
    assert_eq!(browser.value("[name='administrator.code']").await, ADMINISTRATOR.0, "nothing entered is lost");
    // A sign-in name that cannot be is named at the person it is of.
    fill(browser, "code", SET_UP_CODE).await;
    send(browser).await;
    let wrong = browser.value("[name='manager.code'][aria-invalid='true']").await;
    assert_eq!(wrong, "Noor Haas", "beside the person it is of");
    // A sign-in name is made of a printed one of plain letters; how others are spelt their owner decides.
    fill(browser, "code", SET_UP_CODE).await;
    fill(browser, "manager.code", "").await;
    fill(browser, "analysts[1].display_name", "Zoë Müller").await;
    send(browser).await;
    browser.sees("none can be made of the printed name").await;
    assert!(browser.has("[name='analysts[1].code'][aria-invalid='true']").await);
    fill(browser, "code", SET_UP_CODE).await;
    fill(browser, "analysts[1].code", "zoe.mueller").await;
    send(browser).await;
    browser.sees("The accounts are made").await;
    browser.sees("zoe.mueller, analyst").await;
    assert!(asks_before_it_is_left(browser).await, "passwords that are shown this once");
    browser.picture(1280, &picture("newcomer-set-up-done-1280.png")).await;
    let shown =
        browser.script("return [...document.querySelectorAll('.secret code')].map((one) => one.textContent)").await;
    let passwords: Vec<String> = shown.as_array().unwrap().iter().map(|one| one.as_str().unwrap().to_owned()).collect();
    assert_eq!(passwords.len(), 3);
    [passwords[0].clone(), passwords[1].clone()]
}

#[tokio::test(flavor = "multi_thread")]
async fn an_empty_store_becomes_a_laboratory_in_which_everybody_can_go_on() {
    let running = empty().await;
    let browser = Browser::open(&format!("http://{}", running.address)).await;
    let [first, second] = set_up(&browser).await;
    // There is no second time, for whoever kept the code.
    browser.goto("/set-up").await;
    assert_eq!(browser.path().await, "/sign-in");

    take_over(&browser, (ADMINISTRATOR.0, &first, ADMINISTRATOR.1)).await;
    browser.goto("/first-result").await;
    browser.sees("things are missing").await;
    browser.picture(1280, &picture("newcomer-first-result-1280.png")).await;
    browser.goto("/accounts/new").await;
    fill(&browser, "code", "ines.roth").await;
    fill(&browser, "display_name", "Ines Roth").await;
    tile(&browser, "kind", "person").await;
    send(&browser).await;
    // It must be seen with scripts, too: they send the form themselves.
    let analyst = browser.text(".secret code").await;
    assert!(asks_before_it_is_left(&browser).await);
    browser.picture(1280, &picture("newcomer-account-1280.png")).await;
    browser.click("a.button.main").await;
    browser.sees("Saved.").await;
    assert!(!asks_before_it_is_left(&browser).await);
    let account = browser.path().await;
    let account = account.split('?').next().unwrap();
    browser.goto(&format!("{account}/role-grants")).await;
    tile(&browser, "role", "analyst").await;
    tile(&browser, "effect", "grant").await;
    fill(&browser, "reason", "titrates the baths").await;
    send(&browser).await;
    browser.sees("Saved.").await;
    sign_out(&browser).await;

    // Before anybody has decided on a role, the own account is the person's own: its password and the way out.
    take_over(&browser, ("ines.roth", &analyst, "marble-kestrel-tunic-7-fjord")).await;
    assert_eq!(browser.path().await, "/account?done=password");
    sign_out(&browser).await;

    take_over(&browser, (MANAGER.0, &second, MANAGER.1)).await;
    browser.goto("/day").await;
    browser.sees("What the first result still needs").await;
    browser.goto("/accounts").await;
    browser.click("#grants td a[href^='/role-grants/']").await;
    tile(&browser, "decision", "approved").await;
    fill(&browser, "reason", "trained by the book").await;
    send(&browser).await;
    browser.sees("approved").await;
    browser.goto("/first-result").await;
    let lines = "return [...document.querySelectorAll('#needs tbody tr')].map((line) => [...line.cells].slice(0, 2).map((cell) => cell.textContent.trim()).join(': '))";
    let lines = browser.script(lines).await.to_string();
    assert!(lines.contains("there: A manager") && lines.contains("there: An analyst"), "{lines}");
    assert!(lines.contains("there: Three people who sign") && lines.contains("missing: A balance"), "{lines}");
    let nobody = Client::nobody(&format!("http://{}", running.address));
    let _ = nobody.sign_in("ines.roth", "marble-kestrel-tunic-7-fjord").await.expect(200);
}

/// The second transaction: two people send the form at the same moment.
#[tokio::test(flavor = "multi_thread")]
async fn of_two_set_ups_at_the_same_moment_one_is_carried_out() {
    let running = empty().await;
    let http = reqwest::Client::builder().no_proxy().redirect(reqwest::redirect::Policy::none()).build().unwrap();
    let send = async |mark: usize| {
        let form = format!(
            "code={SET_UP_CODE}&administrator.display_name=Robin+{mark}&administrator.code=robin.{mark}\
             &manager.display_name=Noor+{mark}&manager.code=noor.{mark}"
        );
        let answer = http
            .post(format!("http://{}/set-up", running.address))
            .header("Sec-Fetch-Site", "same-origin")
            .header("Content-Type", "application/x-www-form-urlencoded")
            .body(form)
            .send()
            .await
            .unwrap();
        let status = answer.status().as_u16();
        (status, answer.text().await.unwrap())
    };
    let (one, other) = tokio::join!(send(1), send(2));
    let mut found = [one.0, other.0];
    found.sort_unstable();
    assert!(found[0] == 200 && [303, 409].contains(&found[1]), "{one:?} {other:?}");
    let made = [&one.1, &other.1].iter().filter(|page| page.contains("The accounts are made")).count();
    assert_eq!(made, 1);
}
