//! Pages of events: the trail with its filters, and one event field by field.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadAuditTrail;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Choice, Field, Kind};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use serde::Deserialize;
use uuid::Uuid;

use crate::audit::changes::Change;
use crate::audit::pages::{linked, named};
use crate::audit::wire::{AuditEvent, EventListing};
use crate::audit::{events, kinds};

/// What the trail is narrowed to.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Narrowed {
    #[serde(default)]
    entity_id: String,
    #[serde(default)]
    person: String,
    #[serde(default)]
    action: String,
    #[serde(default)]
    kind: String,
    #[serde(default)]
    from: String,
    #[serde(default)]
    until: String,
    after: Option<Uuid>,
}

fn given(text: &str) -> Option<String> {
    Some(text.trim().to_owned()).filter(|text| !text.is_empty())
}

/// Acts of the service and its operator, and what people do before they are signed in.
const OTHER_ACTS: [&str; 9] = [
    "sign_in",
    "refresh_session",
    "set_up",
    "create_account",
    "set_password",
    "set_provisional_password",
    "pin_signatures",
    "migrate",
    "resume sealing",
];

fn acts() -> Vec<Choice> {
    let mut names: Vec<&str> = Action::ALL.iter().map(|action| action.text()).chain(OTHER_ACTS).collect();
    names.sort_unstable();
    names.dedup();
    names.into_iter().map(|name| Choice::thing(name, &name.replace('_', " "), "")).collect()
}

impl Narrowed {
    fn fields(&self, narrow: &Narrow, everybody: bool) -> Vec<Field> {
        let kinds = kinds::all().into_iter().map(|kind| Choice::thing(kind.table, kind.noun, "")).collect();
        let mut fields = vec![
            Field::new("entity_id", "Only of this thing and what belongs to it (its code)", Kind::Text)
                .optional()
                .value(&self.entity_id),
        ];
        if everybody {
            fields.push(
                Field::new("person", "Only of this person (sign-in name or printed name)", Kind::Text)
                    .optional()
                    .value(&self.person),
            );
        }
        fields.push(Field::new("action", "Act", Kind::List(acts())).optional().value(&self.action));
        fields.push(Field::new("kind", "Kind of record", Kind::List(kinds)).optional().value(&self.kind));
        fields.extend(narrow.fields(&[]));
        fields
    }

    /// Address of this list, to which days and the cursor are added.
    fn place(&self) -> String {
        let all =
            [("entity_id", &self.entity_id), ("person", &self.person), ("action", &self.action), ("kind", &self.kind)];
        let query: Vec<String> = all
            .iter()
            .filter(|(_, value)| !value.is_empty())
            .map(|(name, value)| format!("{name}={}", show::encoded(value)))
            .collect();
        if query.is_empty() { "/audit".to_owned() } else { format!("/audit?{}", query.join("&")) }
    }
}

/// Whether somebody sees the events of others.
fn sees_everybody(shell: &Shell) -> bool {
    shell.may(Action::ReadAccounts)
}

fn who(event: &AuditEvent) -> String {
    event.actor_name.clone().unwrap_or_else(|| event.actor_kind.clone())
}

/// Lists audit events, newest first.
#[get("/audit")]
pub(in crate::audit) async fn list_events(
    who_asks: Allowed<ReadAuditTrail>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrowed>,
) -> Result<HttpResponse, Problem> {
    let asked = query.0;
    let narrow = Narrow::of_days(&asked.from, &asked.until);
    let Listing { from, until, .. } = narrow.listing()?;
    let listing = EventListing {
        thing: given(&asked.entity_id),
        person: given(&asked.person),
        action: given(&asked.action),
        kind: given(&asked.kind),
        after: asked.after,
        from,
        until,
        ..EventListing::default()
    };
    let page = events::list(&db, who_asks.user(), listing).await?;
    let row = |event: &AuditEvent| {
        vec![
            Cell::link(show::time(event.at), format!("/audit/{}", event.id)),
            Cell::text(who(event)),
            Cell::text(event.action.replace('_', " ")),
            Cell::text(event.record_kind.clone()),
            named(&shell, event.record.as_ref()),
            Cell::text(event.what.clone().unwrap_or_default()),
            Cell::text(event.reason.clone().unwrap_or_default()),
        ]
    };
    let table = Table {
        columns: vec!["When", "Who", "Act", "Kind", "Record", "What", "Reason"],
        rows: page.items.iter().map(row).collect(),
        empty: "No event that you may see: nothing on record has this code, or nothing was done that fits.",
        next: narrow.next(&asked.place(), page.next),
        filters: asked.fields(&narrow, sees_everybody(&shell)),
        ..Table::default()
    };
    Sheet::new(&shell, "Audit", "Audit events")
        .way(shell.may(Action::ReadAuditLists), "Lists", "/audit/lists")
        .way(shell.may(Action::ReadAuditLists), "Reviews", "/audit/reviews")
        .way(true, "Signed tree heads", "/audit/heads")
        .way(true, "Witnesses", "/audit/witnesses")
        .way(true, "Receipts in this browser", "/receipts")
        .section("list", "", Part::Table(table))
        .help(
            "Every change with who made it, when and why; written by the store itself in the transaction of the change.",
            "ISO/IEC 17025:2017 7.5.2 and 7.11.3; RFC 9162 (the tree that makes tampering evident).",
            "Analysts see their own events, managers and auditors all, administrators no contents.",
        )
        .show()
}

/// A value as people read it: a time in the laboratory's zone, a record by its name.
fn value(shell: &Shell, text: Option<&str>, page: Option<&str>) -> Cell {
    let Some(text) = text else { return Cell::text("nothing") };
    if page.is_some() {
        return linked(shell, text, page);
    }
    let time = chrono::DateTime::parse_from_rfc3339(text).map(|time| time.with_timezone(&chrono::Utc));
    time.map_or_else(|_| Cell::text(text), |time| Cell::text(show::time_with_zone(time)))
}

/// The fields before and after; of a new record those after alone.
fn fields(shell: &Shell, corrects: bool, all: &[Change]) -> Table {
    let rows = all.iter().map(|change| {
        let [before, after] = [(&change.before, &change.places[0]), (&change.after, &change.places[1])]
            .map(|(text, page)| value(shell, text.as_deref(), page.as_deref()));
        let mut row = vec![Cell::text(change.label.clone())];
        if corrects {
            row.push(before);
        }
        row.push(after);
        if corrects {
            row.push(Cell::text(if change.changes() { "changed" } else { "" }));
        }
        row
    });
    let columns = if corrects { vec!["Field", "Before", "After", "Changed"] } else { vec!["Field", "Recorded"] };
    Table { columns, rows: rows.collect(), empty: "Nothing, or not for your role.", ..Table::default() }
}

/// One event: what it is about, its fields before and after, and the rows exactly as hashed.
#[get("/audit/{id}")]
pub(in crate::audit) async fn read_event(
    who_asks: Allowed<ReadAuditTrail>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let event = events::read(&db, who_asks.user(), *id).await?;
    let all = events::fields(&db, &event).await?;
    let corrects = event.before_row.is_some();
    let facts = vec![
        fact("When", Cell::text(show::time_with_zone(event.at))),
        fact("Who", Cell::text(who(&event))),
        fact("From", Cell::text(event.source_address.clone().unwrap_or_default())),
        fact("Act", Cell::text(event.action.replace('_', " "))),
        fact("Kind", Cell::text(event.record_kind.clone())),
        fact("Record", named(&shell, event.record.as_ref())),
        fact("What", Cell::text(event.what.clone().unwrap_or_default())),
        fact("Reason", Cell::text(event.reason.clone().unwrap_or_default())),
        fact("Table and identity", Cell::text(identity(&event))),
        fact("Request", Cell::text(event.request_id.clone().unwrap_or_default())),
        fact("Leaf", Cell::text(event.leaf_hash.clone())),
    ];
    let contents = event.after_row.is_some();
    let row = |text: Option<String>| Part::Words(text.unwrap_or_else(|| "nothing, or not for your role".to_owned()));
    Sheet::new(&shell, "Audit event", event.record_kind.clone())
        .way(true, "Its proof, as a file", format!("/api/v1/audit-events/{}/tlog-proof", event.id))
        .way(contents, "Its bytes, as hashed", format!("/api/v1/audit-events/{}/canonical", event.id))
        .section("about", "About", Part::Facts(facts))
        .section(
            "fields",
            if corrects { "Before and after" } else { "Fields" },
            Part::Table(fields(&shell, corrects, &all)),
        )
        .section("before", "Row before, as hashed", row(event.before_row))
        .section("after", "Row after, as hashed", row(event.after_row))
        .help(
            "One change, exactly as its leaf in the tree was computed from it.",
            "RFC 9162, section 2.1.",
            "Its proof and its bytes, kept together, show for ever that it was recorded (ferrotitre-check event).",
        )
        .show()
}

fn identity(event: &AuditEvent) -> String {
    format!("{} {}", event.entity_kind, event.entity_id.map(|id| id.to_string()).unwrap_or_default())
}
