//! What stands on the paper, read by poppler; its symbol, read by a decoder that is not ours; and that nothing changes it.

use std::path::PathBuf;

use ferrotitre_tests::bench::sample;
use ferrotitre_tests::pdf;

use super::*;
use crate::pages::Visitor;
use crate::signed::{amend, correct_portion, flask_calibration};
use crate::specifications::{approved as in_force, assign, at_most, guarded};

/// Text of every page by itself.
async fn pages(bytes: &[u8]) -> Vec<String> {
    let file: PathBuf = std::env::temp_dir().join(format!("ferrotitre-{}.pdf", uuid::Uuid::now_v7()));
    std::fs::write(&file, bytes).unwrap();
    let output = tokio::process::Command::new("pdftotext").arg(&file).arg("-").output().await.unwrap();
    std::fs::remove_file(&file).unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    text.trim_end_matches('\u{c}').split('\u{c}').map(str::to_owned).collect()
}

/// Every page as grey pixels at 300 dots to the inch, painted by poppler.
async fn painted(bytes: &[u8]) -> Vec<(Vec<u8>, u32, u32)> {
    let folder = std::env::temp_dir().join(format!("ferrotitre-{}", uuid::Uuid::now_v7()));
    std::fs::create_dir(&folder).unwrap();
    let file = folder.join("certificate.pdf");
    std::fs::write(&file, bytes).unwrap();
    let arguments = ["-gray", "-r", "300", "-png"];
    let done = tokio::process::Command::new("pdftoppm").args(arguments).arg(&file).arg(folder.join("page")).status();
    assert!(done.await.unwrap().success());
    let mut files: Vec<PathBuf> = std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some_and(|end| end == "png"));
    files.sort();
    let read = |file: &PathBuf| {
        let decoder = png::Decoder::new(std::io::BufReader::new(std::fs::File::open(file).unwrap()));
        let mut reader = decoder.read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        let frame = reader.next_frame(&mut pixels).unwrap();
        pixels.truncate(frame.buffer_size());
        // Grey is painted with three equal parts.
        let parts = pixels.len() / (frame.width * frame.height) as usize;
        let pixels = pixels.into_iter().step_by(parts).collect();
        (pixels, frame.width, frame.height)
    };
    let all = files.iter().map(read).collect();
    std::fs::remove_dir_all(&folder).unwrap();
    all
}

/// What the symbol on one of the pages says, by rxing (a port of ZXing); the library that drew it only writes.
pub(crate) async fn symbol(bytes: &[u8]) -> String {
    let mut tried = Vec::new();
    // It stands at the end.
    for (pixels, width, height) in painted(bytes).await.into_iter().rev() {
        let format = Some(rxing::BarcodeFormat::DATA_MATRIX);
        // The symbol stands in the middle of the page; at its sides there is text only.
        let (from, half) = (width / 4, width / 2);
        let of = (from as usize)..((from + half) as usize);
        let strip: Vec<u8> = pixels.chunks(width as usize).flat_map(|line| line[of.clone()].to_vec()).collect();
        let window = 700;
        for top in (0..height.saturating_sub(window)).step_by(150) {
            let part = strip[(top * half) as usize..((top + window) * half) as usize].to_vec();
            match rxing::helpers::detect_in_luma(part, half, window, format) {
                Ok(read) => return read.getText().to_owned(),
                Err(error) => tried.push(error.to_string()),
            }
        }
    }
    panic!("no symbol was read: {tried:?}")
}

#[tokio::test(flavor = "multi_thread")]
async fn everything_that_the_standard_asks_for_stands_on_the_paper() {
    let lab = described().await;
    let app = &lab.app;
    let (_, rule) = in_force(app, "/decision-rules", &guarded("DR-1", "1.645")).await;
    let (_, limits) = in_force(app, "/specifications", &at_most("SP-1", "130", &rule)).await;
    let samples = app.auditor.get("/samples").await.expect(200);
    let assigned = assign(app, &text(&samples["items"][0], "id"), &limits).await;
    let [iron3, _, iron2] = difference(&lab).await;
    let mut entered = facts(&[&iron3]);
    entered["specifications"] = json!([text(&assigned, "id")]);
    entered["remarks"] = json!("The bath was filtered before the portion was taken.");
    let draft = app.analyst2.post("/certificates", &entered).await.expect(201);
    let certificate = authorise(&app.manager2, &path(&draft)).await.expect(201);
    let place = path(&certificate);
    let bytes = document(&lab, &place, 1).await.bytes;
    let read = pdf::read(&bytes).await;
    for archive in ["<pdfaid:part>2<", "<pdfaid:conformance>A<", "Tagged:          yes"] {
        assert!(read.info.contains(archive), "{archive}: {}", read.info);
    }
    let number = text(&certificate, "number");
    let iron2 = app.auditor.get(&format!("/determinations/{iron2}")).await.expect(200);
    // The day of the first titration, by the laboratory's clock: a test may run past midnight.
    let began = iron2["titrations"].as_array().unwrap().iter().map(|one| {
        text(one, "observed_at").parse::<chrono::DateTime<chrono::Utc>>().unwrap().with_timezone(&chrono::Local)
    });
    let day = began.min().unwrap().format("%-d %b %Y").to_string();
    let figure = text(&iron2["evaluation"]["reported"], "text");
    let clock = |at: &Value| {
        let at: chrono::DateTime<chrono::Utc> = at.as_str().unwrap().parse().unwrap();
        at.with_timezone(&chrono::Local).format("%-d %b %Y %H:%M %:z").to_string()
    };
    let received = clock(&samples["items"][0]["received_at"]);
    let moves = certificate["issues"][0]["moves"].as_array().unwrap();
    let issued = clock(&moves.iter().find(|step| step["to_state"] == "issued").unwrap()["recorded_at"]);
    // The letters are those of 7.8.2.1, from memory.
    for (clause, words) in [
        ("a", format!("Certificate of analysis {number}, issue 1")),
        ("b", "Harbour Street Analytical".to_owned()),
        ("c", "12 Harbour Street, Portmere".to_owned()),
        ("d", format!("End of certificate {number}, issue 1")),
        ("e", "Pickling line Quay 4, Portmere".to_owned()),
        ("f", "iron(II) in pickling baths: titration with dichromate".to_owned()),
        ("g", "green, clear; hydrochloric pickling bath".to_owned()),
        // Poppler reads the names of a list before its values.
        ("g", "intact; acid as taken, full bottle".to_owned()),
        ("g", "Condition on receipt".to_owned()),
        ("h", format!("{received} intact")),
        ("h", "Received".to_owned()),
        ("i", format!("M1 v1 {day}")),
        ("j", format!("Quay 4, Portmere {issued}")),
        ("j", "Date of issue".to_owned()),
        ("l", "The results relate only to the items tested, as they were received.".to_owned()),
        ("m", figure.clone()),
        ("n", "The bath was filtered before the portion was taken.".to_owned()),
        ("o", "manager-2".to_owned()),
        // 7.8.3.1: uncertainty with its unit, and conformity with the rule that was applied.
        ("7.8.3.1 c", text(&iron2["evaluation"]["reported"], "expanded_uncertainty")),
        ("7.8.6.2", "SP-1 v1".to_owned()),
        ("7.8.6.2", "by decision rule DR-1 v1".to_owned()),
        ("common practice, no source", "may be reproduced only in full".to_owned()),
    ] {
        assert!(read.text.contains(&words), "{clause}: '{words}' is not in: {}", read.text);
    }
    // d: every page is known as a part of the certificate.
    let pages = pages(&bytes).await;
    for (at, page) in pages.iter().enumerate() {
        assert!(page.contains(&format!("Certificate {number}, issue 1")), "page {}: {page}", at + 1);
    }
    assert!(!read.text.contains("Draft"), "{}", read.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_symbol_on_the_paper_says_number_issue_digest_and_where_the_status_is() {
    let lab = described().await;
    let (result, _) = approved(&lab).await;
    let certificate = issued(&lab, &[&result]).await;
    let bytes = document(&lab, &path(&certificate), 1).await.bytes;
    let (number, digest) = (text(&certificate, "number"), text(&certificate["issues"][0], "content_digest"));
    let expected = symbol(&bytes).await;
    let tree = expected.split_whitespace().skip_while(|word| *word != "tree").nth(1).unwrap();
    let place = format!("http://127.0.0.1:8420/certificates/{number}?issue=1");
    assert_eq!(expected, format!("{number} issue 1 sha256 {digest} tree {tree} {place}"));
    marks::is_of_the_log(&lab, tree).await;
    assert!(pdf::read(&bytes).await.text.contains(&format!("tree {tree}")), "it copies as it stands");
    // The digest is that of what was signed, over the document as the API shows it, and of nothing else.
    let signed = &certificate["issues"][0]["sign_offs"][0]["content_digest"];
    assert_eq!(signed, &json!(digest));
    // Scanned where labels are, it leads to the status; so does the number alone.
    let visitor = Visitor::of(lab.app.running.address, &lab.app.analyst);
    let encoded: String = expected.bytes().map(|byte| format!("%{byte:02X}")).collect();
    let found = visitor.get(&format!("/labels/find?label={encoded}")).await;
    let place = format!("/certificates/{number}?issue=1&digest={digest}");
    assert_eq!((found.status, found.headers["location"].to_str().unwrap()), (303, place.as_str()));
    let page = visitor.get(&place).await.text;
    assert!(page.contains("Issue 1 is current.") && page.contains("is the one that was signed"), "{page}");
    let found = visitor.get(&format!("/labels/find?label={}", number.to_lowercase())).await;
    assert_eq!(found.headers["location"].to_str().unwrap(), format!("/certificates/{number}"));
    let unknown = visitor.get("/labels/find?label=C-1999-0001").await;
    assert!(unknown.status == 200 && unknown.text.contains("not the text of a label"), "{}", unknown.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn no_later_row_changes_what_went_out() {
    let lab = described().await;
    let app = &lab.app;
    let (result, _) = approved(&lab).await;
    let of = format!("/determinations/{result}");
    let certificate = issued(&lab, &[&result]).await;
    let place = path(&certificate);
    let first = document(&lab, &place, 1).await.bytes;
    let said = pdf::read(&first).await.text;
    let frozen = certificate["issues"][0]["document"].clone();
    let same = async |what: &str| {
        let now = document(&lab, &place, 1).await.bytes;
        assert!(now == first, "{what} changed the document");
        assert_eq!(pdf::read(&now).await.text, said, "{what}");
        let view = app.auditor.get(&place).await.expect(200);
        assert_eq!(view["issues"][0]["document"], frozen, "{what}");
        assert_eq!(view["issues"][0]["sign_offs"][0]["still_valid"], true, "{what}");
    };
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    same("a corrected portion").await;
    let late = flask_calibration("CAL-LATE", -20, "249.10");
    let _ = app.manager.post(&format!("/equipment/{}/calibrations", lab.bench.flask_250), &late).await.expect(201);
    same("a late calibration").await;
    let samples = app.auditor.get("/samples").await.expect(200);
    let mut description = sample("S-1");
    description["client_reference"] = json!("bath 7");
    let correction = json!({ "reason": "it was of another bath", "facts": description });
    let corrections = format!("/samples/{}/corrections", text(&samples["items"][0], "id"));
    let version = text(&samples["items"][0], "version_id");
    let _ = app.analyst.post_if_match(&corrections, &version, &correction).await.expect(201);
    same("a corrected sample").await;
    let present = app.auditor.get("/laboratory").await.expect(200)["versions"][0].clone();
    let mut moved = identity();
    moved["name"] = json!("Market Square Analytical");
    let correction = json!({ "reason": "the laboratory was renamed", "facts": moved });
    let _ = app
        .manager
        .post_if_match("/laboratory/corrections", &text(&present, "version_id"), &correction)
        .await
        .expect(201);
    same("a corrected laboratory").await;
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let withdrawn = json!({ "to": "withdrawn", "reason": "recalled by its producer" });
    let moves = format!("/primary-standards/{}/moves", text(&standards["items"][0], "id"));
    let _ = app.manager.post(&moves, &withdrawn).await.expect(201);
    same("a withdrawn standard").await;
    amend(&lab, &of, "25 mL had been taken").await;
    same("an amended result").await;
    let run = text(&app.auditor.get(&of).await.expect(200), "run");
    sign(&app.manager2, &format!("/runs/{run}"), "rejection", Some("the blank was swapped")).await.expect(201);
    same("a rejected run").await;
    withdraw(&app.manager, &place, "its result fell with its run").await.expect(201);
    let now = document(&lab, &place, 1).await.bytes;
    assert!(now == first, "a withdrawal changed the document");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_document_that_somebody_swaps_in_the_store_is_not_handed_out() {
    let lab = described().await;
    let (result, _) = approved(&lab).await;
    let certificate = issued(&lab, &[&result]).await;
    let place = path(&certificate);
    let forger = lab.app.sql(ferrotitre_tests::cluster::DatabaseRole::Superuser).await;
    // The store itself refuses bytes with another digest; with both changed the audit log tells (its event holds the digest).
    let swap = "ALTER TABLE certificate_papers DISABLE TRIGGER USER; \
                ALTER TABLE certificate_papers DROP CONSTRAINT certificate_papers_pdf_digest_rule; \
                UPDATE certificate_papers SET pdf = 'forged'; ALTER TABLE certificate_papers ENABLE TRIGGER USER";
    forger.batch_execute(swap).await.unwrap();
    let answer = lab.app.auditor.get(&format!("{place}/issues/1/certificate.pdf")).await;
    assert_eq!(answer.status, 500, "{}", answer.text);
}
