//! Every printed figure carries what it can be checked by, read by a decoder that is not ours.

use ferrotitre_tests::cluster::DatabaseRole;
use ferrotitre_tests::pdf;

use super::paper::symbol;
use super::*;
use crate::pages::Visitor;

/// That a head, as `ferrotitre verify --kept-head` takes it, was signed by the log.
pub(super) async fn is_of_the_log(lab: &Lab, head: &str) {
    let (size, root) = head.split_once(':').unwrap();
    let sql = lab.app.sql(DatabaseRole::Superuser).await;
    let found = sql
        .query("SELECT encode(root_hash, 'hex') FROM audit_tree_heads WHERE tree_size = $1::text::bigint", &[&size])
        .await
        .unwrap();
    assert_eq!(found[0].get::<_, String>(0), root, "{head}");
}

/// ISO/IEC 16022: the symbol; its text is ours.
#[tokio::test(flavor = "multi_thread")]
async fn a_printed_figure_says_in_its_symbol_and_in_letters_what_it_can_be_checked_by() {
    let lab = described().await;
    let app = &lab.app;
    let [iron3, _, iron2] = difference(&lab).await;
    app.sealed().await;
    let analyst = Visitor::of(app.running.address, &app.analyst);
    let of = |path: String| (path.clone(), format!("{path}/report.pdf"));
    let determination = format!("/determinations/{iron2}");
    for (path, print) in [
        of(determination.clone()),
        (determination.clone(), format!("{determination}/report.pdf?working=true")),
        (determination.clone(), format!("{determination}/control.pdf")),
        of(format!("/iron-results/{iron3}")),
    ] {
        let view = app.auditor.get(&path).await.expect(200);
        let answer = app.auditor.get(&print).await;
        assert_eq!(answer.status, 200, "{print}: {}", answer.text);
        let said = symbol(&answer.bytes).await;
        let tree = said.rsplit(' ').next().unwrap();
        let (code, digest) = (text(&view, "code"), text(&view, "content_digest"));
        assert_eq!(said, format!("{code} sha256 {digest} tree {tree}"), "{print}");
        is_of_the_log(&lab, tree).await;
        // Each stands on a line of its own, so that it copies without blanks.
        let read = pdf::read(&answer.bytes).await.text;
        for words in [format!("{code} sha256"), format!(" {digest} "), format!("tree {tree}")] {
            assert!(read.contains(&words), "{print}: {words} is not in: {read}");
        }
        let scanned: String = said.bytes().map(|byte| format!("%{byte:02X}")).collect();
        let found = analyst.get(&format!("/labels/find?label={scanned}")).await;
        assert_eq!(
            (found.status, found.headers["location"].to_str().unwrap()),
            (303, format!("/find?q={code}").as_str())
        );
        let found = analyst.get(&format!("/find?q={code}")).await;
        assert_eq!((found.status, found.headers["location"].to_str().unwrap()), (303, path.as_str()));
    }
}
