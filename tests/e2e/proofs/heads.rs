//! Heads and proofs as other implementations read them, and heads of an earlier release.

use ferrotitre_check::note::{Checkpoint, Note};
use ferrotitre_check::proof::LeafProof;
use ferrotitre_core::merkle::leaf_hash;
use ferrotitre_ledger::audit::verify::{self, Against};
use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench;
use ferrotitre_tests::cluster::{DatabaseRole, until};
use serde_json::Value;
use tlog_tiles::tlog;

use super::log_key;

fn nodes(proof: &Value) -> Vec<tlog::Hash> {
    let node = |node: &Value| tlog::Hash(hex::decode(node.as_str().unwrap()).unwrap().try_into().unwrap());
    proof.as_array().unwrap().iter().map(node).collect()
}

/// The crates signed_note and tlog_tiles, which nobody here wrote, read our log.
#[tokio::test(flavor = "multi_thread")]
async fn another_implementation_checks_head_event_and_growth_of_our_log() {
    let app = TestApp::start().await;
    let _ = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    app.sealed().await;
    let first = app.auditor.get("/audit-tree/checkpoint").await;
    assert_eq!(first.status, 200, "{}", first.text);
    let _ = app.analyst.post("/samples", &bench::sample("S-2")).await.expect(201);
    app.sealed().await;
    let newest = app.auditor.get("/audit-tree/checkpoint").await.text;
    let key = log_key(&app.nobody).await;
    let read = |text: &str| {
        let verifier = signed_note::StandardVerifier::new(&key.text()).unwrap();
        let note = signed_note::Note::from_bytes(text.as_bytes()).unwrap();
        let (verified, _) = note.verify(&signed_note::VerifierList::new(vec![Box::new(verifier)])).unwrap();
        assert_eq!(verified.len(), 1);
        tlog_tiles::Checkpoint::from_bytes(note.text()).unwrap()
    };
    let (older, newer) = (read(&first.text), read(&newest));
    assert!(older.size() < newer.size());
    let between = format!("/audit-tree/consistency-proof?older={}&newer={}", older.size(), newer.size());
    let between = app.auditor.get(&between).await.expect(200);
    tlog::check_tree(&nodes(&between["proof"]), newer.size(), *newer.hash(), older.size(), *older.hash()).unwrap();
    // The same head, by its size.
    let again = app.auditor.get(&format!("/audit-tree/checkpoint?size={}", older.size())).await.text;
    assert_eq!(again, first.text);
    let event = app.auditor.get("/audit-events?limit=1").await.expect(200)["items"][0]["id"].clone();
    let event = event.as_str().unwrap();
    let bytes = app.auditor.get(&format!("/audit-events/{event}/canonical")).await.bytes;
    let file = app.auditor.get(&format!("/audit-events/{event}/tlog-proof")).await.text;
    let proof = LeafProof::read(&file).unwrap();
    let head = read(&proof.note);
    let path: Vec<tlog::Hash> = proof.path.iter().map(|node| tlog::Hash(*node)).collect();
    tlog::check_record(&path, head.size(), *head.hash(), proof.index, tlog::record_hash(&bytes)).unwrap();
    assert_eq!(proof.holds(&leaf_hash(&bytes)).unwrap().size, head.size());
    // Contents are for those who see them, proofs for everybody with an account.
    app.administrator.get(&format!("/audit-events/{event}/canonical")).await.refused(403, "forbidden");
    assert_eq!(app.administrator.get(&format!("/audit-events/{event}/tlog-proof")).await.status, 200);
    app.auditor.get("/audit-tree/checkpoint?size=1000000").await.refused(404, "not_found");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_head_of_an_earlier_release_stays_valid_and_is_joined_to_the_first_checkpoint() {
    let app = TestApp::start().await;
    let _ = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    app.sealed().await;
    let old = app.auditor.get("/audit-tree/heads/latest").await.expect(200);
    let sql = app.sql(DatabaseRole::Superuser).await;
    // As the store of a release without checkpoints.
    sql.batch_execute("SET session_replication_role = replica; DELETE FROM audit_checkpoints").await.unwrap();
    app.auditor.get("/audit-tree/checkpoint").await.refused(404, "not_found");
    let _ = app.analyst.post("/samples", &bench::sample("S-2")).await.expect(201);
    app.sealed().await;
    let note = until("a checkpoint is there", async || {
        Some(app.auditor.get("/audit-tree/checkpoint").await).filter(|answer| answer.status == 200)
    });
    let checkpoint = Checkpoint::read(&Note::read(&note.await.text).unwrap().text).unwrap();
    let size = old["tree_size"].as_u64().unwrap();
    let path = format!("/audit-tree/consistency-proof?older={size}&newer={}", checkpoint.size);
    let proof = app.auditor.get(&path).await.expect(200);
    let root = tlog::Hash(hex::decode(old["root_hash"].as_str().unwrap()).unwrap().try_into().unwrap());
    tlog::check_tree(&nodes(&proof["proof"]), checkpoint.size, tlog::Hash(checkpoint.root), size, root).unwrap();
    let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
    let (remembered, key) = (app.memory.read().unwrap(), app.shared.seal_key.public());
    let against = Against { key: &key, remembered: remembered.as_ref(), kept: &[] };
    let report = verify::check(&connection, against).await.unwrap();
    assert_eq!(report.findings, Vec::<String>::new());
    // One that was altered is named.
    sql.batch_execute("UPDATE audit_checkpoints SET note = replace(note, 'ferrotitre/', 'ferrotitre.')").await.unwrap();
    let report = verify::check(&connection, against).await.unwrap();
    assert!(report.findings.iter().any(|finding| finding.contains("is not the head that was signed")), "{report:?}");
}
