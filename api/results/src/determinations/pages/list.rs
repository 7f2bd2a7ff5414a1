//! The list of determinations: narrowed, put in order, exported as it is seen.

use actix_web::{HttpResponse, get, web};
use chrono::{DateTime, SecondsFormat, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::methods::service as methods;
use ferrotitre_bench::samples::samples;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Kind, words};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Order, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use serde::Deserialize;
use uuid::Uuid;

use crate::determinations::listing::{DeterminationLine, DeterminationListing};
use crate::determinations::service;
use crate::determinations::store::IronResultRow;

/// Columns of [`rows`].
pub const COLUMNS: [&str; 10] = [
    "Determination",
    "State",
    "Titres",
    "Sample",
    "Client\u{2019}s reference",
    "Method",
    "Result",
    "Conformity",
    "Analyst",
    "Begun",
];

/// By what a list is put in order, column by column; the result by its value, largest first at first.
const ORDERS: [&str; 10] = ["code", "state", "", "sample", "client", "method", "-result", "", "analyst", "-begun"];

/// Lines of a list, with the names of what they belong to.
pub async fn rows(shell: &Shell, db: &Db, lines: &[DeterminationLine]) -> Result<Vec<Vec<Cell>>, Refusal> {
    let ids: Vec<Uuid> = lines.iter().map(|line| line.method.0).collect();
    let methods = labels::of(db, EntityKind::Method, &ids).await?;
    let row = |line: &DeterminationLine| {
        let purpose = if line.purpose == "control" { " (control)" } else { "" };
        // Nothing is said of what there is no result of.
        let said = line.conformity.iter().filter(|_| line.reported.is_some());
        let conformity: Vec<String> = said.map(|one| format!("{} {}", one.specification, one.outcome)).collect();
        vec![
            Cell::link(line.code.clone(), format!("/determinations/{}", line.id)),
            Cell::state(line.state.clone()),
            Cell::state(line.outcome),
            Cell::link(line.sample_code.clone(), format!("/samples/{}", line.sample)),
            Cell::text(format!("{}{purpose}", line.client_reference)),
            Cell::text(methods.get(&line.method.0).cloned().unwrap_or_default()),
            Cell::number(line.reported.as_ref().map(|of| shell.n(of.stated())).unwrap_or_default()),
            Cell::text(conformity.join("; ")),
            Cell::text(line.analyst.clone()),
            Cell::text(show::time(line.observed_at)),
        ]
    };
    Ok(lines.iter().map(row).collect())
}

/// Iron results in a state among them; their figure stands on their page.
pub async fn result_rows(db: &Db, results: Vec<IronResultRow>, state: &str) -> Result<Vec<Vec<Cell>>, Refusal> {
    let samples: Vec<Uuid> = results.iter().map(|row| row.sample_id).collect();
    let people: Vec<Uuid> = results.iter().map(|row| row.recorded_by.0).collect();
    let told = samples::told_now(db, &samples).await?;
    let names = labels::of(db, EntityKind::Account, &people).await?;
    let row = |row: IronResultRow| {
        let sample = told.get(&row.sample_id).cloned().unwrap_or_default();
        vec![
            Cell::link(row.code, format!("/iron-results/{}", row.id)),
            Cell::state(state),
            Cell::default(),
            Cell::link(sample.code, format!("/samples/{}", row.sample_id)),
            Cell::text(sample.client_reference),
            Cell::text("iron(III) by difference"),
            Cell::default(),
            Cell::default(),
            Cell::text(names.get(&row.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(show::time(row.observed_at)),
        ]
    };
    Ok(results.into_iter().map(row).collect())
}

/// What the page was asked for.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    of: String,
    #[serde(default)]
    state: String,
    #[serde(default)]
    method: String,
    #[serde(default)]
    analyst: String,
    #[serde(default)]
    purpose: String,
    #[serde(default)]
    from: String,
    #[serde(default)]
    until: String,
    #[serde(default)]
    sort: String,
    after: Option<Uuid>,
}

fn given(text: &str) -> Option<String> {
    Some(text.trim().to_owned()).filter(|text| !text.is_empty())
}

impl Asked {
    fn listing(&self) -> Result<DeterminationListing, Refusal> {
        let days = Narrow::of_days(&self.from, &self.until).listing()?;
        Ok(DeterminationListing {
            // A list in order is looked at whole.
            limit: Some(if self.sort.is_empty() { 50 } else { 200 }),
            after: self.after,
            from: days.from,
            until: days.until,
            state: given(&self.state),
            method: given(&self.method),
            analyst: given(&self.analyst),
            purpose: given(&self.purpose),
            of: given(&self.of),
            sort: given(&self.sort),
            ..DeterminationListing::default()
        })
    }

    /// Parts of the address that say what is listed, each with a `&` behind it.
    fn query(&self) -> String {
        let all = [
            ("of", &self.of),
            ("state", &self.state),
            ("method", &self.method),
            ("analyst", &self.analyst),
            ("purpose", &self.purpose),
            ("from", &self.from),
            ("until", &self.until),
        ];
        let query = all.iter().filter(|(_, value)| !value.is_empty());
        query.map(|(name, value)| format!("{name}={}&", show::encoded(value))).collect()
    }

    /// The same for the file, which takes moments in the place of days.
    fn exported(&self) -> Result<String, Refusal> {
        let days = Narrow::of_days(&self.from, &self.until).listing()?;
        let time = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Secs, true);
        let moments = [("from", days.from.map(time)), ("until", days.until.map(time))];
        let moments = moments.into_iter().filter_map(|(name, at)| Some(format!("{name}={}&", show::encoded(&at?))));
        let rest = Self { from: String::new(), until: String::new(), ..self.clone() };
        Ok(rest.query() + &moments.collect::<String>())
    }

    async fn fields(&self, db: &Db) -> Result<Vec<Field>, Refusal> {
        let mut codes: Vec<String> = methods::in_force(db).await?.into_iter().map(|method| method.facts.code).collect();
        // A method that is not in force any longer stays chosen.
        codes.extend(given(&self.method));
        codes.sort_unstable();
        codes.dedup();
        let methods = codes.iter().map(|code| Choice::thing(code, code, "")).collect();
        Ok(vec![
            Field::new("of", "Sample or client\u{2019}s reference", Kind::Text).optional().value(&self.of),
            Field::new("method", "Method", Kind::List(methods)).optional().value(&self.method),
            Field::new("state", "State now", Kind::List(words(&EntityKind::Determination.states())))
                .optional()
                .value(&self.state),
            Field::new("analyst", "Analyst", Kind::Text).optional().value(&self.analyst),
            Field::new("purpose", "Purpose", Kind::List(words(&["sample", "control"]))).optional().value(&self.purpose),
            Field::new("from", "Recorded from", Kind::Day).optional().value(&self.from),
            Field::new("until", "to", Kind::Day).optional().value(&self.until),
        ])
    }

    /// How much of what was asked for stands here.
    fn lead(&self, more: bool) -> &'static str {
        match (self.sort.is_empty(), more) {
            (true, _) => "",
            (false, false) => "All that fit, in order.",
            (false, true) => "The newest 200 that fit, in order. Narrow the list to see all in one order.",
        }
    }
}

/// Lists determinations, all or those that fit, newest first or in order.
#[get("/determinations")]
pub(super) async fn list_determinations(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Asked>,
) -> Result<HttpResponse, Problem> {
    let asked = query.0;
    let page = service::list(&db, &asked.listing()?).await?;
    let sort = if asked.sort.is_empty() { String::new() } else { format!("sort={}&", show::encoded(&asked.sort)) };
    let table = Table {
        columns: COLUMNS.to_vec(),
        rows: rows(&shell, &db, &page.items).await?,
        empty: "None that fits.",
        next: page.next.map(|next| format!("/determinations?{}{sort}after={next}", asked.query())),
        filters: asked.fields(&db).await?,
        orders: Order::of(&ORDERS, &asked.sort, &format!("/determinations?{}", asked.query())),
    };
    let exported = format!("/api/v1/exports/determination-list?{}format=xlsx", asked.exported()?);
    Sheet::new(&shell, "Determinations", "Determinations")
        .lead(asked.lead(page.next.is_some()))
        .way(shell.may(Action::ExportRecords) && !page.items.is_empty(), "Export this list", exported)
        .way(shell.may(Action::ReadReadingHabits), "Reading habits", "/reading-habits")
        .section("list", "", Part::Table(table))
        .help(
            "One analyte form in one test portion, with every titration ever made for it.",
            "ISO/IEC 17025:2017 7.5 (technical records) and 7.7 (validity of results).",
            "Submitted ones wait for a review by somebody else, reviewed ones for a manager's approval.",
        )
        .show()
}
