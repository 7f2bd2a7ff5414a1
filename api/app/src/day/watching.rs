//! What the control charts, nonconformities and alerts ask for.

use chrono::{Duration, Utc};
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::equipment::{pages as equipment_pages, service as equipment};
use ferrotitre_bench::nonconformities::{pages as nonconformity_pages, service as nonconformities};
use ferrotitre_bench::titrants::{pages as titrant_pages, service as titrants};
use ferrotitre_html::form::first_page;
use ferrotitre_html::sheet::{Cell, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_results::control_charts::pages::shown;
use ferrotitre_results::control_charts::wire::PhaseView;
use ferrotitre_results::control_charts::{phases, service as charts};
use ferrotitre_results::determinations::waiting::Blocked;

use super::{AHEAD_DAYS, Waiting};
use crate::alerts::{self, Horizon};

/// Rules that were completed, on which nobody has decided.
async fn hits(shell: &Shell, db: &Db) -> Result<Waiting, Refusal> {
    let undecided = charts::undecided(db).await?;
    let row = |value: &charts::Undecided| {
        vec![
            Cell::link(
                format!("{}, point {}", value.chart, value.row.position),
                format!("/control-values/{}", value.row.id),
            ),
            Cell::state(value.row.verdict.clone()),
            Cell::number(format!("{} {}", shown(shell, &value.row.value), value.unit)),
            Cell::text(value.rules.clone()),
            Cell::text(value.state.clone()),
            Cell::text(show::time(value.row.observed_at)),
        ]
    };
    Ok(Waiting {
        id: "hits",
        title: "Rules completed on control charts",
        whom: "a manager, who says what became of the value",
        mine: shell.may(Action::DisposeControlValues),
        table: Table {
            columns: vec!["Value", "Verdict", "It was", "Rules completed", "Now", "Observed"],
            rows: undecided.iter().map(row).collect(),
            ..Table::default()
        },
        blocked: Vec::new(),
    })
}

/// Limits that were proposed.
async fn limits(shell: &Shell, db: &Db) -> Result<Waiting, Refusal> {
    let proposed = phases::proposed(db, 50).await?;
    let own = |phase: &PhaseView| shell.user.as_ref().is_some_and(|user| user.account == phase.recorded_by);
    let (own_phases, proposed): (Vec<_>, Vec<_>) = proposed.into_iter().partition(own);
    let phase_row = |phase: &PhaseView| {
        vec![
            Cell::link(format!("phase {}", phase.number), format!("/chart-phases/{}", phase.id)),
            Cell::text(phase.reason.clone()),
            Cell::text(show::time(phase.valid_from)),
            Cell::text(show::time(phase.recorded_at)),
        ]
    };
    Ok(Waiting {
        id: "phases",
        title: "Limits to be approved",
        whom: "a manager who did not propose them",
        mine: shell.may(Action::ApprovePhases),
        table: Table {
            columns: vec!["Phase", "Why", "Judges from", "Proposed"],
            rows: proposed.iter().map(phase_row).collect(),
            ..Table::default()
        },
        blocked: own_phases
            .iter()
            .filter_map(|phase| phase_row(phase).into_iter().next())
            .map(|thing| (thing, Blocked::new("its approval", "a manager who did not propose it")))
            .collect(),
    })
}

/// Rule hits, proposed limits and nonconformities.
pub(super) async fn control(shell: &Shell, db: &Db) -> Result<Vec<Waiting>, Refusal> {
    let open = nonconformities::open_now(db, 50).await?;
    Ok(vec![
        hits(shell, db).await?,
        limits(shell, db).await?,
        Waiting {
            id: "nonconformities",
            title: "Open nonconformities",
            whom: "their owners; somebody else closes them",
            mine: shell.may(Action::HandleNonconformities),
            table: Table {
                columns: nonconformity_pages::COLUMNS.to_vec(),
                rows: nonconformity_pages::rows(db, &open).await?,
                ..Table::default()
            },
            blocked: Vec::new(),
        },
    ])
}

fn alert_cells(alert: &Alert) -> Vec<Cell> {
    vec![
        Cell::link(alert.code.clone(), alerts::place(alert).0),
        Cell::state(if alert.urgency == Urgency::Now { "now" } else { "soon" }),
        Cell::text(alert.message.clone()),
        Cell::text(alert.due_at.map(show::time).unwrap_or_default()),
    ]
}

/// Alerts about some kinds of things: what the thing is called, and what its time is.
fn concerning(alerts: &[Alert], kinds: &[&str], [thing, time]: [&'static str; 2]) -> Table {
    Table {
        columns: vec![thing, "How soon", "What", time],
        rows: alerts.iter().filter(|alert| kinds.contains(&alert.subject_kind)).map(alert_cells).collect(),
        ..Table::default()
    }
}

pub(super) async fn ends(shell: &Shell, db: &Db) -> Result<Vec<Waiting>, Refusal> {
    let soon = Utc::now() + Duration::days(AHEAD_DAYS);
    let all = titrants::list(db, &first_page()).await?.items;
    let fresh: Vec<_> = all.into_iter().filter(|lot| lot.state == "prepared").collect();
    let mut pieces = equipment::pieces(db).await?;
    pieces.retain(|piece| piece.view.state == "in service" && piece.due_on.is_none_or(|due| due < soon.date_naive()));
    pieces.sort_by_key(|piece| piece.due_on);
    let alerts = alerts::list(db, &Horizon { days: Some(AHEAD_DAYS) }).await?.items;
    let mut waiting = concerned(shell, &alerts);
    waiting.extend([
        Waiting {
            id: "prepared",
            title: "Lots to be released",
            whom: "a manager who did not prepare it",
            mine: shell.may(Action::ReleaseTitrants),
            table: Table {
                columns: titrant_pages::COLUMNS.to_vec(),
                rows: titrant_pages::rows(shell, &fresh),
                ..Table::default()
            },
            blocked: Vec::new(),
        },
        Waiting {
            id: "calibrations",
            title: "Calibrations due within 14 days or overdue",
            whom: "a manager",
            mine: shell.may(Action::RecordEquipment),
            table: Table {
                columns: equipment_pages::COLUMNS.to_vec(),
                rows: equipment_pages::rows(&pieces),
                ..Table::default()
            },
            blocked: Vec::new(),
        },
    ]);
    Ok(waiting)
}

/// What alerts are about, a part for each kind of thing.
fn concerned(shell: &Shell, alerts: &[Alert]) -> Vec<Waiting> {
    vec![
        Waiting {
            id: "lots",
            title: "Lots that end or leave their tolerance within 14 days",
            whom: "whoever prepares titrants and stock",
            mine: shell.may(Action::PrepareTitrants),
            table: concerning(alerts, &["titrants", "primary-standards", "reagents"], ["Lot", "By"]),
            blocked: Vec::new(),
        },
        Waiting {
            id: "impacts",
            title: "Signed results that something touched",
            whom: "a manager, who amends them or says why they stay",
            mine: shell.may(Action::DecideImpacts),
            table: concerning(alerts, &["impacts"], ["Concerns", "Since"]),
            blocked: Vec::new(),
        },
        Waiting {
            id: "budgets",
            title: "Uncertainty budgets that their control charts refute",
            whom: "a manager, who approves a version that takes in what they saw, or decides",
            mine: shell.may(Action::ApproveMethods),
            table: concerning(alerts, &["budgets"], ["Method", ""]),
            blocked: Vec::new(),
        },
        Waiting {
            id: "certified",
            title: "Issued certificates whose results changed",
            whom: "whoever draws up certificates; a manager withdraws",
            mine: shell.may(Action::DraftCertificates),
            table: concerning(alerts, &["certificates"], ["Certificate", "Since"]),
            blocked: Vec::new(),
        },
        Waiting {
            id: "competences",
            title: "Competences that end within 14 days",
            whom: "a manager, who authorises anew",
            mine: shell.may(Action::AuthoriseCompetence),
            table: concerning(alerts, &["accounts"], ["Person", "By"]),
            blocked: Vec::new(),
        },
        Waiting {
            id: "reviews",
            title: "Reviews of the audit trail",
            whom: "a manager or auditor",
            mine: shell.may(Action::ReviewTrail),
            // Nobody is led to pages that are not theirs.
            table: if shell.may(Action::ReviewTrail) {
                concerning(alerts, &["audit-reviews"], ["What is due", "By"])
            } else {
                Table::default()
            },
            blocked: Vec::new(),
        },
    ]
}
