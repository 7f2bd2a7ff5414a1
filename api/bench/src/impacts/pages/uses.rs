//! Where things were used, and what people did.

use actix_web::{HttpResponse, get, web};
use chrono::SecondsFormat;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Field, Kind};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use serde::Deserialize;
use uuid::Uuid;

use crate::impacts::pages::path_of;
use crate::impacts::uses::{self, UseListing, UseView, WhereUsed};

/// Days that narrow the list; left empty on the page, they come as empty words.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Asked {
    from: String,
    until: String,
    used_from: String,
    used_until: String,
    after: Option<Uuid>,
}

impl Asked {
    fn listing(&self) -> Result<UseListing, Problem> {
        let signed = Narrow::of_days(&self.from, &self.until).listing()?;
        let used = Narrow::of_days(&self.used_from, &self.used_until).listing()?;
        Ok(UseListing {
            limit: None,
            after: self.after,
            from: signed.from,
            until: signed.until,
            used_from: used.from,
            used_until: used.until,
        })
    }

    fn days(&self) -> [(&'static str, &'static str, &str); 4] {
        [
            ("from", "Signed from", &self.from),
            ("until", "to", &self.until),
            ("used_from", "Used from", &self.used_from),
            ("used_until", "to", &self.used_until),
        ]
    }

    fn fields(&self) -> Vec<Field> {
        self.days().map(|(name, label, value)| Field::new(name, label, Kind::Day).optional().value(value)).into()
    }

    /// The days again, for the next page.
    fn again(&self) -> String {
        let given = self.days().into_iter().filter(|(_, _, value)| !value.is_empty());
        given.map(|(name, _, value)| format!("&{name}={}", show::encoded(value))).collect()
    }
}

/// The same list as a file.
fn query(listing: &UseListing) -> String {
    let times = [
        ("from", listing.from),
        ("until", listing.until),
        ("used_from", listing.used_from),
        ("used_until", listing.used_until),
    ];
    let given = times.into_iter().filter_map(|(name, at)| Some((name, at?)));
    given.map(|(name, at)| format!("&{name}={}", at.to_rfc3339_opts(SecondsFormat::Secs, true))).collect()
}

fn kind(table: &str) -> &'static str {
    EntityKind::ALL.into_iter().find(|kind| kind.table() == table).map_or("", EntityKind::noun)
}

fn row(one: &UseView) -> Vec<Cell> {
    vec![
        match path_of(&one.kind, one.shown_at) {
            Some(path) => Cell::link(one.code.clone(), path),
            None => Cell::text(one.code.clone()),
        },
        Cell::text(kind(&one.kind)),
        Cell::state(one.state.clone()),
        Cell::text(show::time(one.used_at)),
        Cell::text(show::time(one.signed_at)),
        Cell::text(if one.stands { "" } else { "no longer stands" }),
    ]
}

/// The hypothesis that lies near.
fn what_if(found: &WhereUsed, path: &str) -> String {
    let id = path.rsplit('/').next().unwrap_or_default();
    match found.kind.as_deref() {
        Some("primary_standards") => format!("/what-if?standard={id}"),
        Some("equipment_calibrations") => format!("/what-if?calibration={id}"),
        Some("titrant_factors") => format!("/what-if?factor={id}"),
        Some("equipment") if found.burette => format!("/what-if?without_burette={id}"),
        // What is left out needs no figure: the answer at once.
        Some("titrants") => format!("/what-if/answer?without_titrant={id}"),
        Some("accounts") => format!("/what-if/answer?without_person={id}"),
        _ => "/what-if".to_owned(),
    }
}

fn list(
    shell: &Shell,
    found: &WhereUsed,
    (path, asked, listing): (&str, &Asked, &UseListing),
    title: String,
) -> Result<HttpResponse, Problem> {
    let query = query(listing);
    let table = Table {
        columns: vec!["Result", "Kind", "State", "Last used", "Signed", ""],
        rows: found.items.iter().map(row).collect(),
        empty: "No signature stands over it.",
        filters: asked.fields(),
        next: found.next.map(|next| format!("{path}?after={next}{}", asked.again())),
        ..Table::default()
    };
    let exports = |format: &str| format!("/api/v1/exports{path}?format={format}{query}");
    let takes = shell.may(Action::ExportLookBacks);
    Sheet::new(shell, "Look-back", title)
        .lead(format!("{} signatures, in whatever version it was; each result is shown as it was signed.", found.count))
        .way(true, "What if", what_if(found, path))
        .section("list", "Signed results", Part::Table(table))
        .section_way(takes, "CSV", exports("csv"))
        .section_way(takes, "JSON", exports("json"))
        .section_way(takes, "Workbook", exports("xlsx"))
        .help(
            "Every signed result that rests on one thing or person, with the number that shows the list is complete.",
            "ISO/IEC 17025:2017 7.10.1: the impact on earlier results is looked into.",
            "Open a result to see what has touched it since its signature, or ask what it would come to under a hypothesis.",
        )
        .show()
}

/// Where a thing was used, or what a person took part in.
#[get("/where-used/{id}")]
pub(super) async fn read_uses(
    who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<Asked>,
) -> Result<HttpResponse, Problem> {
    let listing = asked.0.listing()?;
    let found = uses::read(&db, who.user(), Some(*id), &listing).await?;
    let title = format!("Where {} was used", found.of.as_deref().unwrap_or("it"));
    list(&shell, &found, (&format!("/where-used/{id}"), &asked.0, &listing), title)
}

/// Signed results of a stretch of time.
#[get("/where-used")]
pub(super) async fn read_uses_of_a_time(
    who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    asked: Params<Asked>,
) -> Result<HttpResponse, Problem> {
    let listing = asked.0.listing()?;
    let found = uses::read(&db, who.user(), None, &listing).await?;
    let title = "Signed results of a time".to_owned();
    list(&shell, &found, ("/where-used", &asked.0, &listing), title)
}
