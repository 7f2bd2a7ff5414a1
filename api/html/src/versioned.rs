//! What the pages of versioned things share: the versions with what each changed, and who made them.

use actix_web::HttpResponse;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Deed;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_core::lifecycle::EntityKind;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use uuid::Uuid;

use crate::form::{Field, Form, Sent, VERSION, onward};
use crate::sheet::{Cell, Fact, Names, Part, Table, facts};
use crate::shell::Shell;
use crate::show;

/// Facts of a thing as JSON, as the API shows them.
pub fn json<F: Serialize>(facts: &F) -> Value {
    serde_json::to_value(facts).unwrap_or_default()
}

impl Shell {
    /// The form of a correction of the present facts, carried out against the version it showed.
    pub async fn correct<D: Deed, F: DeserializeOwned>(
        &self,
        who: &Allowed<D>,
        sent: &Sent,
        form: Form,
        (facts, version): (&Value, impl std::fmt::Display),
        work: impl AsyncFnOnce(Act, Option<&str>, Correction<F>) -> Result<Answer, Refusal>,
    ) -> Result<HttpResponse, Problem> {
        let (back, named) = (form.back.clone(), sent.get(VERSION).to_owned());
        self.take(who, sent, form.correcting(facts, version), async |act, correction| {
            Ok(onward(&work(act, Some(&named), correction).await?, &back))
        })
        .await
    }
}

/// Printed names of everybody who made a version or a move.
pub async fn names<F>(db: &Db, versions: &[VersionView<F>], moves: &[StateMove]) -> Result<Names, Refusal> {
    let mut ids: Vec<Uuid> = versions.iter().map(|view| view.recorded_by.0).collect();
    ids.extend(moves.iter().filter_map(|step| step.recorded_by).map(|by| by.0));
    labels::of(db, EntityKind::Account, &ids).await
}

/// Versions, newest first, each with what it changed.
pub fn versions<F: Serialize>(shell: &Shell, fields: &[Field], views: &[VersionView<F>], names: &Names) -> Part {
    let told: Vec<Vec<Fact>> = views.iter().map(|view| facts(fields, &json(&view.facts), shell)).collect();
    let rows = views.iter().enumerate().rev().map(|(index, view)| {
        let before = index.checked_sub(1).and_then(|before| told.get(before));
        let changed = before.map_or_else(String::new, |before| changes(before, &told[index]));
        vec![
            Cell::text(view.version.to_string()),
            Cell::text(show::time(view.recorded_at)),
            Cell::text(names.get(&view.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(view.reason.clone().unwrap_or_else(|| "first version".to_owned())),
            Cell::text(changed),
        ]
    });
    let columns = vec!["Version", "Recorded", "By", "Reason", "Changed"];
    Part::Table(Table { columns, rows: rows.collect(), ..Table::default() })
}

/// What differs, old values beside new ones.
fn changes(before: &[Fact], after: &[Fact]) -> String {
    let value = |facts: &[Fact], name: &str| {
        facts.iter().find(|fact| fact.name == name).map_or_else(|| "nothing".to_owned(), |fact| fact.cell.text.clone())
    };
    let mut names: Vec<&str> = before.iter().chain(after).map(|fact| fact.name.as_str()).collect();
    names.dedup();
    let mut told = Vec::new();
    for name in names {
        let (old, new) = (value(before, name), value(after, name));
        let line = format!("{name}: {old} became {new}");
        if old != new && !told.contains(&line) {
            told.push(line);
        }
    }
    told.join("; ")
}

/// Whether a thing can go anywhere from its state.
pub fn moves_on(kind: EntityKind, state: &str) -> bool {
    kind.moves().iter().any(|step| step.from == state)
}
