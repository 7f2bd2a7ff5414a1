//! Certificates in force over what a hypothesis changes: ISO/IEC 17025:2017, 7.10.1 e and f (from memory): customers are told, and
//! work is recalled where that is needed.

use super::*;
use crate::certificates::{authorise, described, issued, path};
use crate::pages::Visitor;

#[tokio::test(flavor = "multi_thread")]
async fn certificates_in_force_that_would_have_to_be_recalled_are_named() {
    let lab = described().await;
    let app = &lab.app;
    let (certified, _) = approved(&lab).await;
    let (free, _) = approved(&lab).await;
    let id_of = |path: &str| path.trim_start_matches("/determinations/").to_owned();
    let certificate = issued(&lab, &[&id_of(&certified)]).await;
    let number = text(&certificate, "number");
    // A draft is nobody's yet.
    let _ = crate::certificates::drafted(&lab, &[&id_of(&free)]).await;
    let id = standard(&lab).await;
    let other = format!("standard={id}&mass_fraction=0.9975");
    let answered = what_if(&app.auditor, &other).await;
    let on = |of: &str| {
        let lines = answered.of_kind("determinations");
        lines.into_iter().find(|line| text(line, "id") == id_of(of)).unwrap()["certificate"].clone()
    };
    assert_eq!(on(&certified), json!({ "number": number, "issue": 1 }));
    assert_eq!(on(&free), Value::Null);
    let counted = |totals: &Value| (totals["certificates"].clone(), totals["certificates_not_evaluated"].clone());
    assert_eq!(counted(&answered.totals), (json!(1), json!(0)));
    // What changes nothing recalls nothing.
    let same = what_if(&app.auditor, &format!("standard={id}&mass_fraction=0.9998")).await;
    assert_eq!(counted(&same.totals), (json!(0), json!(0)));
    assert!(same.results.iter().all(|line| line["certificate"].is_null()));
    // What could not be evaluated is no all-clear.
    let open = what_if(&app.manager, &format!("without_person={}", app.analyst.id)).await;
    assert_eq!(counted(&open.totals), (json!(0), json!(1)), "{}", open.totals);
    // Page and file.
    let auditor = Visitor::of(app.running.address, &app.auditor);
    let page = auditor.get(&format!("/what-if/answer?{other}")).await.text;
    for words in ["Certificates in force to be recalled or looked at", &format!("href=\"/certificates/{number}\"")] {
        assert!(page.contains(words), "{words}: {page}");
    }
    let file = app.auditor.get(&format!("/exports/what-if?{other}&format=csv")).await;
    assert!(file.text.contains(&format!("{number} issue 1")), "{}", file.text);
    assert!(file.header("x-completeness").contains("\"certificates\":1"), "{}", file.header("x-completeness"));
    // The next issue takes its place; a withdrawn one needs no recall any more.
    let amended = crate::certificates::amended(&lab, &certificate, &[&id_of(&certified)]).await.expect(201);
    let waits = what_if(&app.auditor, &other).await;
    assert_eq!(counted(&waits.totals), (json!(1), json!(0)));
    authorise(&app.manager2, &path(&amended)).await.expect(201);
    let second = what_if(&app.auditor, &other).await;
    let line = second.results.iter().find(|line| !line["certificate"].is_null()).unwrap();
    assert_eq!(line["certificate"], json!({ "number": number, "issue": 2 }));
    sign(&app.manager, &path(&amended), "withdrawal", Some("the bottle was of another bath")).await.expect(201);
    assert_eq!(counted(&what_if(&app.auditor, &other).await.totals), (json!(0), json!(0)));
}
