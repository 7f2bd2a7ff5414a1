//! A control begun in one form, and rules chosen from published sets, in a browser.

use std::path::PathBuf;

use ferrotitre_tests::bench::{day, text};
use ferrotitre_tests::browser::Browser;
use serde_json::json;

use super::Visitor;
use super::every_page::{axe, findings};
use crate::control::Control;
use crate::lab::Lab;

fn picture(name: &str) -> PathBuf {
    let folder: PathBuf = [env!("CARGO_MANIFEST_DIR"), "screenshots"].iter().collect();
    std::fs::create_dir_all(&folder).unwrap();
    folder.join(name)
}

async fn fill(browser: &Browser, name: &str, text: &str) {
    browser.fill(&format!("[name='{name}']"), text).await;
}

async fn tile(browser: &Browser, name: &str, value: &str) {
    browser.click(&format!("label.tile:has(input[name='{name}'][value='{value}'])")).await;
}

async fn checked(browser: &Browser, name: &str) -> String {
    browser.value(&format!("input[name='{name}']:checked")).await
}

/// What only a person can say of lot and sample.
async fn fill_in_lot(browser: &Browser) {
    tile(browser, "new_material.kind", "in-house").await;
    let last = day(300);
    let last = last.as_str();
    for (name, text) in [
        ("new_material.code", "CM-1"),
        ("new_material.description", "pickling bath, spiked and bottled"),
        ("new_material.assigned_value", "118.0"),
        ("new_material.standard_uncertainty", "0.12"),
        ("new_material.certificate", "study VS-3"),
        ("sample.condition", "sealed"),
        ("sample.preservation", "acidified"),
        ("sample.container", "PE, 250 mL"),
        ("sample.storage", "shelf 2"),
    ] {
        fill(browser, name, text).await;
    }
    let set = format!("document.querySelector(\"[name='new_material.expires_on']\").value = '{last}'; return 1");
    browser.script(&set).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_control_is_begun_in_one_form() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let browser = Browser::open(&format!("http://{}", app.running.address)).await;
    browser.sign_in(&app.manager.code, &app.manager.password).await;
    browser.goto("/charts").await;
    browser.click("a[href='/charts/begin']").await;
    browser.sees("Choose the method").await;
    let methods = app.auditor.get("/methods").await.expect(200);
    let method = methods["items"].as_array().unwrap().iter().find(|method| method["code"] == "M1").unwrap();
    browser.goto(&format!("/methods/{}", text(method, "id"))).await;
    browser.click(&format!("a[href='/charts/begin?method={}']", text(method, "id"))).await;
    browser.sees("What follows from M1 is proposed").await;
    // Proposed, and shown where it comes from.
    assert_eq!(browser.value("[name='new_material.matrix']").await, "hydrochloric pickling bath");
    assert_eq!(browser.value("[name='new_material.unit']").await, "g/L");
    assert_eq!(browser.value("[name='plan.blanks']").await, "0");
    browser.sees("Proposed: M1 subtracts no blank.").await;
    // Sets with what they do and where they are published; own rules and what is rare behind folds.
    assert_eq!(checked(&browser, "chart.rule_set").await, "daily judgement");
    for words in [
        "One false alarm in 370 points on average",
        "Nordtest TR 569",
        "2 of 3 points beyond 2 s on the same side: reject",
    ] {
        browser.sees(words).await;
    }
    let open = "return document.querySelectorAll('details.fold[open]').length";
    assert_eq!(browser.script(open).await, json!(0));
    assert_eq!(browser.script("return document.querySelectorAll('details.fold').length").await, json!(6));
    for width in [1280, 390] {
        browser.picture(width, &picture(&format!("control-begin-{width}.png"))).await;
    }
    browser.command("Emulation.clearDeviceMetricsOverride", json!({})).await;
    // Also what stands behind the folds.
    browser
        .script("document.querySelectorAll('details.fold').forEach((fold) => { fold.open = true; }); return 1")
        .await;
    browser.picture(1280, &picture("control-begin-open-1280.png")).await;
    browser.command("Emulation.clearDeviceMetricsOverride", json!({})).await;
    browser.script(&axe()).await;
    assert_eq!(findings(&browser, "").await, Vec::<String>::new());
    browser
        .script("document.querySelectorAll('details.fold').forEach((fold) => { fold.open = false; }); return 1")
        .await;
    // Limits of which nothing is said yet: named beside their fields, all entries kept.
    fill_in_lot(&browser).await;
    tile(&browser, "chart.rule_set", "zone rules").await;
    tile(&browser, "limits.origin", "reference").await;
    browser.script("document.querySelector(\"[name='chart.code']\").closest('details').open = true; return 1").await;
    fill(&browser, "chart.code", "X 1").await;
    fill(&browser, "limits.reason", "intermediate precision of VS-3").await;
    browser.click("form.entry button.main").await;
    browser.sees("say the standard deviation beside the assigned value").await;
    assert_eq!(browser.value("[name='sample.storage']").await, "shelf 2");
    assert_eq!(checked(&browser, "chart.rule_set").await, "zone rules");
    assert_eq!(browser.script(open).await, json!(1), "the fold with the wrong code");
    browser.picture(1280, &picture("control-begin-wrong-1280.png")).await;
    browser.command("Emulation.clearDeviceMetricsOverride", json!({})).await;
    fill(&browser, "chart.code", "X-1").await;
    fill(&browser, "limits.s", "0.413").await;
    browser.click("form.entry button.main").await;
    browser.sees("What comes next").await;
    browser.sees("another manager").await;
    for width in [1280, 390] {
        browser.picture(width, &picture(&format!("control-begun-{width}.png"))).await;
    }
    let chart = app.auditor.get("/control-charts").await.expect(200)["items"][0].clone();
    assert_eq!((&chart["code"], &chart["rule_set"]), (&json!("X-1"), &json!("zone rules")));
    let chart = app.auditor.get(&format!("/control-charts/{}", text(&chart, "id"))).await.expect(200);
    let phase = &chart["phases"][0];
    assert_eq!((&phase["origin"], &phase["centre"], &phase["s"]), (&json!("reference"), &json!(118.0), &json!(0.413)));
    browser.close().await;
    // Who proposed does not decide; the other manager finds the way on the chart's page.
    let page =
        Visitor::of(app.running.address, &app.manager2).get(&format!("/charts/{}", text(&chart, "id"))).await.text;
    let step = format!("href=\"/chart-phases/{}\"", text(phase, "id"));
    assert!(page.contains(&step) && page.contains("is quarantined"), "{page}");
    let plans = app.auditor.get("/qc-plans").await.expect(200);
    assert_eq!(plans["items"][0]["charts"][0]["chart"], chart["id"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lot_on_record_proposes_its_figures_and_joins_the_plan() {
    let control = Control::open().await;
    let app = control.app();
    let plan = json!({ "method": control.lab.iron2, "charts": [], "blanks": 2, "duplicates": 1 });
    let plan = app.manager.post("/qc-plans", &plan).await.expect(201);
    let manager = Visitor::of(app.running.address, &app.manager);
    let lot = manager.get(&format!("/control-materials/{}", control.material)).await.text;
    assert!(lot.contains(&format!("/charts/begin?material={}", control.material)), "{lot}");
    let path = format!("/charts/begin?method={}&material={}", control.method, control.material);
    let form = manager.get(&path).await.text;
    for words in ["The centre is 118.0 g/L, as assigned", "As the plan of M1 says now", "X-CM-BATH-1"] {
        assert!(form.contains(words), "{words}: {form}");
    }
    assert!(!form.contains("name=\"new_material.") && !form.contains("name=\"sample."), "{form}");
    let entries = [
        ("chart.rule_set", "own"),
        ("chart.rules[0].pattern", "beyond"),
        ("chart.rules[0].count", "1"),
        ("chart.rules[0].sigmas", "3"),
        ("chart.rules[0].consequence", "reject"),
        ("chart.code", "X-CM-BATH-1"),
        ("chart.title", "iron(II) in the bath control"),
        ("plan.values", "1"),
        ("plan.blanks", "2"),
        ("plan.duplicates", "1"),
    ];
    let chart = manager.fill(&path, &entries).await;
    let page = manager.get(&chart).await.text;
    assert!(page.contains("No limits: values are gathered"), "{page}");
    let read = app.auditor.get(&format!("/qc-plans/{}", text(&plan, "id"))).await.expect(200);
    let present = &read["versions"][1];
    assert_eq!((&present["blanks"], &present["duplicates"]), (&json!(2), &json!(1)));
    assert_eq!(present["charts"][0]["chart"], json!(chart.rsplit('/').next().unwrap()));
    // The same chooser where a chart is defined alone, with what is usual for the quantity first.
    let form = manager.get("/charts/new").await.text;
    for words in
        ["usual for the quantity", "zone rules", "One false alarm in 92 points on average", "<summary>Own rules"]
    {
        assert!(form.contains(words), "{words}: {form}");
    }
    let definition = |set: &'static str| {
        [
            ("code", if set.is_empty() { "X-8" } else { "X-9" }),
            ("title", "total iron in the bath control"),
            ("quantity", "x"),
            ("unit", "g/L"),
            ("material", "CM-BATH-1"),
            ("method", "M1"),
            ("rule_set", set),
        ]
    };
    for (set, name) in [("eight tests", "eight tests"), ("", "daily judgement")] {
        let chart = manager.fill("/charts/new", &definition(set)).await;
        let id = chart.rsplit('/').next().unwrap().to_owned();
        let read = app.auditor.get(&format!("/control-charts/{id}")).await.expect(200);
        assert_eq!(read["rule_set"], name);
        assert!(manager.get(&chart).await.text.contains(name));
    }
}
