//! The bath control scatters by more than the budget of total iron explains: manager-1 says why results go on being judged, and
//! drafts a version that takes in what the chart saw; manager-2 has not approved it yet.

use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::versions::Correction;
use ferrotitre_bench::methods::service as methods;
use ferrotitre_bench::methods::store::MethodFacts;
use ferrotitre_results::budgets::service as budgets;
use serde_json::json;
use uuid::Uuid;

use crate::demo::stock::Stock;
use crate::demo::{Lab, wire};

/// Makes the records.
pub async fn load(lab: &Lab<'_>, stock: &Stock) -> Result<(), Refusal> {
    let id: Uuid = stock.record_total.parse().map_err(Refusal::internal)?;
    let view = budgets::read(lab.db, id).await?;
    let refuted = view.versions.iter().filter(|version| version.blocked).flat_map(|version| &version.charts);
    let chart =
        refuted.filter(|one| one.held.as_ref().is_some_and(|held| held.refuted)).find(|one| one.decision.is_none());
    let lacks = || Refusal::new(Code::Internal, "no chart of the scenario refutes the budget of total iron");
    let (chart, held) = chart.and_then(|chart| Some((chart, chart.held.as_ref()?))).ok_or_else(lacks)?;
    let act = lab.manager_1.act("approve_methods");
    let decision = json!({ "method_version": stock.method_total, "chart": chart.chart,
        "reason": "no client's limit is nearer to a result than twice what the chart saw; the next version takes it in and is drafted" });
    budgets::decide(lab.db, &act, id, wire(&decision)?).await?;

    let history = methods::read(lab.db, id).await?;
    let newest = history.resource.versions.last().ok_or_else(lacks)?;
    let mut facts = serde_json::to_value(&newest.facts).map_err(Refusal::internal)?;
    if let Some(rules) = facts.get_mut("rules").and_then(serde_json::Value::as_object_mut) {
        // Rounded up: the draft claims no less than was seen.
        let percent = (held.lacking_percent * 100.0).ceil() / 100.0;
        rules.insert("uncertainty".to_owned(), json!("with between-run component"));
        rules.insert("seen_percent".to_owned(), json!(format!("{percent:.2}")));
        rules.insert("seen_degrees_of_freedom".to_owned(), json!(chart.runs.saturating_sub(1).to_string()));
        rules.insert("seen_on".to_owned(), json!(format!("chart {}, {} runs", chart.code, chart.runs)));
    }
    let correction: Correction<MethodFacts> =
        wire(&json!({ "reason": "the bath control scatters by more than the budget explains",
        "facts": facts }))?;
    let act = lab.manager_1.act("draft_methods");
    methods::correct(lab.db, &act, id, Some(&history.tag), correction).await.map(|_| ())
}
