//! The day: what waits for whom.

mod signing;
mod watching;

use std::collections::HashMap;

use actix_web::{HttpResponse, get, web};
use askama::Template;
use chrono::Utc;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::sheet::{Cell, Table};
use ferrotitre_html::shell::{Help, Shell};
use ferrotitre_html::show;
use ferrotitre_results::determinations::waiting::Blocked;
use ferrotitre_results::determinations::{pages as determination_pages, service as determinations};
use ferrotitre_results::runs::service::RunView;
use ferrotitre_results::runs::{pages as run_pages, service as runs};
use uuid::Uuid;

use crate::first_result;

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
            "grants" | "received" => "a decision",
            "reviews" => "a review",
            _ => "its signature",
        }
    }

    /// Where several of its lines are signed in one form.
    fn several(&self) -> Option<(&'static str, &'static str)> {
        match self.id {
            "review" => Some(("Review several", "/signatures/review")),
            "approve" => Some(("Approve several", "/signatures/approval")),
            "grants" => Some(("Decide on several", "/role-grants/decisions")),
            "closed" | "phases" | "prepared" | "received" if self.mine => Some(("Decide on several", "/decisions")),
            _ => None,
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
    /// Of what a first result needs: how much is there, and how much it is in all.
    first: Option<(usize, usize)>,
    /// Whether the person decides on what waits.
    decides: bool,
    waiting: Vec<Waiting>,
    help: Help,
}

/// The first page of a day.
#[get("/day")]
pub async fn read_day(_who: Allowed<ReadRecords>, shell: Shell, db: web::Data<Db>) -> Result<HttpResponse, Problem> {
    let mut waiting = signing::signatures(&shell, &db).await?;
    waiting.push(signing::drafts(&shell, &db).await?);
    waiting.extend(signing::received(&shell, &db).await?);
    waiting.extend(watching::control(&shell, &db).await?);
    waiting.extend(benches(&shell, &db).await?);
    waiting.extend(watching::ends(&shell, &db).await?);
    waiting.push(signing::to_be_certified(&shell, &db).await?);
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
        first: first_result::progress(&db).await?,
        decides: shell.may(Action::DecideWaiting),
        waiting,
        help: Help {
            what: "What you can do now, what ends soon, and at the end what waits for somebody else, with what for and for whom.",
            standard: "ISO/IEC 17025:2017 7.7 and 8.9 (review of what goes on).",
            next: "Open a line to act on it; a line leaves when its state moves on.",
        },
    };
    shell.show(&page)
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
            rows: determination_pages::rows(shell, db, &begun).await?,
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
