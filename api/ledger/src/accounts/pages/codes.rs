//! Pages of one-time codes: the own ones, those of somebody who lost the device, and whether administrators must use them.

use actix_web::http::StatusCode;
use actix_web::{HttpResponse, get, routes, web};
use askama::Template;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::current_user::Codes;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{DecideCodeRules, ManageAccounts, OwnAccount, ReadAccounts};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Form, Kind, ONE_TIME, Sent, onward, see};
use ferrotitre_html::sheet::{Cell, Part, Section, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use crate::accounts::codes::{
    self,
    wire::{CodeChoice, CodeReset, NewCodeRule, NewCodes, OwnCodes, OwnCodesEnd},
};
use crate::accounts::service;

pub(super) const SET_UP: &str = "/account/one-time-codes";
pub(super) const CHOICE: &str = "/account/one-time-codes/choice";
pub(super) const END: &str = "/account/one-time-codes/end";
const RULES: &str = "/one-time-codes";
const STANDARD: &str = "RFC 6238 (time-based one-time passwords); NIST SP 800-63B, 5.1.4; ISO/IEC 17025:2017 7.11.3.";

/// What there is of the own codes.
pub(super) fn facts(own: Option<&OwnCodes>) -> Part {
    let Some(own) = own else {
        return Part::Words(
            "You sign in with your password alone. With one-time codes nobody can sign in who only learnt your password."
                .to_owned(),
        );
    };
    Part::Facts(vec![
        fact("Set up", Cell::text(show::time(own.since))),
        fact("At signatures", Cell::text(if own.at_signatures { "asked, too" } else { "not asked" })),
        fact("Recovery codes left", Cell::number(own.recovery_codes_left.to_string())),
    ])
}

#[derive(Template)]
#[template(path = "accounts/recovery.html")]
struct RecoveryPage<'a> {
    shell: &'a Shell,
    codes: Vec<String>,
}

fn code_field() -> Field {
    Field::new(ONE_TIME, "One-time code", Kind::Code)
        .help("From your authenticator, or a recovery code; each is good once.")
}

fn password_field() -> Field {
    Field::new("password", "Your own password, again", Kind::Password)
}

/// Sets up one-time codes; the recovery codes are shown once.
#[routes]
#[get("/account/one-time-codes")]
#[post("/account/one-time-codes")]
pub(super) async fn set_up_codes(
    who: Allowed<OwnAccount>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    if who.user().provisional {
        return Ok(see("/account/password"));
    }
    if !sent.posted() && matches!(who.user().codes, Codes::AtSignIn | Codes::AtSignatures) {
        return Ok(see("/account#one-time-codes"));
    }
    let proposed = match sent.get("proposal") {
        "" => codes::propose(who.user())?,
        proposal => codes::propose_again(who.user(), proposal)?,
    };
    let lead = match who.user().codes {
        Codes::Due => "Administrators use one-time codes here. Set them up before anything else.",
        _ => "An authenticator is a program on your telephone that shows a new code every 30 seconds.",
    };
    let form = Form::new("Set up one-time codes", "Set up", "/account")
        .lead(lead)
        .with([
            Field::new("one_time_code", "The code that it shows now", Kind::Code).help("Six digits."),
            password_field(),
            Field::new("at_signatures", "Ask for a code at every signature, too?", Kind::YesNo).value("false"),
        ])
        .hide("proposal", proposed.proposal.as_str())
        .help(
            "Somebody who learnt your password cannot sign in without your device. Scan the picture with the authenticator, then enter the code that it shows.",
            STANDARD,
            "Ten recovery codes are shown once. Print them, and keep them apart from the device.",
        );
    let groups = proposed.secret.as_bytes().chunks(4).map(String::from_utf8_lossy).collect::<Vec<_>>().join(" ");
    let above = vec![
        Section::new(
            "scan",
            "Scan this with the authenticator",
            Part::Picture {
                drawing: proposed.qr_code,
                caption: "It is yours alone: nobody else may see it.".to_owned(),
            },
        ),
        Section::new(
            "type",
            "Or type it in",
            Part::Facts(vec![
                fact("Secret", Cell::text(groups)),
                fact("Kind", Cell::text("by time, 6 digits, every 30 s, SHA-1")),
            ]),
        ),
    ];
    let mut recovery = Vec::new();
    let answer = shell
        .take_below(&who, &sent, form, above, async |act, new: NewCodes| {
            recovery = codes::set_up(&db, &act, **policy, who.user(), new).await?.recovery_codes;
            Ok("/account?done=codes".to_owned())
        })
        .await?;
    if recovery.is_empty() {
        return Ok(answer);
    }
    shell.page(StatusCode::OK, &RecoveryPage { shell: &shell, codes: recovery })
}

/// Chooses whether signatures ask for a code.
#[routes]
#[get("/account/one-time-codes/choice")]
#[post("/account/one-time-codes/choice")]
pub(super) async fn choose_codes(
    who: Allowed<OwnAccount>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let present = who.user().codes == Codes::AtSignatures;
    let form = Form::new("Codes at signatures", "Choose", "/account")
        .with([
            Field::new("at_signatures", "Ask for a code at every signature?", Kind::YesNo).value(present),
            password_field(),
            code_field(),
        ])
        .help(
            "With codes at signatures nobody signs for you who only learnt your password and found your session open.",
            STANDARD,
            "Every form that signs then has a field for the code.",
        );
    shell
        .take(&who, &sent, form, async |act, choice: CodeChoice| {
            Ok(onward(&codes::choose(&db, &act, **policy, choice).await?, "/account"))
        })
        .await
}

/// Ends the own codes, such as for another device.
#[routes]
#[get("/account/one-time-codes/end")]
#[post("/account/one-time-codes/end")]
pub(super) async fn end_codes(
    who: Allowed<OwnAccount>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("End one-time codes", "End them", "/account")
        .lead("All your sessions end. Sign in again with your password, and set up the new device.")
        .with([Field::new("reason", "Why", Kind::Long).help("At least 5 characters."), password_field(), code_field()])
        .help(
            "For a new device, or when recovery codes run out. If the device is gone, a recovery code will do.",
            STANDARD,
            "With neither device nor recovery codes ask an administrator to reset them.",
        );
    shell
        .take(&who, &sent, form, async |act, end: OwnCodesEnd| {
            codes::end_own(&db, &act, **policy, end).await?;
            Ok("/sign-in?done=saved".to_owned())
        })
        .await
}

/// Resets the codes of somebody who lost the device.
#[routes]
#[get("/accounts/{id}/one-time-codes/reset")]
#[post("/accounts/{id}/one-time-codes/reset")]
pub(super) async fn reset_codes(
    who: Allowed<ManageAccounts>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let account = service::read(&db, *id).await?;
    let back = format!("/accounts/{id}");
    let form = Form::new(format!("Reset the one-time codes of {}", account.code), "Reset", back.as_str())
        .lead("Their sessions end, and they sign in with the password alone until they set up codes again.")
        .with([Field::new("reason", "Why, and how you know that it is them who ask", Kind::Long)
            .help("At least 5 characters. They, and the managers, see it among the alerts for two weeks.")])
        .help(
            "For somebody who lost the device and has no recovery code left. Ask them in person.",
            STANDARD,
            "Nobody resets their own: another administrator does, or whoever runs the service at its command line.",
        );
    shell
        .take(&who, &sent, form, async |act, reset: CodeReset| {
            Ok(onward(&codes::reset(&db, &act, *id, reset).await?, &back))
        })
        .await
}

/// Whether administrators must use codes, and who decided so.
#[get("/one-time-codes")]
pub(super) async fn read_rules(
    _who: Allowed<ReadAccounts>,
    shell: Shell,
    db: web::Data<Db>,
) -> Result<HttpResponse, Problem> {
    let rules = codes::rules(&db).await?;
    let people: Vec<Uuid> = rules.iter().map(|rule| rule.recorded_by.0).collect();
    let people = service::names(&db, &people).await?;
    let now = match rules.first() {
        Some(rule) if rule.administrators_must => "Administrators must use one-time codes.",
        _ => "Administrators need not use one-time codes.",
    };
    let rows = rules.into_iter().map(|rule| {
        vec![
            Cell::text(show::time_with_zone(rule.recorded_at)),
            Cell::text(people.get(&rule.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(if rule.administrators_must { "they must" } else { "they need not" }),
            Cell::text(rule.reason),
        ]
    });
    let decisions = Table {
        columns: vec!["Decided", "By", "Administrators", "Why"],
        rows: rows.collect(),
        empty: "Nobody has decided on it yet.",
        ..Table::default()
    };
    Sheet::new(&shell, "People", "One-time codes of administrators")
        .lead(now)
        .way(shell.may(Action::DecideCodeRules), "Decide", format!("{RULES}/decision"))
        .section("decisions", "Decisions, the newest counts", Part::Table(decisions))
        .help(
            "An administrator makes accounts and sets passwords. A code from a device keeps out whoever only learnt the password of one.",
            STANDARD,
            "An administrator without codes can do nothing but set them up, from the moment of the decision.",
        )
        .show()
}

/// Decides whether administrators must use codes.
#[routes]
#[get("/one-time-codes/decision")]
#[post("/one-time-codes/decision")]
pub(super) async fn decide_rule(
    who: Allowed<DecideCodeRules>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("One-time codes of administrators", "Sign and decide", RULES)
        .with([
            Field::new("administrators_must", "Must administrators use one-time codes?", Kind::YesNo),
            Field::new("reason", "Why", Kind::Long).help("At least 5 characters."),
            password_field(),
        ])
        .help(
            "It counts at once, also for those who are signed in.",
            STANDARD,
            "Decisions stay on record. An administrator who loses the device needs a recovery code or another administrator.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewCodeRule| {
            Ok(onward(&codes::decide(&db, &act, **policy, new).await?, RULES))
        })
        .await
}
