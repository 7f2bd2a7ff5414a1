//! Whatever legal rows come after a signature, in whatever order: the signed figure, its digest and its document stay.

use std::collections::HashSet;

use ferrotitre_tests::bench::{self, day, minutes_ago, text};
use ferrotitre_tests::pdf;
use serde_json::{Value, json};

use super::*;

/// Numbers that follow from a seed (MMIX's linear congruential generator, Knuth, TAOCP 2, 3.3.4, from memory).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, end: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % end
    }
}

/// The words of a document as lines of the result would be read: what changes with every print left out.
fn words(document: &str) -> Vec<String> {
    document.split_whitespace().map(str::to_owned).collect()
}

/// Whether all words of one document stand in another. Not in their order, nor as often: a reader of the file takes columns or
/// rows as they fall on the page, and the head of a table stands again wherever it goes on.
fn within(original: &[String], later: &[String]) -> Result<(), String> {
    let there: HashSet<&String> = later.iter().collect();
    for (at, word) in original.iter().enumerate() {
        if !there.contains(word) {
            let around = original[at.saturating_sub(8)..original.len().min(at + 3)].join(" ");
            return Err(format!("'{word}' is no longer there: {around}"));
        }
    }
    Ok(())
}

/// The part of a report that was signed: everything before the section that says where and when it was printed.
async fn document(lab: &Lab, path: &str) -> Vec<String> {
    let answer = lab.app.auditor.get(&format!("{path}/report.pdf?working=true")).await;
    assert_eq!(answer.status, 200, "{}", answer.text);
    let read = pdf::read(&answer.bytes).await.text;
    // A long report lists its sections on the first page.
    let signed = read.rsplit_once("Where this comes from").map_or("", |(before, _)| before);
    // The foot of a page says when that copy was made.
    let signed: String = signed
        .split("; made ")
        .enumerate()
        .map(|(part, text)| if part == 0 { text } else { text.split_once("+00:00").map_or(text, |(_, rest)| rest) })
        .collect();
    let pages = |word: &String| !(word.chars().all(|c| c.is_ascii_digit()) && word.len() < 3);
    words(&signed).into_iter().filter(pages).collect()
}

/// One legal event after the signature; whether it is accepted does not matter.
#[expect(clippy::too_many_lines, reason = "a table of what may be recorded later")]
async fn event(lab: &Lab, numbers: &mut Numbers, turn: u64) -> String {
    let app = &lab.app;
    let pieces = [
        (&lab.bench.flask_250, Some("250")),
        (&lab.bench.pipette_10, Some("10")),
        (&lab.bench.pipette_25, Some("25")),
        (&lab.bench.flask_1000, Some("1000")),
        (&lab.bench.burette, None),
        (&lab.bench.balance, None),
    ];
    let (piece, nominal) = pieces[usize::try_from(numbers.below(6)).unwrap()];
    let volume = nominal.map(|nominal| format!("{nominal}.0{}", numbers.below(9)));
    let calibration = |days: i64| {
        json!({
            "certificate": format!("CAL-{turn}"), "calibrated_on": day(days), "due_on": day(300),
            "calibrated_value": volume, "standard_uncertainty": "0.02",
        })
    };
    let standards = async || app.auditor.get("/primary-standards").await.expect(200)["items"][0].clone();
    match numbers.below(13) {
        0 => {
            let pipette = if numbers.below(2) == 0 { &lab.bench.pipette_10 } else { &lab.bench.pipette_25 };
            format!("portion {}", correct_portion(lab, pipette).await.status)
        }
        1 => {
            let late = calibration(-1 - i64::try_from(numbers.below(90)).unwrap());
            format!("late {}", app.manager.post(&format!("/equipment/{piece}/calibrations"), &late).await.status)
        }
        2 => {
            let list = app.auditor.get(&format!("/equipment/{piece}/calibrations")).await.expect(200);
            let present = list.as_array().unwrap().iter().find(|one| one["corrected_by"].is_null()).unwrap().clone();
            let correction = json!({ "reason": "typed from the wrong page", "facts": calibration(-100) });
            let path = format!("/calibrations/{}/corrections", text(&present, "id"));
            format!("correction {}", app.manager.post(&path, &correction).await.status)
        }
        3 => {
            let standard = standards().await;
            let mut facts = bench::dichromate_standard("PS-1");
            facts["mass_fraction"] = json!(format!("0.99{}0", numbers.below(9)));
            let correction = json!({ "reason": "read from another certificate", "facts": facts });
            let path = format!("/primary-standards/{}/corrections", text(&standard, "id"));
            let version = text(&standard, "version_id");
            format!("certificate {}", app.analyst.post_if_match(&path, &version, &correction).await.status)
        }
        4 => {
            let failed = json!({ "outcome": "failed", "note": "dropped", "observed_at": minutes_ago(1) });
            format!("check {}", app.analyst.post(&format!("/equipment/{piece}/checks"), &failed).await.status)
        }
        5 => {
            let history = app.auditor.get(&format!("/equipment/{piece}")).await.expect(200);
            let present = history["versions"].as_array().unwrap().last().unwrap().clone();
            let mut facts = Value::Object(serde_json::Map::new());
            for field in ["kind", "description", "range_low", "range_high", "resolution", "unit"] {
                facts[field] = present[field].clone();
            }
            facts["code"] = json!(format!("NEW-{turn}"));
            let correction = json!({ "reason": "the label was exchanged", "facts": facts });
            let path = format!("/equipment/{piece}/corrections");
            let version = text(&present, "version_id");
            format!("equipment {}", app.manager.post_if_match(&path, &version, &correction).await.status)
        }
        6 => {
            let sample = app.auditor.get("/samples").await.expect(200)["items"][0].clone();
            let mut facts = bench::sample(&format!("S-1-{turn}"));
            facts["matrix"] = json!("sulfuric pickling bath");
            let correction = json!({ "reason": "another bath, says the client", "facts": facts });
            let path = format!("/samples/{}/corrections", text(&sample, "id"));
            let version = text(&sample, "version_id");
            format!("sample {}", app.analyst.post_if_match(&path, &version, &correction).await.status)
        }
        8 => {
            let state =
                text(&app.auditor.get(&format!("/equipment/{piece}")).await.expect(200)["versions"][0], "state");
            let to = if state == "out of service" { "retired" } else { "out of service" };
            let moved = json!({ "to": to, "reason": "broken beyond repair" });
            format!("moved {}", app.manager.post(&format!("/equipment/{piece}/moves"), &moved).await.status)
        }
        9 => {
            let new = crate::specifications::simple(&format!("DR-{turn}"));
            format!("rule {}", app.analyst.post("/decision-rules", &new).await.status)
        }
        10 => {
            let run =
                text(&app.auditor.get(&format!("/determinations/{}", signed_id(lab).await)).await.expect(200), "run");
            let blanks = app.auditor.get(&format!("/runs/{run}/blanks")).await.expect(200);
            let judged = json!({ "to": "rejected", "cause": "air bubble", "reason": "seen only on the next day" });
            let blank = text(&blanks[0], "id");
            format!("blank {}", app.analyst.post(&format!("/blanks/{blank}/judgement"), &judged).await.status)
        }
        11 => {
            // Work goes on, with whatever is still in use.
            let run = lab.run(&lab.iron2).await;
            let begun = lab.begin(&run).await;
            let titration = lab.titration("accurate", "21.48", None);
            format!(
                "titration {}",
                app.analyst.post(&format!("/determinations/{begun}/titrations"), &titration).await.status
            )
        }
        7 => {
            let withdrawn = json!({ "to": "withdrawn", "reason": "recalled by its producer" });
            let path = format!("/primary-standards/{}/moves", text(&standards().await, "id"));
            format!("standard {}", app.manager.post(&path, &withdrawn).await.status)
        }
        _ => {
            let withdrawn = json!({ "to": "withdrawn", "reason": "kept in the light" });
            format!("lot {}", app.manager.post(&format!("/titrants/{}/moves", lab.titrant), &withdrawn).await.status)
        }
    }
}

/// The result that was signed first.
async fn signed_id(lab: &Lab) -> String {
    let list = lab.app.auditor.get("/determinations?limit=200").await.expect(200);
    text(list["items"].as_array().unwrap().last().unwrap(), "id")
}

#[tokio::test(flavor = "multi_thread")]
async fn no_sequence_of_later_rows_changes_what_was_signed() {
    for seed in 1..=3 {
        let lab = Lab::open().await;
        let (path, _) = approved(&lab).await;
        let signed = lab.app.auditor.get(&path).await.expect(200);
        let printed = document(&lab, &path).await;
        let mut numbers = Numbers(seed);
        let mut accepted = 0;
        let mut story = Vec::new();
        for turn in 0..25 {
            story.push(event(&lab, &mut numbers, turn).await);
            accepted += usize::from(story.last().unwrap().ends_with("201"));
            let after = lab.app.auditor.get(&path).await.expect(200);
            assert_eq!(signed_part(&after), signed_part(&signed), "seed {seed}: {story:?}");
            assert!(after["sign_offs"].as_array().unwrap().iter().all(|sign| sign["still_valid"] == true), "{story:?}");
        }
        assert!(accepted >= 10, "seed {seed}: too little happened: {story:?}");
        let later = document(&lab, &path).await;
        within(&printed, &later).unwrap_or_else(|gone| panic!("seed {seed}: {gone}\n{story:?}"));
        assert!(later.join(" ").contains("Since the signature"), "seed {seed}");
        // At last its run is rejected: no result any longer, and still what was signed.
        let run = format!("/runs/{}", text(&signed, "run"));
        sign(&lab.app.manager, &run, "rejection", Some("the bath control was swapped")).await.expect(201);
        let after = lab.app.auditor.get(&path).await.expect(200);
        assert_eq!(after["state"], "invalidated");
        for part in ["digest", "evaluation"] {
            assert_eq!(signed_part(&after)[part], signed_part(&signed)[part], "{part}, seed {seed}: {story:?}");
        }
    }
}
