//! Pages of messages: what was sent, how e-mail is sent, who else is told, and the own choice.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ChooseMessages, ManageMessages, ReadMessages};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::zone;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward, words};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Fact, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::pages::once;
use ferrotitre_ledger::accounts::service::names;
use uuid::Uuid;

use crate::courier::Courier;
use crate::wire::{
    MailChoice, MailSettings, MessageView, MessagesAsked, NewMailSettings, NewTestMessage, NewWebhookEndpoint,
    WebhookEndpoint, WebhookEndpointEnd,
};
use crate::{choices, endpoints, mail, outbox};

const PLACE: &str = "/messages";
const MAIL_STANDARD: &str = "RFC 5321 (SMTP), RFC 3207 (STARTTLS), RFC 8314 (TLS).";
const WEBHOOK_STANDARD: &str =
    "Standard Webhooks 1.0: headers webhook-id, webhook-timestamp and webhook-signature, HMAC-SHA-256.";

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_messages)
        .service(settle_mail)
        .service(try_mail)
        .service(new_endpoint)
        .service(end_endpoint)
        .service(read_message)
        .service(own_choice);
}

fn message_cells(message: MessageView) -> Vec<Cell> {
    let answer = message.answer.unwrap_or_default();
    let next = message.next_at.map(|at| format!("next try {}", show::time(at)));
    let last = [next.unwrap_or_default(), answer].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>();
    vec![
        Cell::link(show::time(message.made_at), format!("{PLACE}/{}", message.id)),
        Cell::text(message.kind),
        Cell::text(message.to),
        Cell::state(message.state),
        Cell::number(message.tries.to_string()),
        Cell::text(last.join("; ")),
    ]
}

fn mail_facts(present: &MailSettings, by: String) -> Vec<Fact> {
    let server = format!(
        "{}, port {}, {}",
        present.host,
        present.port,
        match present.encryption.as_str() {
            "none" => "not encrypted",
            other => other,
        }
    );
    let domains = if present.domains.is_empty() { "any".to_owned() } else { present.domains.join(", ") };
    vec![
        fact("E-mail", Cell::text(if present.active { "is sent" } else { "is turned off" })),
        fact("Server", Cell::text(server)),
        fact("Signs in as", Cell::text(present.user_name.clone().unwrap_or_else(|| "nobody".to_owned()))),
        fact("From", Cell::text(present.sender.clone())),
        fact("Links begin with", Cell::text(present.base_address.clone())),
        fact("Domains of addresses", Cell::text(domains)),
        fact("Settled", Cell::text(format!("{}, {by}: {}", show::time(present.recorded_at), present.reason))),
    ]
}

fn endpoint_cells(endpoint: &WebhookEndpoint) -> Vec<Cell> {
    let end = match (&endpoint.ended_at, &endpoint.end_reason) {
        (Some(at), Some(reason)) => Cell::text(format!("ended {}: {reason}", show::time(*at))),
        _ => Cell::link("end", format!("{PLACE}/endpoints/{}/end", endpoint.id)),
    };
    vec![
        Cell::text(endpoint.name.clone()),
        Cell::text(endpoint.address.clone()),
        Cell::text(show::time(endpoint.recorded_at)),
        Cell::text(endpoint.reason.clone()),
        end,
    ]
}

/// What was sent, what waits and what was given up; for administrators also how it is sent.
#[get("/messages")]
pub(super) async fn list_messages(
    _who: Allowed<ReadMessages>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let after = query.0.listing()?.after;
    let asked = MessagesAsked { state: Some(query.0.state.clone()), limit: None, after };
    let found = outbox::list(&db, &asked).await?;
    let manages = shell.may(Action::ManageMessages);
    let states = Field::new("state", "State now", Kind::List(words(&outbox::STATES))).optional();
    let table = Table {
        columns: vec!["Made", "What", "To", "State", "Tries", "Last answer"],
        rows: found.items.into_iter().map(message_cells).collect(),
        empty: "No message so far.",
        next: query.0.next(PLACE, found.next),
        filters: vec![states.value(&query.0.state)],
        ..Table::default()
    };
    let mut sheet = Sheet::new(&shell, "Messages", "Messages")
        .lead("Alerts by e-mail to those who want them so, and to programs of others.")
        .way(manages, "Settle e-mail", format!("{PLACE}/mail"))
        .way(manages, "Send a test", format!("{PLACE}/mail/test"))
        .way(manages, "New endpoint", format!("{PLACE}/endpoints/new"))
        .way(shell.may(Action::ChooseMessages), "What I am told", "/account/messages")
        .section("messages", "", Part::Table(table));
    if manages {
        let settings = mail::settings(&db).await?;
        let people: Vec<Uuid> = settings.iter().map(|one| one.recorded_by.0).collect();
        let people = names(&db, &people).await?;
        let by = |one: &MailSettings| people.get(&one.recorded_by.0).cloned().unwrap_or_default();
        let about = match settings.first() {
            Some(present) => Part::Facts(mail_facts(present, by(present))),
            None => Part::Words("Nobody has settled yet how e-mail is sent, so none is.".to_owned()),
        };
        let before = settings.iter().skip(1).map(|one| {
            vec![
                Cell::text(show::time(one.recorded_at)),
                Cell::text(by(one)),
                Cell::text(if one.active { one.host.clone() } else { "turned off".to_owned() }),
                Cell::text(one.reason.clone()),
            ]
        });
        let before =
            Table { columns: vec!["Settled", "By", "Server", "Why"], rows: before.collect(), ..Table::default() };
        let all = endpoints::list(&db).await?;
        let told = Table {
            columns: vec!["Endpoint", "Address", "Since", "Why", ""],
            rows: all.iter().map(endpoint_cells).collect(),
            empty: "No program is told of alerts.",
            ..Table::default()
        };
        sheet = sheet
            .section("mail", "E-mail", about)
            .section_of("before", "Before", (!before.rows.is_empty()).then_some(Part::Table(before)))
            .section("endpoints", "Endpoints", Part::Table(told));
    }
    sheet
        .help(
            "Each alert is told once when it begins. What cannot be delivered is tried again, after 15 s at first, later every hour, for three days.",
            "RFC 5321 (SMTP); Standard Webhooks 1.0.",
            "After a crash a message may come twice, with the same identity. Messages stay on record.",
        )
        .show()
}

/// A message with its tries.
#[get("/messages/{id}")]
pub(super) async fn read_message(
    who: Allowed<ReadMessages>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let found = outbox::read(&db, *id, &who.user().roles).await?;
    let message = found.message;
    let mut facts = vec![
        fact("To", Cell::text(message.to)),
        fact("Made", Cell::text(show::time(message.made_at))),
        fact("Alerts", Cell::number(message.alerts.to_string())),
    ];
    facts.extend(message.next_at.map(|at| fact("Next try", Cell::text(show::time(at)))));
    let rows = found.history.into_iter().map(|one| {
        vec![
            Cell::number(one.number.to_string()),
            Cell::text(show::time_with_zone(one.tried_at)),
            Cell::state(if one.delivered { "delivered" } else { "not delivered" }),
            Cell::text(one.answer),
        ]
    });
    let tries = Table {
        columns: vec!["Try", "When", "", "Answer"],
        rows: rows.collect(),
        empty: "It was not tried yet.",
        ..Table::default()
    };
    let text = found.text.map(|text| Part::Lines(text.lines().map(str::to_owned).collect()));
    Sheet::new(&shell, "Message", message.kind)
        .state(message.state)
        .section("about", "", Part::Facts(facts))
        .section("tries", "Tries", Part::Table(tries))
        .section_of("text", "What it says", text)
        .help(
            "A message as it is sent at every try.",
            "RFC 5321 (SMTP); Standard Webhooks 1.0.",
            "What waits is sent by itself once the other side can be reached.",
        )
        .show()
}

fn mail_fields(present: Option<&MailSettings>) -> Vec<Field> {
    let encryption = mail::ENCRYPTION.map(|word| match word {
        "none" => Choice::thing("none", "none", "only to a server on this machine or a network of its own"),
        "TLS" => Choice::thing("TLS", "TLS", "from the first byte, mostly port 465"),
        other => Choice::thing(other, other, "mostly port 587"),
    });
    let of = |name: &str, of: fn(&MailSettings) -> String, otherwise: &str| {
        (name.to_owned(), present.map_or_else(|| otherwise.to_owned(), of))
    };
    let values = [
        of("active", |one| one.active.to_string(), "true"),
        of("host", |one| one.host.clone(), ""),
        of("port", |one| one.port.to_string(), "587"),
        of("encryption", |one| one.encryption.clone(), "STARTTLS"),
        of("user_name", |one| one.user_name.clone().unwrap_or_default(), ""),
        of("sender", |one| one.sender.clone(), ""),
        of("base_address", |one| one.base_address.clone(), ""),
        of("domains", |one| one.domains.join("\n"), ""),
    ];
    let fields = vec![
        Field::new("active", "Send e-mail?", Kind::YesNo).help("Turned off, messages that still wait are given up."),
        Field::new("host", "Mail server", Kind::Text).help("Its name or address, such as mail.harbour.example."),
        Field::new("port", "Port", Kind::Whole),
        Field::new("encryption", "Encryption", Kind::List(encryption.to_vec())),
        Field::new("user_name", "Name at the mail server", Kind::Text)
            .optional()
            .help("Left empty where it asks for none."),
        Field::new("password", "Password at the mail server", Kind::Password).optional().help(
            "Never shown again. Left empty, the present one stays, as long as server, port, encryption and name do.",
        ),
        Field::new("sender", "From", Kind::Text).help("Such as Iron laboratory <iron@harbour.example>."),
        Field::new("base_address", "Address of this service", Kind::Text)
            .help("As people reach it, such as https://iron.harbour.example:8420. Links in messages begin with it."),
        Field::new("domains", "Domains that addresses may be of, one a line", Kind::Lines)
            .optional()
            .help("Left empty, people may have alerts sent to any address."),
        Field::new("reason", "Why", Kind::Long).help("At least 5 characters."),
    ];
    let valued = |field: Field| match values.iter().find(|(name, _)| *name == field.name) {
        Some((_, value)) => field.value(value),
        None => field,
    };
    fields.into_iter().map(valued).collect()
}

/// Settles how e-mail is sent.
#[routes]
#[get("/messages/mail")]
#[post("/messages/mail")]
pub(super) async fn settle_mail(
    who: Allowed<ManageMessages>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let settings = mail::settings(&db).await?;
    let form = Form::new("How e-mail is sent", "Record", PLACE).with(mail_fields(settings.first())).help(
        "The mail server that takes the laboratory's messages. People then choose for themselves what they are told.",
        MAIL_STANDARD,
        "Send a test next; it says what the server answers.",
    );
    shell
        .take(&who, &sent, form, async |act, new: NewMailSettings| {
            Ok(onward(&mail::record(&db, &act, new).await?, &format!("{PLACE}#mail")))
        })
        .await
}

/// Sends a message that tries the settings.
#[routes]
#[get("/messages/mail/test")]
#[post("/messages/mail/test")]
pub(super) async fn try_mail(
    who: Allowed<ManageMessages>,
    shell: Shell,
    db: web::Data<Db>,
    courier: web::Data<Courier>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("Send a test", "Send", PLACE).with([Field::new("address", "To", Kind::Text)]).help(
        "A message without any alert, sent at once.",
        MAIL_STANDARD,
        "The next page says what the server answered.",
    );
    shell
        .take(&who, &sent, form, async |act, new: NewTestMessage| {
            let answer = mail::test(&db, &courier, &act, new).await?;
            Ok(format!("{PLACE}/{}", field_of(&answer, "id")))
        })
        .await
}

/// Records a program that is told of alerts; its secret is shown once.
#[routes]
#[get("/messages/endpoints/new")]
#[post("/messages/endpoints/new")]
pub(super) async fn new_endpoint(
    who: Allowed<ManageMessages>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("New endpoint", "Record", PLACE)
        .with([
            Field::new("name", "What it is", Kind::Text),
            Field::new("address", "Address", Kind::Text).help("Such as https://board.harbour.example/alerts."),
            Field::new("plain_http", "Will http do off this machine?", Kind::YesNo)
                .value("false")
                .help("Others on the network can then read what is sent. The signature holds all the same."),
            Field::new("reason", "Why", Kind::Long).help("At least 5 characters."),
        ])
        .help(
            "A program of others. Every alert that begins and every one that ends is posted to it as JSON, signed.",
            WEBHOOK_STANDARD,
            "Its secret is shown once. The program checks the signature, and drops what comes twice by webhook-id.",
        );
    let mut secret = String::new();
    let answer = shell
        .take(&who, &sent, form, async |act, new: NewWebhookEndpoint| {
            secret = endpoints::record(&db, &act, new).await?.secret;
            Ok(format!("{PLACE}?done=saved#endpoints"))
        })
        .await?;
    once(
        &shell,
        answer,
        "The endpoint was recorded",
        "For the program that receives, to check signatures with:",
        secret,
    )
}

/// Ends an endpoint.
#[routes]
#[get("/messages/endpoints/{id}/end")]
#[post("/messages/endpoints/{id}/end")]
pub(super) async fn end_endpoint(
    who: Allowed<ManageMessages>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("End an endpoint", "End it", PLACE)
        .lead("It is told nothing more, at once. What still waits for it is given up.")
        .with([Field::new("reason", "Why", Kind::Long).help("At least 5 characters.")])
        .help(
            "For a program that is gone, or whose secret may be known to others.",
            WEBHOOK_STANDARD,
            "It stays on record. For a new secret, record the program anew.",
        );
    shell
        .take(&who, &sent, form, async |act, end: WebhookEndpointEnd| {
            Ok(onward(&endpoints::end(&db, &act, *id, end).await?, &format!("{PLACE}#endpoints")))
        })
        .await
}

/// The own choice.
#[routes]
#[get("/account/messages")]
#[post("/account/messages")]
pub(super) async fn own_choice(
    who: Allowed<ChooseMessages>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let own = choices::own(&db, who.user().account).await?;
    let hour = own.choice.digest_hour.map(|hour| hour.to_string()).unwrap_or_default();
    let lead = if own.sent_here { "" } else { "The laboratory sends no e-mail yet; an administrator can settle that." };
    let form = Form::new("What I am told by e-mail", "Choose", "/account")
        .lead(lead)
        .with([
            Field::new("address", "My e-mail address", Kind::Text)
                .optional()
                .value(own.choice.address.unwrap_or_default())
                .help("Left empty, nothing is sent."),
            Field::new("at_once", "At once, when something needs attention now?", Kind::YesNo)
                .value(own.choice.at_once),
            Field::new("digest_hour", "Once a day, at what hour?", Kind::Whole)
                .optional()
                .value(hour)
                .help(format!("0 to 23, by the clock of {}. Left empty: never.", zone::name(chrono::Utc::now()))),
        ])
        .help(
            "Alerts without looking for them: codes and words as on the day's page, with a link to each.",
            MAIL_STANDARD,
            "Each alert is told once when it begins. Choose anew at any time, also to stop it.",
        );
    shell
        .take(&who, &sent, form, async |act, choice: MailChoice| {
            Ok(onward(&choices::choose(&db, &act, choice).await?, "/account"))
        })
        .await
}
