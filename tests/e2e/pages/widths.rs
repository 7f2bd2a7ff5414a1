//! Every kind of page of the demo laboratory in windows of three widths: nothing is wider than its page. With `FERROTITRE_SCREENS` set
//! to a part of their paths, such as `/`, pictures to be looked at, light and dark, are kept under `target/screens`, and accessibility is
//! looked at as wide as a telephone; it takes many times as long.

use std::path::PathBuf;

use ferrotitre_tests::browser::Browser;
use ferrotitre_tests::demo;
use serde_json::json;

use super::Visitor;
use super::every_page::{axe, findings};
use super::reading::walked;

/// Pages of a kind from which the longest is taken.
const EACH: usize = 3;
/// A table of this width is read by nobody, px.
const TOO_WIDE: u64 = 2000;

/// What is wider than the page, and tables that are too wide wherever they scroll.
const WIDER: &str = "const page = document.documentElement.clientWidth, faults = [];\
    if (document.documentElement.scrollWidth > page) { const wide = [...document.querySelectorAll('body *')]\
      .filter((one) => one.getBoundingClientRect().right > page + 1 && !one.parentElement.closest('.wide'));\
      faults.push('the page is ' + document.documentElement.scrollWidth + ' px of ' + page + ': ' +\
      wide.slice(0, 3).map((one) => one.outerHTML.slice(0, 120)).join(' | ')); }\
    for (const table of document.querySelectorAll('table')) { const box = table.getBoundingClientRect();\
      if (box.right > page + 1 && !table.closest('.wide')) faults.push('a table of ' + Math.round(box.width) + ' px does not scroll');\
      if (table.scrollWidth >= arguments[0]) faults.push('a table of ' + table.scrollWidth + ' px: ' + table.innerText.slice(0, 80)); }\
    for (const part of document.querySelectorAll('.digest, dd')) if (part.scrollWidth > part.clientWidth + 1 && part.clientWidth > 0)\
      faults.push('cut off: ' + part.innerText.slice(0, 80));\
    return faults";

async fn window(browser: &Browser, width: u32) {
    let size = json!({ "width": width, "height": 900, "deviceScaleFactor": 1, "mobile": false });
    browser.command("Emulation.setDeviceMetricsOverride", size).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_wider_than_its_page() {
    let (address, manager) = demo::manager().await;
    let visitor = Visitor::of(address, &manager);
    let mut pages: Vec<(String, String)> = Vec::new();
    for (kind, found) in walked(&visitor, EACH).await {
        let longest = found.into_iter().max_by_key(|(_, page)| page.text.len());
        pages.extend(longest.map(|(path, _)| (kind, path)));
    }
    assert!(pages.len() > 80, "{}", pages.len());
    let wanted = std::env::var("FERROTITRE_SCREENS").ok();
    let screens = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("..").join("target").join("screens");
    let browser = Browser::open(&format!("http://{address}")).await;
    browser.be(manager.token()).await;
    let checker = axe();
    let mut faults = Vec::new();
    for (kind, path) in pages {
        browser.prefer("light").await;
        browser.goto(&path).await;
        let name = kind.trim_matches('/').replace('/', "-");
        let kept = wanted.as_ref().is_some_and(|wanted| kind.contains(wanted.as_str()));
        for width in if kept { &[1440, 1280, 390][..] } else { &[1280, 390] }.iter().copied() {
            window(&browser, width).await;
            let wider = browser.script(&format!("return (function() {{ {WIDER} }})({TOO_WIDE})")).await;
            let wider = wider.as_array().cloned().unwrap_or_default();
            faults.extend(
                wider.iter().map(|fault| format!("{path} at {width} px: {}", fault.as_str().unwrap_or_default())),
            );
            for look in ["light", "dark"].into_iter().filter(|_| kept) {
                browser.prefer(look).await;
                browser.picture(width, &screens.join(format!("{name}-{width}-{look}.png"))).await;
            }
            browser.prefer("light").await;
        }
        if kept {
            // Every run looks at pages as wide as a desk's (`every_page`); here is the phone.
            window(&browser, 390).await;
            browser.script(&checker).await;
            let found = findings(&browser, "").await;
            faults.extend(found.into_iter().map(|fault| format!("{path} at 390 px: {fault}")));
        }
    }
    browser.close().await;
    assert!(faults.is_empty(), "{} faults: {faults:#?}", faults.len());
}
