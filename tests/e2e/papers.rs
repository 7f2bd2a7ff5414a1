//! Reports as PDF, read by poppler: what the service computed and who signed it must stand in them.

use ferrotitre_tests::client::{Answer, Client};
use ferrotitre_tests::demo::nobody_and_auditor;
use ferrotitre_tests::pdf::{self, Read};
use serde_json::Value;

/// Asks for a document and reads it.
async fn printed(client: &Client, path: &str) -> (Answer, Read) {
    let answer = client.get(path).await;
    assert_eq!((answer.status, answer.header("content-type")), (200, "application/pdf"), "{path}: {}", answer.text);
    let read = pdf::read(&answer.bytes).await;
    let archive = ["<pdfaid:part>2<", "<pdfaid:conformance>A<"];
    assert!(archive.iter().all(|part| read.info.contains(part)), "{path}: {}", read.info);
    assert!(read.info.contains("Tagged:          yes"), "{path}: {}", read.info);
    // ISO 32000-1, 14.8.4: a heading of the first level, tables with header cells, figures with words in their place.
    for part in ["Document", "H1", "H2", "Table", "TH", "TD", "Figure", "Lbl"] {
        assert!(
            read.structure.lines().any(|line| line.trim_start().starts_with(part)),
            "{path}: no {part} in {}",
            read.structure
        );
    }
    (answer, read)
}

fn holds(read: &Read, words: &str) {
    // A line may end anywhere between words.
    let words = words.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(read.text.contains(&words), "'{words}' is not in: {}", read.text);
}

fn text<'a>(value: &'a Value, field: &str) -> &'a str {
    value[field].as_str().unwrap_or_else(|| panic!("no {field} in {value}"))
}

async fn first(client: &Client, path: &str) -> String {
    text(&client.get(path).await.expect(200)["items"][0], "id").to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn reports_as_pdf_show_what_the_service_computed_and_who_signed() {
    let (nobody, auditor) = nobody_and_auditor().await;

    let id = first(&auditor, "/iron-results?limit=1").await;
    let view = auditor.get(&format!("/iron-results/{id}")).await.expect(200);
    let (_, read) = printed(&auditor, &format!("/iron-results/{id}/report.pdf")).await;
    let reported = &view["evaluation"]["reported"];
    holds(
        &read,
        &format!("{} ± {} {}", text(reported, "text"), text(reported, "expanded_uncertainty"), text(reported, "unit")),
    );

    let id = text(&view, "total");
    let view = auditor.get(&format!("/determinations/{id}")).await.expect(200);
    let (_, short) = printed(&auditor, &format!("/determinations/{id}/report.pdf")).await;
    let (_, long) = printed(&auditor, &format!("/determinations/{id}/report.pdf?working=true")).await;
    let evaluation = &view["evaluation"];
    let reported = &evaluation["reported"];
    let figure =
        format!("{} ± {} {}", text(reported, "text"), text(reported, "expanded_uncertainty"), text(reported, "unit"));
    for read in [&short, &long] {
        holds(read, &figure);
        holds(read, text(&view, "code"));
        holds(read, text(&view, "content_digest"));
        for sign in view["sign_offs"].as_array().unwrap() {
            holds(read, text(sign, "printed_name"));
            holds(read, text(sign, "content_digest"));
        }
        for titre in evaluation["titres"].as_array().unwrap() {
            holds(read, text(titre, "fate"));
            holds(read, text(titre, "difference_ml"));
        }
    }
    let working = &evaluation["working"];
    holds(&long, &format!("{} = {}", text(working, "symbol"), text(working, "formula")));
    assert!(!short.text.contains(text(working, "formula")));
    assert!(long.text.len() > short.text.len() + 2000, "{}", long.text);

    let id = first(&auditor, "/validation-studies?limit=1").await;
    let (answer, read) = printed(&auditor, &format!("/validation-studies/{id}/report.pdf")).await;
    let study = auditor.get(&format!("/validation-studies/{id}")).await.expect(200);
    let signed = study["conclusions"].as_array().unwrap().last().unwrap_or(&study);
    let said = crate::certificates::paper::symbol(&answer.bytes).await;
    let mark = format!("{} sha256 {} tree ", text(&study, "code"), text(signed, "content_digest"));
    assert!(said.starts_with(&mark), "{said}, not {mark}");
    holds(&read, said.rsplit(' ').next().unwrap());
    let answers = auditor.get(&format!("/validation-studies/{id}/answers")).await.expect(200);
    for one in answers["characteristics"].as_array().unwrap() {
        holds(&read, text(one, "title"));
        holds(&read, text(one, "verdict"));
    }
    holds(&read, "copper 0.5 g/L");
    // A report of more than three pages begins with its contents, each a link.
    assert!(read.structure.contains("TOCI") && read.structure.contains("Reference"), "{}", read.structure);
    assert!(!short.structure.contains("TOCI"), "{}", short.structure);
    let refused = nobody.get(&format!("/validation-studies/{id}/report.pdf")).await;
    assert_eq!(refused.status, 401, "{}", refused.text);
}
