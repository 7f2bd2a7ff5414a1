//! Pages of signing in and out, and of the own account.

mod codes;
mod identity;
mod people;
mod roles;
mod several;
mod tokens;

pub use people::once;

use actix_web::http::header::{LOCATION, SET_COOKIE};
use actix_web::{HttpRequest, HttpResponse, get, post, routes, web};
use askama::Template;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::current_user::COOKIE_NAME;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::OwnAccount;
use ferrotitre_base::auth::tokens::TokenKeys;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::{Problem, status_of};
use ferrotitre_html::form::{Field, Form, Kind, Sent, see};
use ferrotitre_html::protect::{no_cookie, preference, session_cookie};
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::{LOOK, MARK, Shell};
use ferrotitre_html::show::time;
use uuid::Uuid;

use crate::accounts::wire::{Credentials, FirstSignIn, OwnSession, PasswordChange};
use crate::accounts::{handlers, service, sessions};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(first_page)
        .service(sign_in)
        .service(first_sign_in)
        .service(sign_out)
        .service(choose_look)
        .service(own_account)
        .service(change_password)
        .service(end_session)
        .service(codes::set_up_codes)
        .service(codes::choose_codes)
        .service(codes::end_codes)
        .service(codes::read_rules)
        .service(codes::decide_rule)
        .service(codes::reset_codes)
        .service(people::list_accounts)
        .service(people::new_account)
        .service(several::new_people)
        .service(people::read_account)
        .service(people::move_account)
        .service(people::set_password)
        .service(identity::confirm_identity)
        .service(roles::request_role)
        .service(several::decide_roles)
        .service(roles::decide_role)
        .service(several::authorise_several)
        .service(roles::authorise)
        .service(tokens::issue_token)
        .service(tokens::revoke_token);
}

#[derive(Template)]
#[template(path = "accounts/sign_in.html")]
struct SignInPage<'a> {
    shell: &'a Shell,
    form: Form,
    next: String,
    why: &'static str,
}

#[derive(Template)]
#[template(path = "accounts/first_sign_in.html")]
struct FirstSignInPage<'a> {
    shell: &'a Shell,
    form: Form,
}

fn first_place(shell: &Shell) -> &'static str {
    if shell.may(Action::ReadRecords) {
        "/day"
    } else if shell.may(Action::ReadAccounts) {
        "/accounts"
    } else {
        "/account"
    }
}

/// Where a person's day begins.
#[get("/")]
pub(super) async fn first_page(_who: Allowed<OwnAccount>, shell: Shell) -> HttpResponse {
    let place = first_place(&shell);
    // What is to be said about the step before is said there.
    match shell.address.split_once('?') {
        Some((_, query)) if !shell.notice.is_empty() => see(&format!("{place}?{query}")),
        _ => see(place),
    }
}

fn sign_in_form() -> Form {
    Form::new("Sign in", "Sign in", "/")
        .with([Field::new("account", "Sign-in name", Kind::Text), Field::new("password", "Password", Kind::Password),
            Field::new("one_time_code", "One-time code", Kind::Code)
                .optional()
                .help("Only if you have set up one-time codes: six digits from your authenticator, or a recovery code."),
        ])
        .help(
            "Everybody has an account of their own; what is recorded carries its name.",
            "ISO/IEC 17025:2017 7.11 asks that data are protected from unauthorised access.",
            "After some minutes without use the bench asks for the password again. A titration half entered stays in this browser.",
        )
}

/// A place of our own to go to; never another site.
fn own_place(next: &str) -> &str {
    // Browsers drop tabs and line ends from an address and take a backslash for a slash.
    let plain = !next.contains(|c: char| c == '\\' || c.is_control() || c.is_whitespace());
    if plain && next.starts_with('/') && !next.starts_with("//") { next } else { "/" }
}

/// Signs in.
#[routes]
#[get("/sign-in")]
#[post("/sign-in")]
pub(super) async fn sign_in(
    request: HttpRequest,
    shell: Shell,
    db: web::Data<Db>,
    keys: web::Data<TokenKeys>,
    policy: web::Data<Policy>,
    query: web::Query<std::collections::HashMap<String, String>>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let mut form = sign_in_form();
    let why = match query.get("why").map(String::as_str) {
        Some("not_signed_in") => {
            "This browser was not used for a while. What you had entered at the bench is still here."
        }
        Some("session_ended") => "Your session has ended.",
        Some("account_not_active") => "Your account is not active; an administrator can help.",
        _ => "",
    };
    if !sent.posted() {
        if !service::any(&db).await? {
            return Ok(see("/set-up"));
        }
        let next = query.get("next").cloned().unwrap_or_default();
        return shell.show(&SignInPage { shell: &shell, form, next, why });
    }
    form.take_over(&sent);
    let next = own_place(sent.get("next")).to_owned();
    let act = handlers::nobody(&request, "sign_in");
    let outcome = match form.read::<Credentials>(false) {
        Ok(credentials) => sessions::sign_in_page(&db, &keys, &act, **policy, credentials).await,
        Err(refusal) => Err(refusal),
    };
    match outcome {
        Ok((token, provisional)) => {
            let place = if provisional { "/account/password" } else { next.as_str() };
            let cookie = session_cookie(&request, token);
            Ok(HttpResponse::SeeOther().insert_header((LOCATION, place)).cookie(cookie).finish())
        }
        Err(refusal) if status_of(refusal.code).is_server_error() => Err(refusal.into()),
        Err(refusal) => {
            form.blame(&refusal);
            shell.page(status_of(refusal.code), &SignInPage { shell: &shell, form, next, why: "" })
        }
    }
}

fn first_sign_in_form() -> Form {
    Form::new("First sign-in", "Set the password and sign in", "/sign-in")
        .with([
            Field::new("account", "Sign-in name", Kind::Text),
            Field::new("password", "Provisional password", Kind::Password)
                .help("The one you were given. It works once."),
            Field::new("new", "Your own new password", Kind::Password)
                .help("At least 12 characters. A sentence is easy to remember."),
            Field::new("one_time_code", "One-time code", Kind::Code)
                .optional()
                .help("Only if you have set up one-time codes before: six digits from your authenticator, or a recovery code."),
        ])
        .help(
            "For whoever was given a password by somebody else: a new account, or one whose password was set anew.",
            "ISO/IEC 17025:2017 7.11.3 (protection from unauthorised access).",
            "You are signed in, and from then on only you know your password; every signature asks for it again.",
        )
}

/// Signs in with a provisional password and sets the own one, in one form.
#[routes]
#[get("/first-sign-in")]
#[post("/first-sign-in")]
pub(super) async fn first_sign_in(
    request: HttpRequest,
    shell: Shell,
    db: web::Data<Db>,
    keys: web::Data<TokenKeys>,
    policy: web::Data<Policy>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let mut form = first_sign_in_form();
    if !sent.posted() {
        if !service::any(&db).await? {
            return Ok(see("/set-up"));
        }
        return shell.show(&FirstSignInPage { shell: &shell, form });
    }
    form.take_over(&sent);
    let act = handlers::nobody(&request, "sign_in");
    let outcome = match form.read::<FirstSignIn>(false) {
        Ok(first) => sessions::first_sign_in_page(&db, &keys, &act, **policy, first).await,
        Err(refusal) => Err(refusal),
    };
    match outcome {
        Ok(token) => {
            let cookie = session_cookie(&request, token);
            Ok(HttpResponse::SeeOther().insert_header((LOCATION, "/?done=password")).cookie(cookie).finish())
        }
        Err(refusal) if status_of(refusal.code).is_server_error() => Err(refusal.into()),
        Err(refusal) => {
            form.blame(&refusal);
            shell.page(status_of(refusal.code), &FirstSignInPage { shell: &shell, form })
        }
    }
}

/// Signs out.
#[post("/sign-out")]
pub(super) async fn sign_out(
    who: Allowed<OwnAccount>,
    request: HttpRequest,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    shell.ours(&sent)?;
    sessions::sign_out(&db, &who.act_without_body(), who.user()).await?;
    let place = (LOCATION, "/sign-in?done=signed-out");
    Ok(HttpResponse::SeeOther().insert_header(place).cookie(no_cookie(&request, COOKIE_NAME)).finish())
}

/// Keeps how pages shall look; no account is needed to read in the dark.
#[post("/look")]
pub(super) async fn choose_look(request: HttpRequest, sent: Sent) -> HttpResponse {
    let mut response = HttpResponse::SeeOther();
    response.insert_header((LOCATION, own_place(sent.get("back")).to_owned()));
    for (name, field, known) in [(LOOK, "look", ["auto", "light", "dark"]), (MARK, "mark", ["point", "comma", ""])] {
        let value = sent.get(field);
        if !value.is_empty() && known.contains(&value) {
            response.append_header((SET_COOKIE, preference(&request, name, value.to_owned()).to_string()));
        }
    }
    response.finish()
}

/// The own account.
#[get("/account")]
pub(super) async fn own_account(
    who: Allowed<OwnAccount>,
    shell: Shell,
    db: web::Data<Db>,
) -> Result<HttpResponse, Problem> {
    let own = service::own(&db, who.user()).await?;
    let news = super::codes::news(&db, who.user().account).await?;
    let codes_facts = codes::facts(own.one_time_codes.as_ref());
    let open = sessions::own(&db, who.user()).await?;
    let row = |session: OwnSession| {
        let way = match session.current {
            true => Cell::text("this browser"),
            false => Cell::link("sign out this session", format!("/account/sessions/{}", session.id)),
        };
        vec![Cell::text(time(session.started_at)), Cell::text(session.source_address.unwrap_or_default()), way]
    };
    let open = open.into_iter().map(row).collect();
    let facts = vec![
        fact("Sign-in name", Cell::text(own.code)),
        fact("Printed name", Cell::text(own.display_name.clone())),
        fact("Roles", Cell::text(own.roles.join(", "))),
    ];
    let actions = own.actions.iter().map(|action| vec![Cell::text(action.replace('_', " "))]).collect();
    let mut sheet = Sheet::new(&shell, "Own account", own.display_name)
        .way(true, "Change the password", "/account/password")
        .way(shell.may(Action::ChooseMessages), "E-mail", "/account/messages")
        .section_of("news", "", (!news.is_empty()).then_some(Part::Alert(news)))
        .section("account", "", Part::Facts(facts))
        .section(
            "sessions",
            "Where you are signed in",
            Part::Table(Table { columns: vec!["Since", "From", ""], rows: open, ..Table::default() }),
        )
        .section("one-time-codes", "One-time codes", codes_facts)
        .section_way(own.one_time_codes.is_none(), "Set up one-time codes", codes::SET_UP)
        .section_way(own.one_time_codes.is_some(), "Codes at signatures", codes::CHOICE)
        .section_way(own.one_time_codes.is_some(), "End them", codes::END)
        .section(
            "actions",
            "What your roles include",
            Part::Table(Table { columns: vec!["Action"], rows: actions, ..Table::default() }),
        )
        .help(
            "Who you are to the service. Roles are given by a manager on an administrator's request; nobody gives one to themself.",
            "ISO/IEC 17025:2017 6.2 (competence) and 7.11.3 (access).",
            "Look and decimal mark are chosen at the foot of every page and kept in this browser.",
        );
    if own.password_provisional {
        sheet.lead = "Somebody else set your password. Change it before anything else.".to_owned();
    }
    sheet.show()
}

/// Signs out at another place.
#[routes]
#[get("/account/sessions/{id}")]
#[post("/account/sessions/{id}")]
pub(super) async fn end_session(
    who: Allowed<OwnAccount>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("Sign out another session", "Sign out this session", "/account")
        .lead("Whoever uses that session must sign in again. Change your password if it was not you.")
        .help(
            "A session that was left open elsewhere, or that is not yours.",
            "ISO/IEC 17025:2017 7.11.3 (protection from unauthorised access).",
            "What was recorded in it stays.",
        );
    shell
        .take(&who, &sent, form, async |act, _: serde_json::Value| {
            sessions::end_own(&db, &act, who.user(), *id).await?;
            Ok("/account?done=saved".to_owned())
        })
        .await
}

/// Changes the own password. Whoever gave both goes on in this browser, under the new one.
#[routes]
#[get("/account/password")]
#[post("/account/password")]
pub(super) async fn change_password(
    who: Allowed<OwnAccount>,
    request: HttpRequest,
    shell: Shell,
    db: web::Data<Db>,
    keys: web::Data<TokenKeys>,
    policy: web::Data<Policy>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("Change the password", "Change the password", "/account")
        .lead("You stay signed in here and are signed out everywhere else.")
        .with([
            Field::new("present", "Present password", Kind::Password),
            Field::new("new", "New password", Kind::Password)
                .help("At least 12 characters. A sentence is easy to remember."),
        ])
        .help(
            "Only you know your password; every signature asks for it again.",
            "ISO/IEC 17025:2017 7.11.3 (protection from unauthorised access).",
            "After several wrong passwords you must wait before the next try. The account is not locked.",
        );
    let mut token = String::new();
    let mut answer = shell
        .take(&who, &sent, form, async |act, change: PasswordChange| {
            token = sessions::change_password_page(&db, &keys, &act, **policy, who.user(), change).await?;
            Ok(format!("{}?done=password", first_place(&shell)))
        })
        .await?;
    if !token.is_empty() {
        answer.add_cookie(&session_cookie(&request, token)).map_err(Refusal::internal)?;
    }
    Ok(answer)
}
