//! Pages of decision rules and specifications, of what samples are given, and the sections of statements that other pages show.

mod rules;
pub mod statements;

use actix_web::web;
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::DecisionRuleId;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::versions::VersionView;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::Choice;
use ferrotitre_html::sheet::{Cell, Part, Table};
use uuid::Uuid;

use crate::specifications::approval::{Decision, SignedHistory};
use crate::specifications::rules as decision_rules;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(rules::list_rules)
        .service(rules::draft_rule)
        .service(rules::read_rule)
        .service(rules::revise_rule)
        .service(rules::decide_rule);
}

/// Decision rules to choose: those in force, and those that versions name, so that their codes are shown.
pub async fn rule_choices(db: &Db, named: &[DecisionRuleId]) -> Result<Vec<Choice>, Refusal> {
    let in_force = decision_rules::in_force(db).await?.into_iter();
    let choice = |view: VersionView<decision_rules::DecisionRuleFacts>| {
        let code = format!("{} v{}", view.facts.code, view.version);
        Choice::thing(view.version_id, &code, view.facts.in_words())
    };
    let mut choices: Vec<Choice> = in_force.map(choice).collect();
    let named: Vec<Uuid> = named.iter().map(|rule| rule.0).collect();
    for (id, code) in labels::of(db, EntityKind::DecisionRule, &named).await? {
        if !choices.iter().any(|choice| choice.value == id.to_string()) {
            choices.push(Choice::thing(id, &code, "not in force"));
        }
    }
    Ok(choices)
}

/// A step of the address: what is decided, the form's title, its button, what is signed, and whether it needs a reason.
pub fn step_of(word: &str) -> (Decision, &'static str, &'static str, &'static str, bool) {
    match word {
        "approval" => {
            (Decision::Approve, "Approve", "Sign as approved", "You sign: it holds from now on, as written.", false)
        }
        "rejection" => (Decision::Reject, "Reject", "Reject it", "The draft ends here, with your reason.", true),
        _ => (
            Decision::Withdraw,
            "Withdraw",
            "Withdraw it",
            "It is not used any more; what was judged by it stays as it was.",
            true,
        ),
    }
}

/// A history in parts: versions, their digests and signatures, moves.
pub struct Parts<F> {
    pub versions: Vec<VersionView<F>>,
    pub digests: Vec<String>,
    pub sign_offs: Vec<SignOff>,
    pub moves: Vec<StateMove>,
}

impl<F> Parts<F> {
    pub fn of(history: SignedHistory<F>) -> Self {
        let mut parts = Self { versions: Vec::new(), digests: Vec::new(), sign_offs: Vec::new(), moves: history.moves };
        for version in history.versions {
            parts.versions.push(version.of);
            parts.digests.push(version.content_digest);
            parts.sign_offs.extend(version.sign_offs);
        }
        parts
    }

    /// The version that a decision is about: the one in force for a withdrawal, else the newest.
    pub fn decided(&self, decision: Decision) -> Option<(&VersionView<F>, &str)> {
        let all = || self.versions.iter().zip(self.digests.iter().map(String::as_str));
        match decision {
            Decision::Withdraw => all().rfind(|(view, _)| view.state == "approved"),
            Decision::Approve | Decision::Reject => all().next_back(),
        }
    }

    pub fn in_force(&self) -> bool {
        self.versions.iter().any(|view| view.state == "approved")
    }

    /// Versions with their states, newest first.
    pub fn states(&self) -> Part {
        let rows = self
            .versions
            .iter()
            .rev()
            .map(|view| vec![Cell::text(format!("Version {}", view.version)), Cell::state(view.state.clone())]);
        Part::Table(Table { columns: vec!["Version", "State"], rows: rows.collect(), ..Table::default() })
    }
}
