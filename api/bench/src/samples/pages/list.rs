//! The list of samples: narrowed, put in order.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Kind, words};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Order, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use serde::Deserialize;
use uuid::Uuid;

use super::KIND;
use crate::samples::listing::{self, SampleListing};

/// By what the list is put in order, column by column.
const ORDERS: [&str; 6] = ["code", "", "client", "matrix", "-received", "deadline"];

/// What the page was asked for.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    of: String,
    #[serde(default)]
    state: String,
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
    fn listing(&self) -> Result<SampleListing, Refusal> {
        let days = Narrow::of_days(&self.from, &self.until).listing()?;
        Ok(SampleListing {
            // A list in order is looked at whole.
            limit: Some(if self.sort.is_empty() { 50 } else { 200 }),
            after: self.after,
            from: days.from,
            until: days.until,
            state: given(&self.state),
            of: given(&self.of),
            sort: given(&self.sort),
        })
    }

    /// Where what is listed is, with a `?` or `&` behind it.
    fn address(&self) -> String {
        let all = [("of", &self.of), ("state", &self.state), ("from", &self.from), ("until", &self.until)];
        let query = all.iter().filter(|(_, value)| !value.is_empty());
        let query: String = query.map(|(name, value)| format!("{name}={}&", show::encoded(value))).collect();
        format!("/samples?{query}")
    }

    fn fields(&self) -> Vec<Field> {
        vec![
            Field::new("of", "Sample or client\u{2019}s reference", Kind::Text).optional().value(&self.of),
            Field::new("state", "State now", Kind::List(words(&KIND.states()))).optional().value(&self.state),
            Field::new("from", "Recorded from", Kind::Day).optional().value(&self.from),
            Field::new("until", "to", Kind::Day).optional().value(&self.until),
        ]
    }
}

/// Lists samples, all or those that fit, newest first or in order.
#[get("/samples")]
pub(super) async fn list_samples(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Asked>,
) -> Result<HttpResponse, Problem> {
    let asked = query.0;
    let page = listing::list(&db, &asked.listing()?).await?;
    let rows = page.items.into_iter().map(|view| {
        let deadline = view.facts.iron2_deadline.map(|at| format!("{}, {}", show::time(at), show::until(at)));
        vec![
            Cell::link(view.facts.code, format!("/samples/{}", view.id)),
            Cell::state(view.state),
            Cell::text(view.facts.client_reference),
            Cell::text(view.facts.matrix),
            Cell::text(show::time(view.facts.received_at)),
            Cell::text(deadline.unwrap_or_default()),
        ]
    });
    let address = asked.address();
    let sort = given(&asked.sort).map(|sort| format!("sort={}&", show::encoded(&sort))).unwrap_or_default();
    let narrowed = address != "/samples?";
    let table = Table {
        columns: vec!["Sample", "State", "Client\u{2019}s reference", "Matrix", "Received", "Iron(II) until"],
        rows: rows.collect(),
        empty: if narrowed { "None that fits." } else { "No sample yet." },
        next: page.next.map(|next| format!("{address}{sort}after={next}")),
        filters: asked.fields(),
        orders: Order::of(&ORDERS, &asked.sort, &address),
    };
    Sheet::new(&shell, "Samples", "Samples")
        .way(shell.may(Action::RegisterSamples), "Register and take portions", "/samples/with-portions")
        .way(shell.may(Action::RegisterSamples), "Register a sample", "/samples/new")
        .way(shell.may(Action::RegisterSamples), "Import a list", "/samples/import")
        .way(true, "Labels", "/labels?kind=samples")
        .section("list", "", Part::Table(table))
        .help(
            "What came in, in which condition, and how long iron(II) keeps in it.",
            "ISO/IEC 17025:2017 7.4 (handling of test items).",
            "Register it, take a test portion, determine.",
        )
        .show()
}
