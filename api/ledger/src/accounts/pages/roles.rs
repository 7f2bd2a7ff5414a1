//! Pages of what people may do: roles and the methods they are authorised for.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::auth::permissions::acts::{AuthoriseCompetence, DecideRoleGrants, ManageAccounts};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Form, Kind, Sent, onward, words};
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use crate::accounts::service;
use crate::accounts::wire::{NewCompetence, NewDecision, NewRoleGrant};
/// Asks for a role or withdraws one.
#[routes]
#[get("/accounts/{id}/role-grants")]
#[post("/accounts/{id}/role-grants")]
pub(super) async fn request_role(
    who: Allowed<ManageAccounts>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let account = service::read(&db, *id).await?;
    let back = format!("/accounts/{id}");
    let roles: Vec<&str> = Role::ALL.into_iter().map(Role::text).collect();
    let form = Form::new(format!("Roles of {}", account.code), "Record", back.as_str())
        .with([
            Field::new("role", "Role", Kind::Choice(words(&roles))),
            Field::new("effect", "What", Kind::Choice(words(&["grant", "withdraw"])))
                .help("A grant waits for a manager; a withdrawal counts at once."),
            Field::new("reason", "Reason", Kind::Long).help("At least 5 characters."),
        ])
        .help(
            "What an account may do is what its roles include.",
            "ISO/IEC 17025:2017 6.2 and 7.11.3.",
            "A manager approves a grant; nobody grants one to themself.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewRoleGrant| {
            Ok(onward(&service::request_grant(&db, &act, *id, new).await?, &back))
        })
        .await
}

/// What is asked of whoever decides on a role, or on several.
pub(super) fn deciding(form: Form, label: &str) -> Form {
    form.with([
        Field::new("decision", label, Kind::Choice(words(&["approved", "refused"]))),
        Field::new("reason", "Reason", Kind::Long).optional(),
    ])
    .help(
        "A role counts only after a manager who did not ask for it has approved it.",
        "ISO/IEC 17025:2017 6.2 and 7.11.3.",
        "The person has the role at once after an approval.",
    )
}

/// Approves or refuses a role grant.
#[routes]
#[get("/role-grants/{id}/decision")]
#[post("/role-grants/{id}/decision")]
pub(super) async fn decide_role(
    who: Allowed<DecideRoleGrants>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let grant = service::grant(&db, *id).await?;
    let account = service::read(&db, grant.account_id.0).await?;
    let asked_by = match grant.recorded_by {
        Some(by) => service::read(&db, by.0).await?.display_name,
        None => "the command line".to_owned(),
    };
    let lead = format!(
        "{} ({}) would get the role {}. Asked for by {asked_by}: {}",
        account.display_name, account.code, grant.role, grant.reason
    );
    let form =
        Form::new(format!("Role {} for {}", grant.role, account.display_name), "Decide", "/accounts#grants").lead(lead);
    let form = deciding(form, "Decision");
    shell
        .take(&who, &sent, form, async |act, new: NewDecision| {
            Ok(onward(&service::decide_grant(&db, &act, *id, new).await?, "/accounts#grants"))
        })
        .await
}

/// Authorises somebody for a method.
#[routes]
#[get("/accounts/{id}/competences")]
#[post("/accounts/{id}/competences")]
pub(super) async fn authorise(
    who: Allowed<AuthoriseCompetence>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let account = service::read(&db, *id).await?;
    let back = format!("/accounts/{id}#competences");
    let form = Form::new(format!("Authorise {}", account.display_name), "Authorise", back.as_str())
        .with([
            Field::new("method_code", "Method", Kind::Text).help("Code of the method; holds for all its versions."),
            Field::new("valid_from", "First day", Kind::Day),
            Field::new("valid_to", "Last day", Kind::Day),
            Field::new("evidence", "What it rests on", Kind::Long),
        ])
        .help(
            "An authorisation lets somebody review the work of others by this method.",
            "ISO/IEC 17025:2017 6.2.6.",
            "It ends by itself on its last day.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewCompetence| {
            Ok(onward(&service::record_competence(&db, &act, *id, new).await?, &back))
        })
        .await
}
