//! Two decision rules and three specifications of the two clients, invented; the bath is judged by all three, with three outcomes.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::specifications::approval::Decision;
use ferrotitre_bench::specifications::{rules, service};
use ferrotitre_results::conformity::assignments;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::demo::stock::Stock;
use crate::demo::{Lab, id_of, text_of, wire};

/// Versions of the specifications.
pub(super) struct Specifications {
    coagulant: String,
}

/// analyst-2 drafts, manager-1 approves; answers with the version.
async fn rule(lab: &Lab<'_>, facts: &Value) -> Result<String, Refusal> {
    let answer = rules::record(lab.db, &lab.analyst_2.act("draft_specifications"), wire(facts)?).await?;
    let manager = &lab.manager_1;
    let act = manager.act("approve_specifications");
    let what = (id_of(&answer)?, Decision::Approve);
    let signature = manager.signature_on(text_of(&answer, "content_digest")?, None);
    rules::decide(lab.db, &act, &manager.user, lab.policy, what, signature).await?;
    text_of(&answer, "version_id")
}

async fn specification(lab: &Lab<'_>, facts: &Value) -> Result<String, Refusal> {
    let answer = service::record(lab.db, &lab.analyst_2.act("draft_specifications"), wire(facts)?).await?;
    let manager = &lab.manager_1;
    let act = manager.act("approve_specifications");
    let what = (id_of(&answer)?, Decision::Approve);
    let signature = manager.signature_on(text_of(&answer, "content_digest")?, None);
    service::decide(lab.db, &act, &manager.user, lab.policy, what, signature).await?;
    text_of(&answer, "version_id")
}

async fn assign(lab: &Lab<'_>, sample: Uuid, version: &str) -> Result<(), Refusal> {
    let act = lab.analyst_1.act("assign_specifications");
    assignments::assign(lab.db, &act, sample, wire(&json!({ "specification": version }))?).await.map(|_| ())
}

/// Drafts and approves rules and specifications, and gives the bath those of its own client.
pub(super) async fn load(lab: &Lab<'_>, stock: &Stock) -> Result<Specifications, Refusal> {
    let simple = json!({ "code": "DR-1", "title": "Simple acceptance", "kind": "simple acceptance",
        "source": "agreed with the clients for control of a process" });
    let simple = rule(lab, &simple).await?;
    let guarded = json!({ "code": "DR-2", "title": "Guard band of one expanded uncertainty", "kind": "guard band of U",
        "multiple": "1", "source": "agreed with the clients where a limit protects the plant" });
    let guarded = rule(lab, &guarded).await?;
    let from = lab.at(0, 0);
    let renewal = json!({ "code": "SP-1", "title": "Iron(II) at which a bath is renewed", "scope": "pickling line: etching slows down above the limit",
        "client_reference": "pickling line", "matrix": "hydrochloric pickling bath", "analyte": "iron(II)", "unit": "g/L",
        "upper": "120.4", "decision_rule": guarded, "effective_from": from });
    let renewal = specification(lab, &renewal).await?;
    let total = json!({ "code": "SP-2", "title": "Total iron in pickling baths", "scope": "pickling line: sludge forms above the limit",
        "client_reference": "pickling line", "matrix": "hydrochloric pickling bath", "analyte": "total iron", "unit": "g/L",
        "upper": "120", "decision_rule": simple, "effective_from": from });
    let total = specification(lab, &total).await?;
    let coagulant = json!({ "code": "SP-3", "title": "Spent bath as a source of iron(II)", "scope": "mine-water treatment plant: dosed as coagulant",
        "client_reference": "mine-water treatment plant", "matrix": "hydrochloric pickling bath", "analyte": "iron(II)", "unit": "g/L",
        "lower": "100", "upper": "140", "decision_rule": guarded, "effective_from": from });
    let coagulant = specification(lab, &coagulant).await?;
    for version in [&renewal, &total] {
        assign(lab, stock.bath, version).await?;
    }
    Ok(Specifications { coagulant })
}

/// The other client asks later: its specification is assigned after the results were approved, and shown so.
pub(super) async fn later(lab: &Lab<'_>, stock: &Stock, specifications: &Specifications) -> Result<(), Refusal> {
    assign(lab, stock.bath, &specifications.coagulant).await
}
