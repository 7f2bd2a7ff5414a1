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
    /// Who may do their part, and where; the first that fits the person counts.
    ways: &'static [(Action, &'static str)],
}

impl Need {
    /// Where this person does their part.
    fn way(&self, shell: &Shell) -> Option<&'static str> {
        self.ways.iter().find(|(action, _)| shell.may(*action)).map(|(_, place)| *place)
    }
}

const PEOPLE: &[(Action, &str)] = &[
    (Action::ManageAccounts, "/accounts/several"),
    (Action::DecideRoleGrants, "/role-grants/decisions"),
    (Action::ReadAccounts, "/accounts"),
];
const EQUIPMENT: &[(Action, &str)] = &[(Action::RecordEquipment, "/equipment/import")];

/// In the order in which they are needed.
fn needs(there: &There) -> Vec<Need> {
    let mut needs: Vec<Need> = people(there).into();
    needs.extend(shelf(there));
    needs.extend(control(there));
    needs.extend(work(there));
    needs
}

const fn need(
    there: bool,
    what: &'static str,
    why: &'static str,
    who: &'static str,
    ways: &'static [(Action, &'static str)],
) -> Need {
    Need { there, what, why, who, ways }
}

fn people(there: &There) -> [Need; 3] {
    [
        need(
            there.managers >= 1,
            "A manager",
            "Decides on roles, releases and approves. Where there is none: ferrotitre account create NAME --role manager, on the machine of the service.",
            "whoever runs the service",
            PEOPLE,
        ),
        need(
            there.analysts >= 1,
            "An analyst",
            "Named when the laboratory is set up; later an administrator makes the accounts and asks for the roles, and a manager decides.",
            "an administrator, then a manager",
            PEOPLE,
        ),
        need(
            there.signers >= 3,
            "Three people who sign",
            "Who titrated, who reviews and who approves are three people; a manager may be one of the last two.",
            "an administrator, then a manager",
            PEOPLE,
        ),
    ]
}

fn shelf(there: &There) -> [Need; 7] {
    [
        need(
            there.balance,
            "A balance with its calibration",
            "Weighs the primary standard. Its uncertainty is part of every factor.",
            "a manager",
            EQUIPMENT,
        ),
        need(
            there.burette,
            "A burette with its calibration",
            "Class and tolerance will do until it is calibrated point by point.",
            "a manager",
            EQUIPMENT,
        ),
        need(
            there.vessel,
            "A pipette or flask with its calibration",
            "Takes the test portion, or makes up the titrant. All of the equipment comes as one list.",
            "a manager",
            EQUIPMENT,
        ),
        need(
            there.standard,
            "A released primary standard",
            "An analyst receives the lot with its certificate, a manager releases it.",
            "an analyst, then a manager",
            &[(Action::DecideWaiting, "/decisions"), (Action::ReceiveLots, "/stock/standards/new")],
        ),
        need(
            there.titrant,
            "A released titrant lot",
            "Prepared by weighing the primary standard, or standardised against it; a manager who did not prepare it releases it.",
            "an analyst, then a manager",
            &[(Action::DecideWaiting, "/decisions"), (Action::PrepareTitrants, "/titrants/new")],
        ),
        need(
            there.method,
            "An approved method",
            "Drafted by one from a published outline or a method of yours, with its rules; approved by another.",
            "an analyst, then a manager",
            &[(Action::DecideWaiting, "/decisions"), (Action::DraftMethods, "/methods/outlines")],
        ),
        need(
            there.competence,
            "Somebody authorised for the method",
            "Who titrates without supervision, and who reviews; several people for several methods in one form.",
            "a manager",
            &[(Action::AuthoriseCompetence, "/competences/new")],
        ),
    ]
}

fn control(there: &There) -> [Need; 2] {
    [
        need(
            there.chart,
            "A control chart with limits",
            "Of a control material with an assigned value; limits are proposed by one and approved by another.",
            "an analyst, then a manager",
            &[(Action::DefineCharts, "/charts/begin"), (Action::ReadRecords, "/charts")],
        ),
        need(
            there.plan,
            "A plan of quality control for the method",
            "Says which blanks, duplicates and controls every run has; without one a result is approved only under a concession.",
            "a manager",
            &[(Action::DefineCharts, "/qc-plans/new")],
        ),
    ]
}

fn work(there: &There) -> [Need; 6] {
    [
        need(
            there.sample,
            "A sample",
            "As it was received, with its condition.",
            "an analyst",
            &[(Action::RegisterSamples, "/samples/new")],
        ),
        need(
            there.portion,
            "A test portion of it",
            "Weighed or pipetted, with its dilution if there is one, on the page of the sample.",
            "an analyst",
            &[(Action::RegisterSamples, "/samples")],
        ),
        need(
            there.run,
            "A run of the method",
            "Holds blanks, controls and determinations of one stretch of work.",
            "an analyst",
            &[(Action::ConductRuns, "/runs/new")],
        ),
        need(
            there.submitted,
            "A submitted determination",
            "Titrations entered at the bench until the titres agree, then signed.",
            "an analyst",
            &[(Action::RecordTitrations, "/bench")],
        ),
        need(
            there.released,
            "The run closed and released",
            "Closed by whoever works in it, released by a manager who did not open it, once what the plan wants is there.",
            "an analyst, then a manager",
            &[(Action::DecideWaiting, "/decisions"), (Action::ConductRuns, "/runs")],
        ),
        need(
            there.approved,
            "The result reviewed and approved",
            "By two further people. Iron(III) is the difference of two such results, and is signed in the same way.",
            "an analyst or manager, then a manager",
            &[(Action::DecideWaiting, "/decisions"), (Action::ReviewDeterminations, "/signatures/review")],
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
        let way = need.way(&shell).filter(|_| !need.there);
        let way = way.map_or_else(Cell::default, |place| Cell::link("go there", place));
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
