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
    people: Vec<super::Made>,
}

/// Analysts that can be named at once.
const ANALYSTS: usize = 4;

/// Printed and sign-in name of somebody.
fn person(path: &str, part: &str, example: &str) -> [Field; 2] {
    let name = Field::new(&format!("{path}.display_name"), "Printed name", Kind::Text);
    let name = if part.is_empty() { name } else { name.part(part) };
    let help = if example.is_empty() {
        String::new()
    } else {
        format!("Such as {example}; it stands beside every signature.")
    };
    let code = Field::new(&format!("{path}.code"), "Sign-in name", Kind::Text).optional();
    let made =
        if example.is_empty() { "" } else { "Left empty: made of the printed name, as robin.falk of Robin Falk." };
    [name.help(help), code.help(made)]
}

fn form() -> Form {
    let mut form = Form::new("Set up this laboratory", "Make these accounts", "/")
        .with([Field::new("code", "Code from the service's first lines", Kind::Password)])
        .with(person("administrator", "The administrator: makes accounts, asks for roles", "Robin Falk"))
        .with(person("manager", "A manager: decides on roles, releases, approves", "Noor Haas"));
    for at in 0..ANALYSTS {
        let part = if at == 0 { "Analysts, if you know them: titrate, and check each other's work" } else { "" };
        let [name, code] = person(&format!("analysts[{at}]"), part, "");
        let name = if at == 0 {
            name.help("A result needs three people who sign: two analysts and the manager will do.")
        } else {
            name
        };
        form = form.with([name.optional(), code]);
    }
    form.help(
        "Two people at least, since nobody gives a role to themselves: from then on an administrator asks for it, a manager decides.",
        "ISO/IEC 17025:2017 6.2.6: the laboratory authorises people for specific work.",
        "Each gets a password to be changed at first use. What the first result still needs is then listed on the page First result.",
    )
}

/// Makes the first people; there is no second time.
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
        // The service counts analysts without the rows that were left empty.
        Ok(beginning) => begin(&db, &code, beginning).await.map_err(|refusal| form.named(refusal)),
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
