//! The page an empty store begins with.

use actix_web::{HttpResponse, routes, web};
use askama::Template;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::{Problem, status_of};
use ferrotitre_html::form::{Field, Form, Kind, Sent, see};
use ferrotitre_html::shell::Shell;

use crate::accounts::service as accounts;
use crate::set_up::{Beginning, SetUp, begin};

/// Mounts the page.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(set_up);
}

#[derive(Template)]
#[template(path = "set_up/form.html")]
struct SetUpPage<'a> {
    shell: &'a Shell,
    form: Form,
}

#[derive(Template)]
#[template(path = "set_up/done.html")]
struct DonePage<'a> {
    shell: &'a Shell,
    people: [(String, String, &'static str); 2],
}

fn form() -> Form {
    let person = |role: &str, name: &str, code: &str| {
        [
            Field::new(&format!("{role}.display_name"), "Printed name", Kind::Text)
                .help(format!("Such as {name}; it stands beside every signature."))
                .part(match role {
                    "administrator" => "The administrator: makes accounts, asks for roles",
                    _ => "A manager: decides on roles, releases, approves",
                }),
            Field::new(&format!("{role}.code"), "Sign-in name", Kind::Text)
                .help(format!("Such as {code}: lower-case letters, digits, dots, hyphens.")),
        ]
    };
    Form::new("Set up this laboratory", "Make both accounts", "/")
        .with([Field::new("code", "Code from the service's first lines", Kind::Password)])
        .with(person("administrator", "Robin Falk", "robin.falk"))
        .with(person("manager", "Noor Haas", "noor.haas"))
        .help(
            "Two people, since nobody gives a role to themselves: an administrator asks for it, a manager decides.",
            "ISO/IEC 17025:2017 6.2.6: the laboratory authorises people for specific work.",
            "Each gets a password to be changed at first use. What the first result still needs is then listed on the page First result.",
        )
}

/// Makes the first two people; there is no second time.
#[routes]
#[get("/set-up")]
#[post("/set-up")]
pub(super) async fn set_up(
    shell: Shell,
    db: web::Data<Db>,
    code: web::Data<SetUp>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    if accounts::any(&db).await? {
        return Ok(see("/sign-in"));
    }
    let mut form = form();
    if !sent.posted() {
        return shell.show(&SetUpPage { shell: &shell, form });
    }
    form.take_over(&sent);
    let outcome = match form.read::<Beginning>(false) {
        Ok(beginning) => begin(&db, &code, beginning).await,
        Err(refusal) => Err(refusal),
    };
    match outcome {
        Ok(people) => shell.show(&DonePage { shell: &shell, people }),
        Err(refusal) if status_of(refusal.code).is_server_error() => Err(refusal.into()),
        Err(refusal) => {
            form.blame(&refusal);
            shell.page(status_of(refusal.code), &SetUpPage { shell: &shell, form })
        }
    }
}
