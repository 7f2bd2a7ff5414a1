//! The bench in a real browser: the whole walk, by keyboard alone, without script, without network.

use ferrotitre_tests::browser::{Browser, keys};
use ferrotitre_tests::client::Client;

use crate::lab::Lab;

async fn browser(lab: &Lab) -> Browser {
    Browser::open(&format!("http://{}", lab.app.running.address)).await
}

async fn signed_in(lab: &Lab, who: &Client) -> Browser {
    let browser = browser(lab).await;
    browser.sign_in(&who.code, &who.password).await;
    browser
}

/// Readings and end point; what the titration before was made with stands there already.
async fn enter(browser: &Browser, last: &str) {
    browser.fill("[name='initial_readings[0]']", "0.00").await;
    browser.fill("[name='final_readings[0]']", last).await;
    browser.click("[name=end_point][value='green to violet, sharp']").await;
}

async fn save(browser: &Browser) {
    browser.click("form.titration .send button").await;
}

async fn titrations(lab: &Lab, determination: &str) -> Vec<(String, String, String)> {
    let view = lab.app.analyst.get(&format!("/determinations/{determination}")).await.expect(200);
    let line = |titre: &serde_json::Value| {
        ["difference_ml", "kind", "fate"].map(|field| titre[field].as_str().unwrap_or_default().to_owned()).into()
    };
    view["evaluation"]["titres"].as_array().unwrap().iter().map(line).collect()
}

async fn sign(browser: &Browser, path: &str, who: &Client) {
    browser.goto(path).await;
    browser.fill("[name=password]", &who.password).await;
    browser.click("form.entry button.main").await;
    browser.sees("Saved.").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_determination_goes_from_a_failed_reduction_over_a_slip_to_its_approval() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.total).await;
    let determination = lab.begin(&run).await;
    let bench = format!("/determinations/{determination}/bench");
    let analyst = signed_in(&lab, &lab.app.analyst).await;

    analyst.goto(&bench).await;
    analyst.click("[name='reduction.precipitate'][value=grey]").await;
    analyst.click("[name='reduction.phosphoric_acid'][value=true]").await;
    analyst.fill("[name=waste_stream]", "mercury and chromium acid").await;
    enter(&analyst, "23.60").await;
    assert_eq!(analyst.text("#difference").await, "23.60");
    save(&analyst).await;
    analyst.sees("failed reduction").await;

    // A slip of 1 mL is saved and asked about, never refused.
    for last in ["23.20", "24.22"] {
        analyst.sees(if last == "23.20" { "Save titration 2" } else { "Save titration 3" }).await;
        analyst.click("[name='reduction.precipitate'][value='slight white']").await;
        analyst.click("[name='reduction.phosphoric_acid'][value=true]").await;
        enter(&analyst, last).await;
        save(&analyst).await;
    }
    analyst.sees("Was titration 3 read correctly?").await;
    analyst.click(".question:last-of-type a.button, .question a.button").await;
    let slip = analyst.path().await;
    assert!(slip.starts_with("/titrations/") && slip.ends_with("/correction"), "{slip}");
    // Both titres are asked about, for either may be the slip; the last one is corrected.
    let view = lab.app.analyst.get(&format!("/determinations/{determination}")).await.expect(200);
    let third = view["titrations"].as_array().unwrap().iter().find(|titration| titration["position"] == 3).unwrap();
    analyst.goto(&format!("/titrations/{}/correction", third["id"].as_str().unwrap())).await;
    assert_eq!(analyst.value("[name='final_readings[0]']").await, "24.22");
    analyst.fill("[name='final_readings[0]']", "23.22").await;
    analyst.fill("[name=reason]", "read 24 for 23 on the burette").await;
    analyst.click("form.entry button.main").await;
    analyst.sees("read 24 for 23 on the burette").await;
    assert_eq!(
        titrations(&lab, &determination).await,
        [("23.60", "failed reduction"), ("23.20", "used"), ("24.22", "superseded"), ("23.22", "used")]
            .map(|(difference, fate)| (difference.to_owned(), "accurate".to_owned(), fate.to_owned()))
    );

    sign(&analyst, &format!("/determinations/{determination}/submission"), &lab.app.analyst).await;
    lab.close(&run).await;
    // Nobody reviews their own work: the page says so, and keeps the form.
    analyst.goto(&format!("/determinations/{determination}/review")).await;
    analyst.fill("[name=password]", &lab.app.analyst.password).await;
    analyst.click("form.entry button.main").await;
    analyst.sees("Nobody judges a record they had a hand in").await;
    analyst.close().await;

    let reviewer = signed_in(&lab, &lab.app.analyst2).await;
    reviewer.goto("/day").await;
    reviewer.sees("To be reviewed").await;
    sign(&reviewer, &format!("/determinations/{determination}/review"), &lab.app.analyst2).await;
    lab.release_run_of(&format!("/determinations/{determination}")).await;
    reviewer.sign_in(&lab.app.manager.code, &lab.app.manager.password).await;
    sign(&reviewer, &format!("/determinations/{determination}/approval"), &lab.app.manager).await;
    reviewer.sees("approved").await;
    let view = lab.app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    assert_eq!(view["state"], "approved");
    assert_eq!(view["sign_offs"].as_array().unwrap().len(), 3);
    assert_eq!(reviewer.console().await, Vec::<String>::new());
    reviewer.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_keyboard_alone_completes_a_titration() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let browser = signed_in(&lab, &lab.app.analyst).await;
    browser.goto(&format!("/determinations/{determination}/bench")).await;
    let mut done = Vec::new();
    for _ in 0..120 {
        browser.press(keys::TAB).await;
        let focus = browser.focus().await;
        if done.contains(&focus) {
            continue;
        }
        match focus.as_str() {
            "initial_readings[0]" => browser.press("0.00").await,
            "final_readings[0]" => browser.press("21.46").await,
            "waste_stream" => browser.press("chromium acid").await,
            "titrant" | "burette" | "end_point" if !browser.focused_value().await.is_empty() => {
                browser.press(keys::SPACE).await;
            }
            "button" if done.contains(&"waste_stream".to_owned()) => {
                browser.press(keys::ENTER).await;
                break;
            }
            _ => continue,
        }
        done.push(focus);
    }
    browser.sees("Save titration 2").await;
    assert_eq!(titrations(&lab, &determination).await.len(), 1, "{done:?}");
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn without_script_the_form_still_posts_and_keeps_what_was_refused() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let browser = browser(&lab).await;
    browser.without_script().await;
    browser.sign_in(&lab.app.analyst.code, &lab.app.analyst.password).await;
    browser.goto(&format!("/determinations/{determination}/bench")).await;
    assert_eq!(browser.text("#difference").await, "computed when saved");
    browser.click("[name=titrant]").await;
    browser.click("[name=burette]").await;
    browser.fill("[name=waste_stream]", "chromium acid").await;
    // The burette is read to 0.02 mL.
    enter(&browser, "21.47").await;
    save(&browser).await;
    browser.sees("must be a multiple of the reading step 0.02 mL of B-01").await;
    assert_eq!(browser.value("[name='final_readings[0]']").await, "21.47");
    browser.fill("[name='final_readings[0]']", "21.46").await;
    save(&browser).await;
    browser.sees("Save titration 2").await;
    assert_eq!(titrations(&lab, &determination).await.len(), 1);
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_entry_outlives_the_network_and_is_recorded_once() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let browser = signed_in(&lab, &lab.app.analyst).await;
    let bench = format!("/determinations/{determination}/bench");
    browser.goto(&bench).await;
    browser.click("[name=titrant]").await;
    browser.click("[name=burette]").await;
    browser.fill("[name=waste_stream]", "chromium acid").await;
    enter(&browser, "21.46").await;

    // Half entered, the page is loaded anew: the entry comes back.
    browser.goto(&bench).await;
    browser.sees("an entry kept in this browser was put back").await;
    assert_eq!(browser.value("[name='final_readings[0]']").await, "21.46");

    browser.offline(true).await;
    save(&browser).await;
    browser.sees("NOT SAVED").await;
    assert_eq!(titrations(&lab, &determination).await.len(), 0);
    browser.offline(false).await;
    browser.sees("Save titration 2").await;
    assert_eq!(titrations(&lab, &determination).await.len(), 1);

    // The answer gets lost on its way, after the service has recorded: the same key brings the same answer.
    // Two that do not agree: the page stays, since the rule asks for another.
    enter(&browser, "21.70").await;
    browser
        .script(
            "const send = window.fetch; let lost = false; window.fetch = async (...all) => { const answer = await send(...all); \
             if (!lost) { lost = true; throw new TypeError('lost'); } return answer; };",
        )
        .await;
    save(&browser).await;
    browser.sees("Save titration 3").await;
    browser.sees("Nothing was recorded twice").await;
    let all = titrations(&lab, &determination).await;
    assert_eq!(all.iter().map(|(difference, ..)| difference.as_str()).collect::<Vec<_>>(), ["21.46", "21.70"]);

    // A session that ended takes nothing away either.
    enter(&browser, "21.50").await;
    let sql = lab.app.sql(ferrotitre_tests::cluster::DatabaseRole::Service).await;
    let act = "SELECT set_config('ferrotitre.act', '{\"kind\": \"system\", \"action\": \"test\"}', false)";
    sql.batch_execute(act).await.unwrap();
    sql.execute("UPDATE sessions SET ended_at = now(), end_reason = 'signed out'", &[]).await.unwrap();
    save(&browser).await;
    browser.sees("You were signed out").await;
    browser.click("#unsaved a").await;
    browser.fill("[name=account]", &lab.app.analyst.code).await;
    browser.fill("[name=password]", &lab.app.analyst.password).await;
    browser.click("form.entry button.main").await;
    browser.sees("an entry kept in this browser was put back").await;
    assert_eq!(browser.value("[name='final_readings[0]']").await, "21.50");
    save(&browser).await;
    browser.sees("Save titration 4").await;
    browser.close().await;
}
