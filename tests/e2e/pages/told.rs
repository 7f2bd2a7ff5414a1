//! What a list says of a thing is what can be done with it, and when it was.

use chrono::{DateTime, Utc};
use ferrotitre_tests::bench::{calibration, day, equipment, install, text};
use serde_json::json;

use super::Visitor;
use crate::lab::Lab;

/// The line of a list with a link to a thing.
fn line<'a>(page: &'a str, link: &str) -> &'a str {
    let at = page.find(&format!("href=\"{link}\"")).unwrap_or_else(|| panic!("no {link} in {page}"));
    let begin = page[..at].rfind("<tr").unwrap_or(0);
    &page[begin..at + page[at..].find("</tr>").unwrap_or(0)]
}

#[tokio::test]
async fn a_piece_whose_calibration_has_ended_is_overdue_on_its_list() {
    let lab = Lab::open().await;
    let mut ended = calibration(Some("5.000"), "0.005");
    ended["due_on"] = json!(day(-1));
    let overdue = install(&lab.app, &equipment("P5", "pipette", "5", None), &ended).await;
    let bare = lab.app.manager.post("/equipment", &equipment("P2", "pipette", "2", None)).await.expect(201);
    let page = Visitor::of(lab.app.running.address, &lab.app.analyst).get("/equipment").await.text;
    for (id, stands) in [
        (overdue.as_str(), "overdue"),
        (text(&bare, "id").as_str(), "not calibrated"),
        (&lab.bench.pipette_10, "in service"),
    ] {
        let line = line(&page, &format!("/equipment/{id}"));
        assert!(line.contains(stands) && (stands == "in service" || !line.contains("in service")), "{stands}: {line}");
    }
}

#[tokio::test]
async fn a_determination_began_when_it_was_begun_and_not_when_it_was_recorded() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let lines = lab.app.auditor.get("/determinations").await.expect(200);
    let began: DateTime<Utc> = text(&lines["items"][0], "observed_at").parse().unwrap();
    let recorded: DateTime<Utc> = text(&lines["items"][0], "recorded_at").parse().unwrap();
    assert!(recorded - began > chrono::Duration::minutes(40), "{lines}");
    let page = Visitor::of(lab.app.running.address, &lab.app.analyst).get("/determinations").await.text;
    let shown = ferrotitre_base::zone::local(began).format("%-d %b %Y %H:%M").to_string();
    let line = line(&page, &format!("/determinations/{determination}"));
    assert!(line.contains(&shown), "{shown}: {line}");
}
