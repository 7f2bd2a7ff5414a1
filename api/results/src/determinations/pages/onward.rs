//! From one determination to the next: what was titrated before, and where a saved titration leads.

use ferrotitre_base::db::Db;
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use crate::determinations::service;
use crate::runs::next::{self, Next};

/// From which determination the page was come to.
#[derive(Debug, Default, serde::Deserialize)]
pub(super) struct Came {
    pub(super) before: Option<Uuid>,
}

/// The determination that was titrated before this one.
pub(super) struct Before {
    pub(super) code: String,
    pub(super) words: String,
    pub(super) page: String,
}

impl Before {
    pub(super) async fn of(db: &Db, shell: &Shell, id: Uuid) -> Result<Self, Refusal> {
        let view = service::read(db, id).await?;
        let sample = view.names.get(&view.sample).cloned().unwrap_or_default();
        let stands = view.evaluation.reported.as_ref().map(|reported| shell.n(reported.stated()));
        let stands = stands.unwrap_or_else(|| view.evaluation.progress.detail.clone());
        let words = format!("{} of {sample}: {stands}", view.analyte);
        Ok(Self { code: view.code, words, page: format!("/determinations/{id}") })
    }
}

/// Whether what was saved settles the determination and leaves nothing to look at: no slip that is asked about, no titres that
/// disagree.
fn settled(answer: &Answer) -> bool {
    let view: serde_json::Value = serde_json::from_str(&answer.body).unwrap_or_default();
    let is = |path: &str, value: serde_json::Value| view.pointer(path) == Some(&value);
    let titres = view.pointer("/evaluation/titres").and_then(serde_json::Value::as_array);
    let asked =
        |titre: &serde_json::Value| titre.get("queries").is_some() && titre.get("fate") != Some(&"superseded".into());
    is("/evaluation/progress/complete", true.into())
        && is("/evaluation/outcome", "concordant".into())
        && !titres.is_some_and(|titres| titres.iter().any(asked))
}

/// Where a saved titration leads: on to what comes next in the run once this determination is settled.
pub(super) async fn leads_to(
    db: &Db,
    answer: &Answer,
    (id, run): (Uuid, Uuid),
    person: AccountId,
) -> Result<Option<String>, Refusal> {
    if !settled(answer) {
        return Ok(None);
    }
    let next = next::of(db, run, Some(id), person).await?;
    Ok(next.place().map(|place| match next {
        Next::Titrate { .. } => format!("{place}?before={id}"),
        _ => place,
    }))
}
