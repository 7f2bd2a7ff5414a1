//! The day: what waits for whom.

use std::collections::HashMap;

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
use ferrotitre_bench::equipment::{pages as equipment_pages, service as equipment};
use ferrotitre_bench::nonconformities::{pages as nonconformity_pages, service as nonconformities};
use ferrotitre_bench::titrants::wire::StandardisationView;
use ferrotitre_bench::titrants::{pages as titrant_pages, service as titrants, standardisations};
use ferrotitre_html::form::first_page;
use ferrotitre_html::sheet::{Cell, Table};
use ferrotitre_html::shell::{Help, Shell};
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use ferrotitre_results::certificates::wire::{CertificateLine, CertificateListing};
use ferrotitre_results::certificates::{pages as certificate_pages, service as certified};
use ferrotitre_results::control_charts::pages::shown;
use ferrotitre_results::control_charts::wire::PhaseView;
use ferrotitre_results::control_charts::{phases, service as charts};
use ferrotitre_results::determinations::store::IronResultRow;
use ferrotitre_results::determinations::waiting::{self as standing, Blocked};
use ferrotitre_results::determinations::{iron_results, pages as determination_pages, service as determinations};
use ferrotitre_results::runs::pages as run_pages;
use ferrotitre_results::runs::service::{self as runs, RunView};
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
    /// Whether the roles of the person who looks let them act.
    mine: bool,
    table: Table,
    /// What this person cannot act on now: the thing, what it waits for, who can do that.
    blocked: Vec<(Cell, Blocked)>,
}

impl Waiting {
    /// What each of its lines waits for.
    fn waits_for(&self) -> &'static str {
        match self.id {
            "concessions" => "its signatures",
            "identities" => "a second person's word whose account it is",
            "begun" => "its titrations",
            "open" => "what it lacks, and its closing",
            "closed" => "its release or rejection",
            "hits" => "a word on what became of it",
            "phases" | "standardisations" => "its approval",
            "nonconformities" => "its next step",
            "certify" => "a certificate",
            "drafts" => "its authorisation",
            "certified" => "an amendment or a withdrawal",
            "lots" => "a standardisation or a new lot",
            "competences" => "a new authorisation",
            "prepared" => "its release",
            "calibrations" => "a calibration",
            _ => "its signature",
        }
    }

    /// What the person cannot do at all waits for somebody else, line by line.
    fn split(mut self) -> Self {
        if !self.mine {
            let lines = std::mem::take(&mut self.table.rows).into_iter();
            let (waits_for, whom) = (self.waits_for(), self.whom);
            let things = lines.filter_map(|line| line.into_iter().next());
            self.blocked.extend(things.map(|thing| (thing, Blocked::new(waits_for, whom))));
        }
        self
    }
}

/// Lines that somebody can act on, and those that wait for somebody else with their first cell.
fn parted(lines: Vec<(Uuid, Vec<Cell>)>, blocked: &HashMap<Uuid, Blocked>) -> (Vec<Vec<Cell>>, Vec<(Cell, Blocked)>) {
    let mut parts = (Vec::new(), Vec::new());
    for (id, cells) in lines {
        match blocked.get(&id) {
            None => parts.0.push(cells),
            Some(why) => parts.1.extend(cells.into_iter().next().map(|thing| (thing, why.clone()))),
        }
    }
    parts
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
    waiting.push(drafts(&shell, &db).await?);
    waiting.extend(control(&shell, &db).await?);
    waiting.extend(benches(&shell, &db).await?);
    waiting.extend(ends(&shell, &db).await?);
    waiting.push(to_be_certified(&shell, &db).await?);
    let mut waiting: Vec<Waiting> = waiting.into_iter().map(Waiting::split).collect();
    let others = waiting.iter_mut().flat_map(|part| std::mem::take(&mut part.blocked));
    let others: Vec<Vec<Cell>> =
        others.map(|(thing, why)| vec![thing, Cell::text(why.waits_for), Cell::text(why.who)]).collect();
    // What one can do oneself comes first, what is empty last.
    waiting.sort_by_key(|part| part.table.rows.is_empty());
    waiting.push(Waiting {
        id: "others",
        title: "Waits for others",
        whom: "somebody else, as each line says",
        mine: false,
        table: Table { columns: vec!["What", "It waits for", "Who can do that"], rows: others, ..Table::default() },
        blocked: Vec::new(),
    });
    let page = DayPage {
        shell: &shell,
        today: show::time(Utc::now()),
        waiting,
        help: Help {
            what: "What you can do now, what ends soon, and at the end what waits for somebody else, with what for and for whom.",
            standard: "ISO/IEC 17025:2017 7.7 and 8.9 (review of what goes on).",
            next: "Open a line to act on it; a line leaves when its state moves on.",
        },
    };
    shell.show(&page)
}

async fn signatures(shell: &Shell, db: &Db) -> Result<Vec<Waiting>, Refusal> {
    let newest = (Uuid::max(), 50);
    let Some(user) = shell.user.as_ref() else { return Ok(Vec::new()) };
    let mut waiting = Vec::new();
    let steps = [
        ("review", "To be reviewed", "submitted", "somebody who had no hand in it"),
        ("approve", "To be approved", "reviewed", "a manager"),
        ("returned", "Returned to their authors", "returned", "the author"),
    ];
    for (id, title, state, whom) in steps {
        let lines = determinations::in_state(db, state, newest).await?.items;
        let results = iron_results::waiting(db, state, newest).await?.items;
        let mut blocked = standing::blocked(db, user, &lines).await?;
        blocked.extend(standing::blocked_results(db, user, state, &results).await?);
        let cells = determination_pages::rows(db, &lines).await?;
        let mut all: Vec<(Uuid, Vec<Cell>)> = lines.iter().map(|line| line.id).zip(cells).collect();
        all.extend(results.into_iter().map(|row| (row.id.0, result_cells(row, state))));
        let (rows, blocked) = parted(all, &blocked);
        let table = Table { columns: determination_pages::COLUMNS.to_vec(), rows, ..Table::default() };
        // Each line says for itself whether it waits for this person.
        waiting.push(Waiting { id, title, whom, mine: true, table, blocked });
    }
    let submitted = standardisations::submitted(db, user.account, 50).await?;
    let (others, own): (Vec<_>, Vec<_>) = submitted.into_iter().partition(|(_, involved)| *involved);
    let views = |parts: Vec<(StandardisationView, bool)>| parts.into_iter().map(|(view, _)| view).collect::<Vec<_>>();
    let whom = "a manager who had no hand in it";
    let blocked = titrant_pages::standardisation_rows(shell, &views(others)).into_iter();
    let blocked = blocked.filter_map(|row| row.into_iter().next());
    let blocked = blocked.map(|thing| (thing, Blocked::new("its approval", whom))).collect();
    let submitted = views(own);
    waiting.push(Waiting {
        id: "standardisations",
        title: "Standardisations to be approved",
        whom,
        mine: shell.may(Action::ReleaseTitrants),
        table: Table {
            columns: titrant_pages::STANDARDISATION_COLUMNS.to_vec(),
            rows: titrant_pages::standardisation_rows(shell, &submitted),
            ..Table::default()
        },
        blocked,
    });
    let asked = concessions::list(db, &first_page()).await?.items.into_iter().filter(|view| view.state == "requested");
    let mut rows = Vec::new();
    let mut blocked = Vec::new();
    for view in asked {
        let thing = Cell::link(view.item_kind, format!("/concessions/{}", view.id));
        let party = view.recorded_by == user.account || view.sign_offs.iter().any(|sign| sign.signer == user.account);
        if party {
            let whom = "a manager who neither asked for it nor has signed it";
            blocked.push((thing, Blocked::new(format!("signature {} of 2", view.sign_offs.len() + 1), whom)));
            continue;
        }
        let signed = Cell::number(format!("{} of 2", view.sign_offs.len()));
        rows.push(vec![thing, Cell::text(view.reason), Cell::text(show::time(view.valid_to)), signed]);
    }
    waiting.push(Waiting {
        id: "concessions",
        title: "Concessions to be signed",
        whom: "two managers",
        mine: shell.may(Action::SignConcessions),
        table: Table { columns: vec!["Item", "Reason", "Until", "Signatures"], rows, ..Table::default() },
        blocked,
    });
    waiting.push(identities(shell, db).await?);
    Ok(waiting)
}

/// Certificates that were drawn up and wait to be authorised.
async fn drafts(shell: &Shell, db: &Db) -> Result<Waiting, Refusal> {
    let asked = CertificateListing { state: Some("draft".to_owned()), ..CertificateListing::default() };
    let drafts = certified::list(db, &asked).await?.items;
    let own = |line: &CertificateLine| shell.user.as_ref().is_some_and(|user| user.account == line.recorded_by);
    let whom = "a manager who had no hand in it";
    let why = Blocked::new("its authorisation", whom);
    let not_mine: HashMap<Uuid, Blocked> =
        drafts.iter().filter(|line| own(line)).map(|line| (line.version_id.0, why.clone())).collect();
    let cells = certificate_pages::rows(&drafts);
    let (waits, blocked) = parted(drafts.iter().map(|line| line.version_id.0).zip(cells).collect(), &not_mine);
    Ok(Waiting {
        id: "drafts",
        title: "Certificates to be authorised",
        whom,
        mine: shell.may(Action::AuthoriseCertificates),
        table: Table { columns: certificate_pages::COLUMNS.to_vec(), rows: waits, ..Table::default() },
        blocked,
    })
}

/// Approved results that are on no certificate.
async fn to_be_certified(shell: &Shell, db: &Db) -> Result<Waiting, Refusal> {
    let newest = (Uuid::max(), 50);
    let mut lines = determinations::in_state(db, "approved", newest).await?.items;
    lines.retain(|line| line.purpose == "sample");
    let mut rows = determination_pages::rows(db, &lines).await?;
    let results = iron_results::waiting(db, "approved", newest).await?.items;
    rows.extend(results.into_iter().map(|row| result_cells(row, "approved")));
    Ok(Waiting {
        id: "certify",
        title: "Approved, waiting for a certificate",
        whom: "whoever draws up certificates",
        mine: shell.may(Action::DraftCertificates),
        table: Table { columns: determination_pages::COLUMNS.to_vec(), rows, ..Table::default() },
        blocked: Vec::new(),
    })
}

/// Accounts whose password somebody else set.
async fn identities(shell: &Shell, db: &Db) -> Result<Waiting, Refusal> {
    let mut rows = Vec::new();
    let mut blocked = Vec::new();
    for account in accounts::unconfirmed(db).await? {
        // Analysts see that it waits; the page of an account is not theirs to open.
        let thing = if shell.may(Action::ReadAccounts) {
            Cell::link(account.display_name, format!("/accounts/{}", account.id))
        } else {
            Cell::text(account.display_name)
        };
        if shell.user.as_ref().is_some_and(|user| user.account.0 == account.id) {
            blocked.push((
                thing,
                Blocked::new("a second person's word whose account it is", "a manager who did not set its password"),
            ));
        } else {
            rows.push(vec![thing, Cell::text(account.code), Cell::text("its password was set by somebody else")]);
        }
    }
    Ok(Waiting {
        id: "identities",
        title: "Accounts to be confirmed",
        whom: "a manager who did not set the password",
        mine: shell.may(Action::ConfirmIdentities),
        table: Table { columns: vec!["Person", "Sign-in name", "Why"], rows, ..Table::default() },
        blocked,
    })
}

fn result_cells(row: IronResultRow, state: &str) -> Vec<Cell> {
    vec![
        Cell::link(row.code, format!("/iron-results/{}", row.id)),
        Cell::state(state),
        Cell::text(""),
        Cell::text("iron(III) by difference"),
        Cell::text(""),
        Cell::text("sample"),
        Cell::text(show::time(row.recorded_at)),
    ]
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
        blocked: Vec::new(),
    }];
    let states = [
        ("open", "Open runs", "open", Action::ConductRuns, "the bench"),
        ("closed", "Runs to be released", "closed", Action::ReleaseRuns, "a manager who did not open it"),
    ];
    for (id, title, state, action, whom) in states {
        let found = runs::in_state(db, state, newest).await?.items;
        let own = |run: &RunView| shell.user.as_ref().is_some_and(|user| user.account == run.recorded_by);
        let why = Blocked::new("its release or rejection", whom);
        let not_mine = found.iter().filter(|run| state == "closed" && own(run)).map(|run| (run.id, why.clone()));
        let not_mine: HashMap<Uuid, Blocked> = not_mine.collect();
        let cells = run_pages::rows(db, &found).await?;
        let (rows, blocked) = parted(found.iter().map(|run| run.id).zip(cells).collect(), &not_mine);
        let table = Table { columns: run_pages::COLUMNS.to_vec(), rows, ..Table::default() };
        waiting.push(Waiting { id, title, whom, mine: shell.may(action), table, blocked });
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
            blocked: Vec::new(),
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
            blocked: own_phases
                .iter()
                .filter_map(|phase| phase_row(phase).into_iter().next())
                .map(|thing| (thing, Blocked::new("its approval", "a manager who did not propose it")))
                .collect(),
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
            blocked: Vec::new(),
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

fn alert_cells(alert: &Alert) -> Vec<Cell> {
    vec![
        Cell::link(alert.code.clone(), place(alert)),
        Cell::state(if alert.urgency == Urgency::Now { "now" } else { "soon" }),
        Cell::text(alert.message.clone()),
        Cell::text(alert.due_at.map(show::time).unwrap_or_default()),
    ]
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
    let row = alert_cells;
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
            blocked: Vec::new(),
        },
        Waiting {
            id: "impacts",
            title: "Signed results that something touched",
            whom: "a manager, who amends them or says why they stay",
            mine: shell.may(Action::DecideImpacts),
            table: Table {
                columns: vec!["Concerns", "How soon", "What", "Since"],
                rows: alerts.iter().filter(|alert| alert.subject_kind == "impacts").map(row).collect(),
                ..Table::default()
            },
            blocked: Vec::new(),
        },
        Waiting {
            id: "certified",
            title: "Issued certificates whose results changed",
            whom: "whoever draws up certificates; a manager withdraws",
            mine: shell.may(Action::DraftCertificates),
            table: Table {
                columns: vec!["Certificate", "How soon", "What", "Since"],
                rows: alerts.iter().filter(|alert| alert.subject_kind == "certificates").map(row).collect(),
                ..Table::default()
            },
            blocked: Vec::new(),
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
            blocked: Vec::new(),
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
    ])
}
