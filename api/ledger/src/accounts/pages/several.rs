//! Pages that do for several people at once what is done for each: accounts with the roles they need, decisions, authorisations.

use actix_web::http::StatusCode;
use actix_web::{HttpResponse, routes, web};
use askama::Template;
use chrono::{Days, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::auth::permissions::acts::{AuthoriseCompetence, DecideRoleGrants, ManageAccounts};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, first_page, onward, words};
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use super::people::decides;
use super::roles;
use crate::accounts::service;
use crate::accounts::wire::{CreatedPerson, NewCompetences, NewDecisions, NewPeople};

/// People the form of a list has room for.
const ROOM: usize = 8;

#[derive(Template)]
#[template(path = "accounts/several.html")]
struct MadePage<'a> {
    shell: &'a Shell,
    people: Vec<CreatedPerson>,
}

/// Makes accounts for several people and asks for their roles; the provisional passwords are shown once.
#[routes]
#[get("/accounts/several")]
#[post("/accounts/several")]
pub(super) async fn new_people(
    who: Allowed<ManageAccounts>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let roles: Vec<&str> = Role::ALL.into_iter().filter(|role| *role != Role::Instrument).map(Role::text).collect();
    let mut form = Form::new("New accounts", "Create them and ask for the roles", "/accounts");
    for at in 0..ROOM {
        let named = |field: &str| format!("people[{at}].{field}");
        let name = Field::new(&named("display_name"), "Printed name", Kind::Text).part(format!("Person {}", at + 1));
        let code = Field::new(&named("code"), "Sign-in name", Kind::Text).optional();
        let role = Field::new(&named("role"), "Role", Kind::List(words(&roles)));
        let (name, code, role) = match at {
            0 => (
                name.help("Stands beside every signature."),
                code.help("Left empty: made of the printed name, as mara.lindqvist of Mara Lindqvist."),
                role.help("Counts once a manager has approved it."),
            ),
            _ => (name.optional(), code, role.optional()),
        };
        form = form.with([name, code, role]);
    }
    let form = form
        .with([Field::new("reason", "Why they get their roles", Kind::Long)
            .part("For all of them")
            .help("At least 5 characters.")])
        .help(
            "One account for each person, never given to another, and the role that each is to have.",
            "ISO/IEC 17025:2017 6.2 and 7.11.3.",
            "Hand each provisional password over in person. A manager decides on the roles, on all in one form or on each.",
        );
    let mut made = Vec::new();
    let answer = shell
        .take(&who, &sent, form, async |act, new: NewPeople| {
            made = service::create_people(&db, &act, new).await?.people;
            Ok("/accounts?done=saved".to_owned())
        })
        .await?;
    if made.is_empty() {
        return Ok(answer);
    }
    shell.page(StatusCode::OK, &MadePage { shell: &shell, people: made })
}

/// Decides on several role grants that wait.
#[routes]
#[get("/role-grants/decisions")]
#[post("/role-grants/decisions")]
pub(super) async fn decide_roles(
    who: Allowed<DecideRoleGrants>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let waiting = service::waiting(&db).await?;
    let ids: Vec<Uuid> =
        waiting.iter().flat_map(|grant| [Some(grant.account_id), grant.recorded_by]).flatten().map(|id| id.0).collect();
    let names = service::names(&db, &ids).await?;
    let name = |id: Uuid| names.get(&id).cloned().unwrap_or_default();
    let mine = waiting.iter().filter(|grant| decides(&shell, grant));
    let choice = |grant: &crate::accounts::store::RoleGrant| {
        let by = grant.recorded_by.map(|by| name(by.0)).unwrap_or_default();
        let words = format!("{}. Asked for by {by}: {}", grant.role, grant.reason);
        Choice::thing(grant.id.0, &name(grant.account_id.0), words)
    };
    let choices: Vec<Choice> = mine.map(choice).collect();
    let lead = if choices.is_empty() {
        "No role waits for your decision."
    } else {
        "Each gets a decision of its own on record."
    };
    let form = Form::new("Decide on roles", "Decide", "/accounts#grants").lead(lead).with([Field::new(
        "grants",
        "Whose, and which role",
        Kind::Several(choices),
    )]);
    let form = roles::deciding(form, "Decision on those ticked");
    shell
        .take(&who, &sent, form, async |act, new: NewDecisions| {
            Ok(onward(&service::decide_grants(&db, &act, new).await?, "/accounts#grants"))
        })
        .await
}

/// Authorises several people for several methods.
#[routes]
#[get("/competences/new")]
#[post("/competences/new")]
pub(super) async fn authorise_several(
    who: Allowed<AuthoriseCompetence>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let own = shell.user.as_ref().map(|user| user.account.0);
    let titrates = |roles: &[String]| roles.iter().any(|role| role == "analyst" || role == "manager");
    let people = service::list(&db, &first_page()).await?.items.into_iter();
    let people = people.filter(|one| one.state == "active" && Some(one.id) != own && titrates(&one.roles));
    let people = people.map(|one| Choice::thing(one.id, &one.display_name, one.roles.join(", "))).collect();
    let methods = service::method_codes(&db).await?.iter().map(|code| Choice::word(code)).collect();
    let today = Utc::now().date_naive();
    let last = today.checked_add_days(Days::new(365)).unwrap_or(today);
    let form = Form::new("Authorise people for methods", "Authorise", "/accounts")
        .lead("Everybody ticked for every method ticked; each authorisation is a record of its own.")
        .with([
            Field::new("people", "People", Kind::Several(people)),
            Field::new("methods", "Methods", Kind::Several(methods)).help("Hold for all versions."),
            Field::new("valid_from", "First day", Kind::Day).value(today),
            // Common practice, no source.
            Field::new("valid_to", "Last day", Kind::Day).value(last).help("Proposed: a year."),
            Field::new("evidence", "What it rests on", Kind::Long),
        ])
        .help(
            "An authorisation lets somebody titrate without supervision and review the work of others by a method.",
            "ISO/IEC 17025:2017 6.2.5 and 6.2.6.",
            "It ends by itself on its last day.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewCompetences| {
            Ok(onward(&service::record_competences(&db, &act, new).await?, "/accounts"))
        })
        .await
}
