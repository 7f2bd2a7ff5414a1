//! The day: what waits for whom.

use actix_web::{HttpResponse, get, web};
use askama::Template;
use chrono::{Duration, Utc};
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::concessions;
use ferrotitre_bench::equipment::pages as equipment_pages;
use ferrotitre_bench::equipment::service as equipment;
use ferrotitre_bench::nonconformities::pages as nonconformity_pages;
use ferrotitre_bench::nonconformities::service as nonconformities;
use ferrotitre_bench::titrants::{pages as titrant_pages, service as titrants, standardisations};
use ferrotitre_html::form::first_page;
use ferrotitre_html::sheet::{Cell, Table};
use ferrotitre_html::shell::{Help, Shell};
use ferrotitre_html::show;
use ferrotitre_results::control_charts::pages::shown;
use ferrotitre_results::control_charts::wire::PhaseView;
use ferrotitre_results::control_charts::{phases, service as charts};
use ferrotitre_results::determinations::iron_results;
use ferrotitre_results::determinations::pages as determination_pages;
use ferrotitre_results::determinations::service as determinations;
use ferrotitre_results::runs::{pages as run_pages, service as runs};
use uuid::Uuid;

use crate::alerts::{self, Horizon};

/// So many days before its end a lot or calibration is shown.
const AHEAD_DAYS: i64 = 14;

/// Mounts the page.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(read_day);
}

/// Something that waits.
struct Waiting {
    id: &'static str,
    title: &'static str,
    /// For whom.
    whom: &'static str,
    /// Whether the person who looks can do something about it.
    mine: bool,
    table: Table,
}

#[derive(Template)]
#[template(path = "day.html")]
struct DayPage<'a> {
    shell: &'a Shell,
    today: String,
    waiting: Vec<Waiting>,
    help: Help,
}

/// The first page of a day.
#[get("/day")]
pub async fn read_day(_who: Allowed<ReadRecords>, shell: Shell, db: web::Data<Db>) -> Result<HttpResponse, Problem> {
    let mut waiting = signatures(&shell, &db).await?;
    waiting.extend(control(&shell, &db).await?);
    waiting.extend(benches(&shell, &db).await?);
    waiting.extend(ends(&shell, &db).await?);
    // What one can do oneself comes first, what is empty last.
    waiting.sort_by_key(|part| (part.table.rows.is_empty(), !part.mine));
    let page = DayPage {
        shell: &shell,
        today: show::time(Utc::now()),
        waiting,
        help: Help {
            what: "What waits, for whom, and what ends soon. What your roles let you do stands first.",
            standard: "ISO/IEC 17025:2017 7.7 and 8.9 (review of what goes on).",
            next: "Open a line to act on it; a line leaves when its state moves on.",
        },
    };
    shell.show(&page)
}

async fn signatures(shell: &Shell, db: &Db) -> Result<Vec<Waiting>, Refusal> {
    let newest = (Uuid::max(), 50);
    let mut waiting = Vec::new();
    let steps = [
        ("review", "To be reviewed", "submitted", Action::ReviewDeterminations, "somebody who had no hand in it"),
        ("approve", "To be approved", "reviewed", Action::ApproveDeterminations, "a manager"),
        ("returned", "Returned to their authors", "returned", Action::RecordTitrations, "the author"),
    ];
    for (id, title, state, action, whom) in steps {
        let lines = determinations::in_state(db, state, newest).await?.items;
        let mut rows = determination_pages::rows(db, &lines).await?;
        for row in iron_results::waiting(db, state, newest).await?.items {
            rows.push(vec![
                Cell::link(row.code, format!("/iron-results/{}", row.id)),
                Cell::state(state),
                Cell::text(""),
                Cell::text("iron(III) by difference"),
                Cell::text(""),
                Cell::text("sample"),
                Cell::text(show::time(row.recorded_at)),
            ]);
        }
        let table = Table { columns: determination_pages::COLUMNS.to_vec(), rows, ..Table::default() };
        waiting.push(Waiting { id, title, whom, mine: shell.may(action), table });
    }
    let submitted = standardisations::in_state(db, "submitted", 50).await?;
    waiting.push(Waiting {
        id: "standardisations",
        title: "Standardisations to be approved",
        whom: "a manager who had no hand in it",
        mine: shell.may(Action::ReleaseTitrants),
        table: Table {
            columns: titrant_pages::STANDARDISATION_COLUMNS.to_vec(),
            rows: titrant_pages::standardisation_rows(shell, &submitted),
            ..Table::default()
        },
    });
    let asked = concessions::list(db, &first_page()).await?.items.into_iter().filter(|view| view.state == "requested");
    let rows = asked.map(|view| {
        vec![
            Cell::link(view.item_kind, format!("/concessions/{}", view.id)),
            Cell::text(view.reason),
            Cell::text(show::time(view.valid_to)),
            Cell::number(format!("{} of 2", view.sign_offs.len())),
        ]
    });
    waiting.push(Waiting {
        id: "concessions",
        title: "Concessions to be signed",
        whom: "two managers",
        mine: shell.may(Action::SignConcessions),
        table: Table {
            columns: vec!["Item", "Reason", "Until", "Signatures"],
            rows: rows.collect(),
            ..Table::default()
        },
    });
    Ok(waiting)
}

async fn benches(shell: &Shell, db: &Db) -> Result<Vec<Waiting>, Refusal> {
    let newest = (Uuid::max(), 50);
    let begun = determinations::in_state(db, "in progress", newest).await?.items;
    let mut waiting = vec![Waiting {
        id: "begun",
        title: "Determinations in progress",
        whom: "the bench",
        mine: shell.may(Action::RecordTitrations),
        table: Table {
            columns: determination_pages::COLUMNS.to_vec(),
            rows: determination_pages::rows(db, &begun).await?,
            ..Table::default()
        },
    }];
    let states = [
        ("open", "Open runs", "open", Action::ConductRuns, "the bench"),
        ("closed", "Runs to be released", "closed", Action::ReleaseRuns, "a manager who did not open it"),
    ];
    for (id, title, state, action, whom) in states {
        let found = runs::in_state(db, state, newest).await?.items;
        let table = Table {
            columns: run_pages::COLUMNS.to_vec(),
            rows: run_pages::rows(db, &found).await?,
            ..Table::default()
        };
        waiting.push(Waiting { id, title, whom, mine: shell.may(action), table });
    }
    Ok(waiting)
}

/// Rule hits, proposed limits and nonconformities.
async fn control(shell: &Shell, db: &Db) -> Result<Vec<Waiting>, Refusal> {
    let hits = charts::undecided(db).await?;
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
    let proposed = phases::proposed(db, 50).await?;
    let phase_row = |phase: &PhaseView| {
        vec![
            Cell::link(format!("phase {}", phase.number), format!("/chart-phases/{}", phase.id)),
            Cell::text(phase.reason.clone()),
            Cell::text(show::time(phase.valid_from)),
            Cell::text(show::time(phase.recorded_at)),
        ]
    };
    let open = nonconformities::open_now(db, 50).await?;
    Ok(vec![
        Waiting {
            id: "hits",
            title: "Rules completed on control charts",
            whom: "a manager, who says what became of the value",
            mine: shell.may(Action::DisposeControlValues),
            table: Table {
                columns: vec!["Value", "Verdict", "It was", "Rules completed", "Now", "Observed"],
                rows: hits.iter().map(row).collect(),
                ..Table::default()
            },
        },
        Waiting {
            id: "phases",
            title: "Limits to be approved",
            whom: "a manager who did not propose them",
            mine: shell.may(Action::ApprovePhases),
            table: Table {
                columns: vec!["Phase", "Why", "Judges from", "Proposed"],
                rows: proposed.iter().map(phase_row).collect(),
                ..Table::default()
            },
        },
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
        },
    ])
}

/// Page of what an alert is about.
fn place(alert: &Alert) -> String {
    let folder = match alert.subject_kind {
        "primary-standards" => "stock/standards",
        "reagents" => "stock/reagents",
        other => other,
    };
    let end = if alert.subject_kind == "titrants" { "/drift" } else { "" };
    format!("/{folder}/{}{end}", alert.subject)
}

async fn ends(shell: &Shell, db: &Db) -> Result<Vec<Waiting>, Refusal> {
    let soon = Utc::now() + Duration::days(AHEAD_DAYS);
    let all = titrants::list(db, &first_page()).await?.items;
    let fresh: Vec<_> = all.into_iter().filter(|lot| lot.state == "prepared").collect();
    let mut pieces = equipment::pieces(db).await?;
    pieces.retain(|piece| piece.view.state == "in service" && piece.due_on.is_none_or(|due| due < soon.date_naive()));
    pieces.sort_by_key(|piece| piece.due_on);
    let lots = ["titrants", "primary-standards", "reagents"];
    let alerts = alerts::list(db, &Horizon { days: Some(AHEAD_DAYS) }).await?.items;
    let row = |alert: &Alert| {
        vec![
            Cell::link(alert.code.clone(), place(alert)),
            Cell::state(if alert.urgency == Urgency::Now { "now" } else { "soon" }),
            Cell::text(alert.message.clone()),
            Cell::text(alert.due_at.map(show::time).unwrap_or_default()),
        ]
    };
    Ok(vec![
        Waiting {
            id: "lots",
            title: "Lots that end or leave their tolerance within 14 days",
            whom: "whoever prepares titrants and stock",
            mine: shell.may(Action::PrepareTitrants),
            table: Table {
                columns: vec!["Lot", "How soon", "What", "By"],
                rows: alerts.iter().filter(|alert| lots.contains(&alert.subject_kind)).map(row).collect(),
                ..Table::default()
            },
        },
        Waiting {
            id: "competences",
            title: "Competences that end within 14 days",
            whom: "a manager, who authorises anew",
            mine: shell.may(Action::AuthoriseCompetence),
            table: Table {
                columns: vec!["Person", "How soon", "What", "By"],
                rows: alerts.iter().filter(|alert| alert.subject_kind == "accounts").map(row).collect(),
                ..Table::default()
            },
        },
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
        },
    ])
}
