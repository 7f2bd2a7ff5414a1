//! Every page that links lead to: no serious fault of accessibility in light or dark, and a picture at two widths.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::path::PathBuf;

use ferrotitre_tests::browser::Browser;
use ferrotitre_tests::client::Client;

use super::Visitor;
use crate::lab::Lab;

fn here() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// The checker from npm; `npm ci` in tests/pages brings it, deploy/test does so.
pub(super) fn axe() -> String {
    let file = here().join("pages").join("node_modules").join("axe-core").join("axe.min.js");
    std::fs::read_to_string(&file).unwrap_or_else(|_| panic!("{} is missing: npm ci in tests/pages", file.display()))
}

/// The path without what tells one thing from another.
pub(super) fn pattern(path: &str) -> String {
    let path = path.split(['?', '#']).next().unwrap_or_default();
    // A certificate goes by its number, an outline by its key.
    let named = |part: &str| (part.len() == 36 && part.contains('-')) || part.starts_with("C-2");
    let one = |part: &str| if named(part) { "ID".to_owned() } else { part.to_owned() };
    let pattern = path.split('/').map(one).collect::<Vec<_>>().join("/");
    if pattern.starts_with("/methods/outlines/") { "/methods/outlines/ID".to_owned() } else { pattern }
}

/// Things of a kind whose pages are looked at for links: what they lead to depends on their state.
const EACH: usize = 20;

/// One address of every kind that links lead to from a first page: of several, the one with most on it.
async fn linked(visitor: &Visitor, from: &str) -> BTreeMap<String, String> {
    let mut found: BTreeMap<String, (usize, String)> = BTreeMap::new();
    let mut visited: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut next = VecDeque::from([from.to_owned()]);
    while let Some(path) = next.pop_front() {
        let of_kind = visited.entry(pattern(&path)).or_default();
        // A list that is narrowed is the same page.
        let plain = path.split(['?', '#']).next().unwrap_or_default().to_owned();
        if of_kind.len() >= EACH || !of_kind.insert(plain) {
            continue;
        }
        let page = visitor.get(&path).await;
        if page.status == 303 {
            // A way that leads on to another page.
            next.push_back(page.header("location").to_owned());
            continue;
        }
        assert_eq!(page.status, 200, "{path}: {}", page.text);
        assert!(page.text.contains("class=\"help\""), "{path} says neither what it is nor what comes next");
        let best = found.entry(pattern(&path)).or_insert((0, String::new()));
        if page.text.len() > best.0 {
            *best = (page.text.len(), path.clone());
        }
        for link in page.text.split("href=\"").skip(1).filter_map(|part| part.split('"').next()) {
            if link.starts_with('/') && link != "/" && !link.starts_with("/assets/") && !link.starts_with("/api/") {
                next.push_back(link.replace("&amp;", "&"));
            }
        }
    }
    found.into_iter().map(|(kind, (_, path))| (kind, path)).collect()
}

/// Bytes of a page with everything it loads, as they come over the network.
const WEIGHT: &str = "return [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]\
    .reduce((sum, one) => sum + one.encodedBodySize, 0)";
/// Heaviest page, bytes.
const HEAVIEST: u64 = 150_000;

/// Serious and critical findings, each with where.
pub(super) async fn findings(browser: &Browser, only: &str) -> Vec<String> {
    let script = format!(
        "const done = arguments[arguments.length - 1]; axe.run({{ resultTypes: ['violations']{only} }}).then((found) => \
         done(found.violations.filter((one) => ['serious', 'critical'].includes(one.impact)).map((one) => \
         one.id + ' ' + one.nodes.slice(0, 3).map((node) => node.html + ' ' + node.any.map((why) => why.message).join()).join(' | '))))"
    );
    let found = browser.script_async(&script).await;
    found.as_array().unwrap().iter().map(|one| one.as_str().unwrap_or_default().to_owned()).collect()
}

async fn look_at(browser: &Browser, axe: &str, who: &str, pages: &BTreeMap<String, String>) -> Vec<String> {
    let mut faults = Vec::new();
    for (kind, path) in pages {
        browser.prefer("light").await;
        browser.goto(path).await;
        let weight = browser.script(WEIGHT).await.as_u64().unwrap_or(u64::MAX);
        if weight > HEAVIEST {
            faults.push(format!("{kind} weighs {weight} bytes"));
        }
        browser.script(axe).await;
        let light = findings(browser, "").await;
        faults.extend(light.into_iter().map(|fault| format!("{kind} in light: {fault}")));
        let name = kind.trim_matches('/').replace('/', "-");
        for width in [1280, 820] {
            let file = here().join("screenshots").join(format!("{who}-{name}-{width}.png"));
            browser.picture(width, &file).await;
        }
        browser.command("Emulation.clearDeviceMetricsOverride", serde_json::json!({})).await;
        browser.prefer("dark").await;
        // Only colours differ.
        let dark = findings(browser, ", runOnly: ['color-contrast']").await;
        faults.extend(dark.into_iter().map(|fault| format!("{kind} in dark: {fault}")));
        let console: Vec<String> = browser.console().await;
        faults.extend(console.into_iter().map(|line| format!("{kind} says on the console: {line}")));
    }
    faults
}

/// Pages that the walk does not come to, and why.
const LINKED_FROM_NOWHERE: [(&str, &str); 7] = [
    ("/account/one-time-codes/choice", "is linked where codes are set up: codes::pages looks at it"),
    ("/account/one-time-codes/end", "is linked where codes are set up: codes::pages looks at it"),
    ("/find", "is where the box in the head of every page leads"),
    ("/first-result", "is linked as long as no result is approved"),
    ("/labels/find", "leads on to the record of a scanned label"),
    ("/receipts/ID", "is linked where the browser keeps a receipt: pages::receipts looks at it"),
    ("/receipts/ID/file", "is the file that it offers"),
];

/// Every page of the sources as the walk names it; one for each word where an address has several.
fn kinds() -> Vec<String> {
    let mut kinds = vec!["/sign-in".to_owned(), "/first-sign-in".to_owned()];
    for page in super::access::addresses() {
        let mut all = vec![String::new()];
        for part in page.pattern.split('/').filter(|part| !part.is_empty()) {
            let words: Vec<&str> = match part.strip_prefix('{').and_then(|part| part.strip_suffix('}')) {
                Some(parameter) => {
                    parameter.split_once(':').map_or(vec!["ID"], |(_, words)| words.split('|').collect())
                }
                None => vec![part],
            };
            all = all.iter().flat_map(|start| words.iter().map(move |word| format!("{start}/{word}"))).collect();
        }
        kinds.extend(all);
    }
    kinds.sort();
    kinds.dedup();
    kinds.retain(|kind| !kind.is_empty());
    kinds
}

async fn visit(lab: &Lab, client: &Client, from: &str) -> BTreeMap<String, String> {
    linked(&Visitor::of(lab.app.running.address, client), from).await
}

#[tokio::test(flavor = "multi_thread")]
async fn no_page_has_a_serious_fault_of_accessibility() {
    let lab = super::furniture::everything().await;
    let axe = axe();
    let browser = Browser::open(&format!("http://{}", lab.app.running.address)).await;
    // Somebody who is signed in at two places can sign out at the other.
    let _ = lab.app.nobody.sign_in(&lab.app.manager.code, &lab.app.manager.password).await.expect(200);
    let mut faults = Vec::new();
    let mut seen: Vec<String> = Vec::new();
    let mut walks = Vec::new();
    // All links first: an access token does not last as long as the browser needs.
    for (who, client, from) in [
        ("nobody", &lab.app.nobody, "/sign-in"),
        ("manager", &lab.app.manager, "/day"),
        ("analyst", &lab.app.analyst, "/day"),
        ("administrator", &lab.app.administrator, "/accounts"),
    ] {
        let mut pages = visit(&lab, client, from).await;
        // What another role saw already looks the same.
        pages.retain(|kind, _| !seen.contains(kind));
        seen.extend(pages.keys().cloned());
        walks.push((who, client, pages));
    }
    for (who, client, pages) in walks {
        if who != "nobody" {
            browser.sign_in(&client.code, &client.password).await;
        }
        faults.extend(look_at(&browser, &axe, who, &pages).await);
    }
    let unseen: Vec<String> = kinds().into_iter().filter(|kind| !seen.contains(kind)).collect();
    let expected: Vec<&str> = LINKED_FROM_NOWHERE.iter().map(|(kind, _)| *kind).collect();
    // Pages that no link leads to, or that are linked by now.
    assert_eq!((faults, unseen), (Vec::new(), expected.into_iter().map(str::to_owned).collect()));
    browser.close().await;
}
