//! What a laboratory still needs for its first approved result: a list that facts tick off.

mod store;

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::OwnAccount;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;

use store::There;

/// Mounts the page.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(first_result);
}

/// A thing that is needed.
struct Need {
    there: bool,
    what: &'static str,
    why: &'static str,
    who: &'static str,
    /// Who may, and where.
    way: (Action, &'static str),
}

/// In the order in which they are needed.
#[expect(clippy::too_many_lines, reason = "a table, one entry per thing")]
fn needs(there: &There) -> Vec<Need> {
    let need = |there, what, why, who, way| Need { there, what, why, who, way };
    vec![
        need(
            there.managers >= 1,
            "A manager",
            "Decides on roles, releases and approves. Where there is none: ferrotitre account create NAME --role manager, on the machine of the service.",
            "whoever runs the service",
            (Action::ReadAccounts, "/accounts"),
        ),
        need(
            there.analysts >= 1,
            "An analyst",
            "An administrator makes the account and asks for the role; a manager decides on it under People.",
            "an administrator, then a manager",
            (Action::ReadAccounts, "/accounts"),
        ),
        need(
            there.signers >= 3,
            "Three people who sign",
            "Who titrated, who reviews and who approves are three people; a manager may be one of the last two.",
            "an administrator, then a manager",
            (Action::ReadAccounts, "/accounts"),
        ),
        need(
            there.balance,
            "A balance with its calibration",
            "Weighs the primary standard. Its uncertainty is part of every factor.",
            "a manager",
            (Action::RecordEquipment, "/equipment/new"),
        ),
        need(
            there.burette,
            "A burette with its calibration",
            "Class and tolerance will do until it is calibrated point by point.",
            "a manager",
            (Action::RecordEquipment, "/equipment/new"),
        ),
        need(
            there.vessel,
            "A pipette or flask with its calibration",
            "Takes the test portion, or makes up the titrant.",
            "a manager",
            (Action::RecordEquipment, "/equipment/new"),
        ),
        need(
            there.standard,
            "A released primary standard",
            "An analyst receives the lot with its certificate, a manager releases it.",
            "an analyst, then a manager",
            (Action::ReadRecords, "/stock"),
        ),
        need(
            there.titrant,
            "A released titrant lot",
            "Prepared by weighing the primary standard, or standardised against it; a manager who did not prepare it releases it.",
            "an analyst, then a manager",
            (Action::ReadRecords, "/titrants"),
        ),
        need(
            there.method,
            "An approved method",
            "With its rules: how titres must agree, what is corrected, how it is reported. Drafted by one, approved by another.",
            "an analyst, then a manager",
            (Action::ReadRecords, "/methods"),
        ),
        need(
            there.competence,
            "Somebody authorised for the method",
            "On the page of the account, under Authorisations.",
            "a manager",
            (Action::AuthoriseCompetence, "/accounts"),
        ),
        need(
            there.plan,
            "A plan of quality control for the method",
            "Says which blanks, duplicates and controls every run has; without one a result is approved only under a concession.",
            "a manager",
            (Action::DefineCharts, "/charts/begin"),
        ),
        need(
            there.sample,
            "An accepted sample",
            "Received with its condition, then accepted.",
            "an analyst",
            (Action::ReadRecords, "/samples"),
        ),
        need(
            there.portion,
            "A test portion of it",
            "Weighed or pipetted, with its dilution if there is one.",
            "an analyst",
            (Action::ReadRecords, "/samples"),
        ),
        need(
            there.run,
            "A run of the method",
            "Holds blanks, controls and determinations of one stretch of work.",
            "an analyst",
            (Action::ReadRecords, "/runs"),
        ),
        need(
            there.submitted,
            "A submitted determination",
            "Titrations entered at the bench until the titres agree, then signed.",
            "an analyst",
            (Action::ReadRecords, "/runs"),
        ),
        need(
            there.released,
            "The run closed and released",
            "By somebody who did not open it, once what the plan wants is there.",
            "a manager",
            (Action::ReadRecords, "/runs"),
        ),
        need(
            there.approved,
            "The result reviewed and approved",
            "By two further people.",
            "an analyst or manager, then a manager",
            (Action::ReadRecords, "/determinations"),
        ),
    ]
}

/// How many things of how many are there; none once a result was approved.
pub(crate) async fn progress(db: &Db) -> Result<Option<(usize, usize)>, Refusal> {
    if db.read(async |connection| store::approved(connection).await).await? {
        return Ok(None);
    }
    let there = db.read(async |connection| store::there(connection).await).await?;
    let needs = needs(&there);
    Ok(Some((needs.iter().filter(|need| need.there).count(), needs.len())))
}

/// The list.
#[get("/first-result")]
pub async fn first_result(_who: Allowed<OwnAccount>, shell: Shell, db: web::Data<Db>) -> Result<HttpResponse, Problem> {
    let there = db.read(async |connection| store::there(connection).await).await?;
    let needs = needs(&there);
    let open = needs.iter().filter(|need| !need.there).count();
    let row = |need: &Need| {
        let way =
            if !need.there && shell.may(need.way.0) { Cell::link("go there", need.way.1) } else { Cell::default() };
        let state = if need.there { "there" } else { "missing" };
        vec![Cell::text(state), Cell::text(need.what), Cell::text(need.why), Cell::text(need.who), way]
    };
    let lead = match open {
        0 => "Nothing is missing: the first result is approved.".to_owned(),
        1 => "One thing is missing.".to_owned(),
        open => format!("{open} of {} things are missing; each line says who can bring it.", needs.len()),
    };
    Sheet::new(&shell, "First result", "What the first result needs")
        .lead(lead)
        .way(
            shell.may(Action::DescribeLaboratory) && !there.laboratory,
            "Describe the laboratory",
            "/laboratory/description",
        )
        .way(shell.may(Action::ReadRecords) && open > 0, "Import lists of what there is", "/imports/new")
        .section(
            "needs",
            "",
            Part::Table(Table {
                columns: vec!["", "What", "Why", "Who", ""],
                rows: needs.iter().map(row).collect(),
                ..Table::default()
            }),
        )
        .help(
            "In the order in which things are needed, from an empty store to an approved result.",
            "ISO/IEC 17025:2017 6.2, 6.4, 6.5 and 7.2 to 7.8.",
            "A line is ticked off as soon as the thing is on record.",
        )
        .show()
}
