//! Pages of people: accounts, roles, competences, and the tokens of instruments.

use actix_web::http::StatusCode;
use actix_web::http::header::LOCATION;
use actix_web::{HttpResponse, get, routes, web};
use askama::Template;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ManageAccounts, ReadAccounts};
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Form, Kind, Sent, onward, words};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use crate::accounts::codes::{self, CodeEnd};
use crate::accounts::service::{self, Competence};
use crate::accounts::store::{RoleGrant, ServiceToken};
use crate::accounts::wire::{AccountView, NewAccount};

/// A laboratory of fewer people has only begun.
const FEW_PEOPLE: usize = 6;

/// What is said of a password that is shown once.
const PROVISIONAL: &str =
    "Provisional password. Its owner enters it under First sign-in on the sign-in page, with a password of their own:";

#[derive(Template)]
#[template(path = "accounts/once.html")]
struct OncePage<'a> {
    shell: &'a Shell,
    title: &'static str,
    lead: String,
    secret: String,
    next: String,
}

/// Whether the person may decide on a grant: not on one they asked for, nor for themself.
pub(super) fn decides(shell: &Shell, grant: &RoleGrant) -> bool {
    let party = |id: AccountId| grant.account_id == id || grant.recorded_by == Some(id);
    shell.may(Action::DecideRoleGrants) && shell.user.as_ref().is_some_and(|user| !party(user.account))
}

fn account_cells(account: AccountView) -> Vec<Cell> {
    vec![
        Cell::link(account.code, format!("/accounts/{}", account.id)),
        Cell::text(account.display_name),
        Cell::text(if account.roles.is_empty() { account.kind } else { account.roles.join(", ") }),
        Cell::state(account.state),
        Cell::text(account.last_sign_in.map_or_else(|| "never".to_owned(), show::time)),
    ]
}

fn token_cells(token: &ServiceToken, of: String, revokes: bool) -> Vec<Cell> {
    let way = if revokes {
        Cell::link("revoke", format!("/service-tokens/{}/revocation", token.id))
    } else {
        Cell::default()
    };
    vec![
        Cell::text(token.label.clone()),
        Cell::text(of),
        Cell::text(token.scopes.join(", ")),
        Cell::text(format!("{}, {}", show::time(token.expires_at), show::until(token.expires_at))),
        way,
    ]
}

/// Ends and resets of one-time codes, with who made them.
fn ended(ends: &[CodeEnd], by: impl Fn(Option<AccountId>) -> String) -> Option<Part> {
    let rows = ends.iter().map(|end| {
        let who = end.recorded_by.map_or_else(|| "at the command line".to_owned(), |one| by(Some(one)));
        vec![
            Cell::text(show::time(end.recorded_at)),
            Cell::text(end.kind.clone()),
            Cell::text(who),
            Cell::text(end.reason.clone()),
        ]
    });
    let table = Table { columns: vec!["When", "", "By", "Why"], rows: rows.collect(), ..Table::default() };
    (!ends.is_empty()).then_some(Part::Table(table))
}

fn grant_table() -> Table {
    Table {
        columns: vec!["Account", "Grant", "Reason", "Asked", "Decision"],
        empty: "No role has been asked for.",
        ..Table::default()
    }
}

fn token_table() -> Table {
    let columns = vec!["For", "Account", "May", "Until", ""];
    Table { columns, empty: "No instrument has a token.", ..Table::default() }
}

fn grant_cells(shell: &Shell, grant: &RoleGrant, decision: Option<&str>, name: String) -> Vec<Cell> {
    let way = match decision {
        Some(decision) => Cell::text(decision),
        // A withdrawal, or what was granted at the command line, counts at once.
        None if grant.effect != "grant" || grant.recorded_by.is_none() => Cell::text("in force at once"),
        None if decides(shell, grant) => Cell::link("decide", format!("/role-grants/{}/decision", grant.id)),
        None => Cell::text("waits for a manager"),
    };
    vec![
        Cell::link(name, format!("/accounts/{}", grant.account_id)),
        Cell::text(format!("{} {}", grant.effect, grant.role)),
        Cell::text(grant.reason.clone()),
        Cell::text(show::time(grant.recorded_at)),
        way,
    ]
}

/// Whether administrators must use codes, in words.
fn about_codes(must: bool) -> Part {
    Part::Words(if must {
        "Administrators must use one-time codes.".to_owned()
    } else {
        "Administrators need not use one-time codes. Whoever learns the password of one can then set those of others."
            .to_owned()
    })
}

/// People, role grants and tokens.
#[get("/accounts")]
pub(super) async fn list_accounts(
    _who: Allowed<ReadAccounts>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let people = service::list(&db, &query.0.listing()?).await?;
    let grants = service::grants(&db, &Listing { limit: Some(20), ..Listing::default() }).await?;
    let tokens = service::tokens(&db).await?;
    let must = codes::administrators_must(&db).await?;
    let ids: Vec<Uuid> = grants
        .items
        .iter()
        .map(|grant| grant.account_id.0)
        .chain(tokens.iter().map(|token| token.account_id.0))
        .collect();
    let names = service::names(&db, &ids).await?;
    let name = |id: Uuid| names.get(&id).cloned().unwrap_or_default();
    let decided = service::decisions(&db, &grants.items.iter().map(|grant| grant.id).collect::<Vec<_>>()).await?;
    let waits = service::waiting(&db).await?.iter().filter(|grant| decides(&shell, grant)).count();
    let decision = |grant: &RoleGrant| decided.get(&grant.id).map(String::as_str);
    let grant_rows =
        grants.items.iter().map(|grant| grant_cells(&shell, grant, decision(grant), name(grant.account_id.0)));
    let revokes = shell.may(Action::ManageServiceTokens);
    let token_rows = tokens.iter().map(|token| token_cells(token, name(token.account_id.0), revokes));
    Sheet::new(&shell, "People", "People and instruments")
        .way(shell.may(Action::ManageAccounts), "New account", "/accounts/new")
        .way(shell.may(Action::ManageAccounts), "Several at once", "/accounts/several")
        .way(shell.may(Action::AuthoriseCompetence), "Authorise for methods", "/competences/new")
        .way(shell.may(Action::ReadMessages), "Messages", "/messages")
        .way(people.items.len() < FEW_PEOPLE, "What the first result needs", "/first-result")
        .section(
            "people",
            "",
            Part::Table(Table {
                columns: vec!["Sign-in name", "Printed name", "Roles", "State", "Last sign-in"],
                rows: people.items.into_iter().map(account_cells).collect(),
                next: query.0.next("/accounts", people.next),
                ..Table::default()
            }),
        )
        .section("grants", "Role grants", Part::Table(Table { rows: grant_rows.collect(), ..grant_table() }))
        .section_way(waits > 0, "Decide on several", "/role-grants/decisions")
        .section("tokens", "Tokens of instruments", Part::Table(Table { rows: token_rows.collect(), ..token_table() }))
        .section_way(revokes, "Issue a token", "/service-tokens/new")
        .section("codes", "One-time codes of administrators", about_codes(must))
        .section_way(true, "Decisions", "/one-time-codes")
        .help(
            "Who may sign in, with which roles. An account is never used again for somebody else.",
            "ISO/IEC 17025:2017 6.2.6: the laboratory authorises people for specific work.",
            "An administrator asks for a role, a manager decides; only then it counts.",
        )
        .show()
}

/// Creates an account; the provisional password is shown once.
#[routes]
#[get("/accounts/new")]
#[post("/accounts/new")]
pub(super) async fn new_account(
    who: Allowed<ManageAccounts>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("New account", "Create", "/accounts")
        .with([
            Field::new("code", "Sign-in name", Kind::Text).help("Lower-case letters, digits, dots, hyphens."),
            Field::new("display_name", "Printed name", Kind::Text).help("Stands beside every signature."),
            Field::new("kind", "Kind", Kind::Choice(words(&["person", "service"])))
                .help("A service account is an instrument."),
            Field::new("since", "Works here since", Kind::Day)
                .optional()
                .help("If records of the time before this account are to be taken over; nothing older is accepted."),
        ])
        .help(
            "One account for one person or one instrument, never given to another.",
            "ISO/IEC 17025:2017 6.2 and 7.11.3.",
            "Ask for a role next; without one the account can do nothing.",
        );
    let mut secret = String::new();
    let answer = shell
        .take(&who, &sent, form, async |act, new: NewAccount| {
            let created = service::create(&db, &act, new).await?;
            secret = created.provisional_password.unwrap_or_default();
            Ok(format!("/accounts/{}?done=saved", created.account.id))
        })
        .await?;
    once(&shell, answer, "The account was created", PROVISIONAL, secret)
}

/// A page that shows a secret once, in place of the redirect.
///
/// # Errors
/// A page that cannot be drawn.
pub fn once(
    shell: &Shell,
    answer: HttpResponse,
    title: &'static str,
    lead: &str,
    secret: String,
) -> Result<HttpResponse, Problem> {
    let next = answer.headers().get(LOCATION).and_then(|value| value.to_str().ok()).map(str::to_owned);
    match next {
        Some(next) if !secret.is_empty() => {
            shell.page(StatusCode::OK, &OncePage { shell, title, lead: lead.to_owned(), secret, next })
        }
        _ => Ok(answer),
    }
}

fn competence_cells(competence: Competence) -> Vec<Cell> {
    vec![
        Cell::text(competence.method_code),
        Cell::text(show::day(competence.valid_from)),
        Cell::text(format!("{}, {}", show::day(competence.valid_to), show::until_day(competence.valid_to))),
        Cell::text(competence.evidence),
    ]
}

fn about_account(account: &AccountView) -> Part {
    let signs = if account.awaits_confirmation {
        "nothing, until a manager who did not set its password has confirmed whose it is"
    } else {
        "what its roles include"
    };
    let codes = if account.one_time_codes { "set up: it signs in with one" } else { "none" };
    Part::Facts(vec![
        fact("Sign-in name", Cell::text(account.code.clone())),
        fact("Kind", Cell::text(account.kind.clone())),
        fact("Roles", Cell::text(account.roles.join(", "))),
        fact("Created", Cell::text(show::time(account.recorded_at))),
        fact("Signs", Cell::text(signs)),
        fact("One-time codes", Cell::text(codes)),
        fact("Last sign-in", Cell::text(account.last_sign_in.map_or_else(|| "never".to_owned(), show::time))),
    ])
}

/// An account with its roles and competences.
#[get("/accounts/{id}")]
pub(super) async fn read_account(
    _who: Allowed<ReadAccounts>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let account = service::read(&db, *id).await?;
    let competences = service::competences(&db, *id).await?;
    let confirmations = service::confirmations(&db, *id).await?;
    let ends = codes::ends(&db, AccountId(*id)).await?;
    let people = confirmations.iter().map(|one| one.recorded_by).chain(ends.iter().map(|end| end.recorded_by));
    let people: Vec<Uuid> = people.flatten().map(|by| by.0).collect();
    let people = service::names(&db, &people).await?;
    let path = format!("/accounts/{id}");
    let confirms = account.awaits_confirmation && shell.may(Action::ConfirmIdentities);
    let by = |by: Option<AccountId>| by.map_or_else(String::new, |by| people.get(&by.0).cloned().unwrap_or_default());
    let confirmed = confirmations.into_iter().map(|one| {
        vec![Cell::text(show::time(one.recorded_at)), Cell::text(by(one.recorded_by)), Cell::text(one.reason)]
    });
    let manages = shell.may(Action::ManageAccounts);
    let ended = ended(&ends, by);
    let rows = competences.into_iter().map(competence_cells);
    let about = about_account(&account);
    Sheet::new(&shell, "Account", account.display_name)
        .state(account.state)
        .way(manages, "Ask for a role", format!("{path}/role-grants"))
        .way(manages, "Move", format!("{path}/moves"))
        .way(manages, "Set a provisional password", format!("{path}/provisional-password"))
        .way(manages && account.one_time_codes, "Reset one-time codes", format!("{path}/one-time-codes/reset"))
        .way(confirms, "Confirm whose it is", format!("{path}/identity-confirmation"))
        .way(shell.may(Action::ReadRecords), "What they took part in", format!("/where-used/{id}"))
        .section("account", "", about)
        .section(
            "competences",
            "Authorised for methods",
            Part::Table(Table {
                columns: vec!["Method", "From", "Until", "Evidence"],
                rows: rows.collect(),
                empty: "Not authorised for any method.",
                ..Table::default()
            }),
        )
        .section_way(shell.may(Action::AuthoriseCompetence), "Authorise", format!("{path}/competences"))
        .section(
            "confirmations",
            "Confirmed after a password was set by somebody else",
            Part::Table(Table {
                columns: vec!["When", "By", "How it is known"],
                rows: confirmed.collect(),
                empty: "Nobody had to.",
                ..Table::default()
            }),
        )
        .section_of("codes", "One-time codes ended and reset", ended)
        .help(
            "A person or an instrument, as the records name them.",
            "ISO/IEC 17025:2017 6.2.5 and 6.2.6 (competence and authorisation).",
            "An analyst reviews the work of others only for methods they are authorised for on that day.",
        )
        .show()
}

/// Locks, unlocks or retires an account.
#[routes]
#[get("/accounts/{id}/moves")]
#[post("/accounts/{id}/moves")]
pub(super) async fn move_account(
    who: Allowed<ManageAccounts>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let account = service::read(&db, *id).await?;
    let back = format!("/accounts/{id}");
    let form = Form::move_form(
        ferrotitre_core::lifecycle::EntityKind::Account,
        &account.state,
        format!("Move {}", account.code),
        &back,
    );
    shell
        .take(&who, &sent, form, async |act, asked: NewMove| {
            Ok(onward(&service::advance(&db, &act, *id, asked).await?, &back))
        })
        .await
}

/// Sets a provisional password, shown once.
#[routes]
#[get("/accounts/{id}/provisional-password")]
#[post("/accounts/{id}/provisional-password")]
pub(super) async fn set_password(
    who: Allowed<ManageAccounts>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let account = service::read(&db, *id).await?;
    let back = format!("/accounts/{id}");
    let form = Form::new(format!("New password for {}", account.code), "Set a provisional password", back.as_str())
        .lead("Their sessions end. The new password is made by the service and shown once.")
        .help(
            "For somebody who forgot theirs.",
            "ISO/IEC 17025:2017 6.2 and 7.11.3.",
            "They change it at the first sign-in. They sign nothing until a manager has confirmed whose account it is.",
        );
    let mut secret = String::new();
    let answer = shell
        .take(&who, &sent, form, async |act, _: serde_json::Value| {
            secret = service::set_provisional_password(&db, &act, *id).await?.provisional_password;
            Ok(format!("{back}?done=saved"))
        })
        .await?;
    once(&shell, answer, "The password was set", PROVISIONAL, secret)
}
