//! What stands on the pages of the demo laboratory, read as a manager: no word of a picture over another, no identity in place of a
//! name, no state whose sign was not thought of.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use ferrotitre_base::pictures::legible::unreadable;
use ferrotitre_html::paper::styled;
use ferrotitre_html::show::known_shape;
use ferrotitre_tests::{demo, pdf};
use serde_json::json;

use super::every_page::pattern;
use super::{Page, Visitor};
use crate::control::Control;

/// Things of a kind whose pages are read.
const EACH: usize = 12;

/// Pages that links lead to from the day's page, up to so many of a kind, each with its address.
pub(super) async fn walked(visitor: &Visitor, each: usize) -> BTreeMap<String, Vec<(String, Page)>> {
    let mut pages: BTreeMap<String, Vec<(String, Page)>> = BTreeMap::new();
    let mut seen: BTreeSet<String> = BTreeSet::new();
    let mut next = VecDeque::from(["/day".to_owned()]);
    while let Some(path) = next.pop_front() {
        let plain = path.split(['?', '#']).next().unwrap_or_default().to_owned();
        let of_kind = pages.entry(pattern(&path)).or_default();
        if of_kind.len() >= each || !seen.insert(plain) {
            continue;
        }
        let page = visitor.get(&path).await;
        if page.status == 303 {
            next.push_back(page.header("location").to_owned());
            continue;
        }
        // A calculation over what is not there yet says so.
        if page.status == 422 && page.text.contains("not_enough_data") {
            continue;
        }
        assert_eq!(page.status, 200, "{path}: {}", page.text);
        for link in page.text.split("href=\"").skip(1).filter_map(|part| part.split('"').next()) {
            if link.starts_with('/') && link != "/" && !link.starts_with("/assets/") && !link.starts_with("/api/") {
                next.push_back(link.replace("&amp;", "&"));
            }
        }
        of_kind.push((path, page));
    }
    pages
}

/// Pictures of a page that have words.
fn pictures(page: &str) -> Vec<String> {
    let whole = page.split("<svg").skip(1).filter_map(|rest| rest.split_once("</svg>"));
    whole.map(|(svg, _)| format!("<svg{svg}</svg>")).filter(|svg| svg.contains("<text")).collect()
}

/// What a person reads of a page: no tags, no addresses.
fn visible(page: &str) -> String {
    let body = page.split_once("<body").and_then(|(_, body)| body.split_once('>')).map_or(page, |(_, body)| body);
    let mut text = String::new();
    let mut rest = body;
    while let Some((before, after)) = rest.split_once('<') {
        text.push_str(before);
        text.push(' ');
        let ends = if after.starts_with("script") { "</script>" } else { ">" };
        rest = after.split_once(ends).map_or("", |(_, rest)| rest);
    }
    text
}

/// Identities in a text (RFC 9562), each with what stands before it.
fn identities(text: &str) -> Vec<String> {
    let bytes = text.as_bytes();
    let is = |at: usize| {
        bytes[at..at + 36].iter().enumerate().all(|(place, byte)| match place {
            8 | 13 | 18 | 23 => *byte == b'-',
            _ => byte.is_ascii_hexdigit(),
        })
    };
    let found = (0..bytes.len().saturating_sub(35)).filter(|at| is(*at));
    found
        .map(|at| {
            String::from_utf8_lossy(&bytes[at.saturating_sub(60)..at + 36])
                .split_whitespace()
                .collect::<Vec<_>>()
                .join(" ")
        })
        .collect()
}

#[test]
fn an_identity_is_found_in_what_is_read_and_not_in_an_address() {
    let page = "<body><a href=\"/runs/01a2120e-0000-7000-8000-000000000000\">run</a> under 01a2120e-0000-7000-8000-000000000001</body>";
    assert_eq!(identities(&visible(page)), ["run under 01a2120e-0000-7000-8000-000000000001"]);
}

/// States of a page whose sign is the one of words nobody thought of.
fn unknown_states(page: &str) -> Vec<String> {
    let states = page.split("<span class=\"state state-").skip(1);
    let word = |rest: &str| {
        let (inside, _) = rest.split_once("</span>")?;
        let (_, text) = inside.rsplit_once("</svg>")?;
        Some(text.trim().to_owned())
    };
    states.filter_map(word).filter(|text| known_shape(text).is_none()).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn pages_of_the_demo_can_be_read() {
    let (address, manager) = demo::manager().await;
    let visitor = Visitor::of(address, &manager);
    let (mut drawn, mut faults) = (0, BTreeSet::new());
    for (kind, pages) in walked(&visitor, EACH).await {
        for (path, page) in pages {
            for svg in pictures(&page.text) {
                drawn += 1;
                let read = unreadable(&styled(svg)).unwrap();
                faults.extend(read.into_iter().map(|fault| format!("{path}: {fault}")));
            }
            // The trail shows records as they are.
            if !kind.starts_with("/audit") && !kind.starts_with("/receipts") {
                let named = identities(&visible(&page.text));
                faults.extend(named.into_iter().map(|name| format!("{kind}: an identity is read: {name}")));
            }
            faults.extend(unknown_states(&page.text).into_iter().map(|word| format!("{kind}: no sign for \"{word}\"")));
        }
    }
    assert!(drawn > 60, "{drawn} pictures");
    assert!(faults.is_empty(), "{} faults: {faults:#?}", faults.len());
}

#[tokio::test(flavor = "multi_thread")]
async fn long_reports_begin_with_their_contents() {
    let (address, manager) = demo::manager().await;
    let visitor = Visitor::of(address, &manager);
    let first = async |list: &str| {
        let items = manager.get(list).await.expect(200);
        items["items"][0]["id"].as_str().unwrap().to_owned()
    };
    let study = first("/validation-studies?limit=1").await;
    let determination = first("/determinations?limit=1").await;
    for path in [format!("/validation/{study}/report"), format!("/determinations/{determination}/report")] {
        let page = visitor.get(&path).await.text;
        let (_, contents) =
            page.split_once("aria-label=\"Contents\">").unwrap_or_else(|| panic!("{path}: no contents"));
        let contents = contents.split("</nav>").next().unwrap_or_default();
        let places: Vec<&str> = contents.split("href=\"#").skip(1).filter_map(|rest| rest.split('"').next()).collect();
        assert!(places.len() >= 4, "{path}: {contents}");
        for place in places {
            assert!(page.contains(&format!("id=\"{place}\"")), "{path}: nothing at #{place}");
        }
    }
}

/// What stands in the row of a list that has this link.
fn row<'a>(page: &'a Page, link: &str) -> &'a str {
    let rows = page.text.split("<tr>").find(|row| row.contains(&format!("href=\"{link}\"")));
    rows.unwrap_or_else(|| panic!("no row with {link}: {}", page.text))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_chart_with_something_to_decide_does_not_stand_as_in_control() {
    let control = Control::open().await;
    let app = control.app();
    let visitor = Visitor::of(app.running.address, &app.manager);
    let chart = control.chart("X-BATH", &json!({})).await;
    for i in 0..12 {
        control.import(&chart, ["117.9", "118.2"][i % 2], 60.0 - i as f64).await;
    }
    control.target(&chart, 20.0).await;
    let bad = control.import(&chart, "121.0", 5.0).await;
    control.import(&chart, "118.0", 1.0).await;
    let path = format!("/charts/{chart}");
    let list = visitor.get("/charts").await;
    let stands = row(&list, &path);
    assert!(stands.contains("out of control") && !stands.contains(">in control"), "{stands}");
    let page = visitor.get(&path).await;
    let head = page.text.split("</h1>").next().unwrap_or_default();
    assert!(head.contains("state-cross") && head.contains("out of control"), "{head}");
    let value = format!("/control-values/{}", bad["id"].as_str().unwrap());
    let open = page.text.split("id=\"open\"").nth(1).and_then(|rest| rest.split("</section>").next());
    assert!(open.is_some_and(|open| open.contains(&value)), "{}", page.text);

    let decided = json!({ "to": "under investigation", "reason": "looked at the burette" });
    let moves = format!("/control-values/{}/dispositions", bad["id"].as_str().unwrap());
    let _ = app.manager.post(&moves, &decided).await.expect(201);
    assert!(row(&visitor.get("/charts").await, &path).contains("out of control"), "looking is not deciding");
    let decided =
        json!({ "to": "invalid-with-cause", "cause": "wrong aliquot", "reason": "aliquot of 10 mL for 25 mL" });
    let _ = app.manager.post(&moves, &decided).await.expect(201);
    let list = visitor.get("/charts").await;
    assert!(row(&list, &path).contains("in control"), "{}", row(&list, &path));
    let page = visitor.get(&path).await;
    assert!(!page.text.contains("id=\"open\""), "{}", page.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_a_moving_average_finds_is_looked_into_and_rejects_nothing() {
    let control = Control::open().await;
    let app = control.app();
    let visitor = Visitor::of(app.running.address, &app.manager);
    let design = json!({ "quantity": "ewma", "design": { "lambda": "0.2", "limit": "2.7" } });
    let chart = control.chart("E-BATH", &design).await;
    for i in 0..12 {
        control.import(&chart, ["117.9", "118.1"][i % 2], 60.0 - i as f64).await;
    }
    control.target(&chart, 20.0).await;
    for i in 0..6 {
        control.import(&chart, "118.9", 10.0 - i as f64).await;
    }
    let points = control.points(&chart, "&verdict=investigate").await;
    let hit = points.first().unwrap_or_else(|| panic!("no hit"));
    let page = visitor.get(&format!("/charts/{chart}")).await.text;
    assert!(page.contains("investigate") && !page.contains("reject"), "{page}");
    let value = visitor.get(&format!("/control-values/{}", hit["id"].as_str().unwrap())).await.text;
    let verdict = value.split("id=\"verdict\"").nth(1).and_then(|rest| rest.split("</section>").next());
    let verdict = verdict.unwrap_or_default();
    assert!(verdict.contains("investigate") && !verdict.contains("reject") && !verdict.contains("query"), "{verdict}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lot_of_titrant_is_offered_no_move_that_is_refused() {
    let control = Control::open().await;
    let app = control.app();
    let titrants = app.auditor.get("/titrants").await.expect(200);
    let mut looked_at = 0;
    for lot in titrants["items"].as_array().unwrap() {
        for client in [&app.manager, &app.analyst] {
            let visitor = Visitor::of(app.running.address, client);
            let path = format!("/titrants/{}/moves", lot["id"].as_str().unwrap());
            let offered = visitor.get(&format!("/titrants/{}", lot["id"].as_str().unwrap())).await.text.contains(&path);
            let form = visitor.get(&path).await;
            if !offered || form.status != 200 {
                continue;
            }
            let choices = form.text.split("name=\"to\"").skip(1).filter_map(|rest| rest.split("value=\"").nth(1));
            let choices: Vec<&str> = choices.filter_map(|rest| rest.split('"').next()).collect();
            assert!(!choices.is_empty() && !choices.contains(&"released"), "{choices:?}");
            if client.code == app.analyst.code {
                assert_eq!(choices, ["suspended"]);
            }
            looked_at += 1;
        }
    }
    assert!(looked_at > 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn reports_as_pdf_name_nothing_by_its_identity() {
    let (_, manager) = demo::manager().await;
    let ids = async |list: &str| -> Vec<String> {
        let items = manager.get(list).await.expect(200)["items"].as_array().unwrap().clone();
        items.iter().map(|one| one["id"].as_str().unwrap().to_owned()).collect()
    };
    let mut paths = Vec::new();
    for id in ids("/validation-studies?limit=3").await {
        paths.push(format!("/validation-studies/{id}/report.pdf"));
    }
    for id in ids("/determinations?limit=40").await {
        paths.push(format!("/determinations/{id}/report.pdf?working=true"));
    }
    for id in ids("/iron-results?limit=3").await {
        paths.push(format!("/iron-results/{id}/report.pdf"));
    }
    for id in ids("/certificates?limit=10").await {
        paths.push(format!("/certificates/{id}/issues/1/certificate.pdf"));
    }
    let (mut read, mut named) = (0, BTreeSet::new());
    for path in paths {
        let answer = manager.get(&path).await;
        // A draft has no document yet.
        if answer.status == 200 {
            read += 1;
            let text = pdf::read(&answer.bytes).await.text;
            named.extend(identities(&text).into_iter().map(|name| format!("{}: {name}", &path[..12])));
        }
    }
    assert!(read > 20, "{read} documents");
    assert!(named.is_empty(), "{named:#?}");
}
