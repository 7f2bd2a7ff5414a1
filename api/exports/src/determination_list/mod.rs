//! The list of determinations as a file: what the page shows, whole.

pub(super) mod handlers;

use std::cell::RefCell;
use std::collections::BTreeMap;

use chrono::{DateTime, SecondsFormat, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::exports_own_data_only;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_results::determinations::listing::{self, DeterminationLine, DeterminationListing};
use serde::Serialize;
use serde_json::json;

use crate::determination_list::handlers::DeterminationListExport;
use crate::service::{Handed, put_on_record, said};
use crate::spool::{Cell, Spool};
use crate::tables::time;

impl DeterminationListExport {
    fn listing(&self) -> DeterminationListing {
        DeterminationListing {
            from: self.from,
            until: self.until,
            run: self.run,
            sample: self.sample,
            state: self.state.clone(),
            method: self.method.clone(),
            analyst: self.analyst.clone(),
            purpose: self.purpose.clone(),
            of: self.of.clone(),
            ..DeterminationListing::default()
        }
    }

    /// The query in words, as it is put on record.
    fn words(&self, own: Option<&str>) -> String {
        let time = |at: &DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Micros, true);
        let parts = [
            self.from.as_ref().map(|at| format!("from {}", time(at))),
            self.until.as_ref().map(|at| format!("until {}", time(at))),
            self.run.map(|id| format!("run {id}")),
            self.sample.map(|id| format!("sample {id}")),
            self.state.as_ref().map(|state| format!("in the state {state}")),
            self.method.as_ref().map(|code| format!("by method {code}")),
            self.analyst.as_ref().map(|begins| format!("begun by {begins}")),
            self.purpose.as_ref().map(|purpose| format!("purpose {purpose}")),
            self.of.as_ref().map(|begins| format!("of samples or references that begin with {begins}")),
            own.map(|person| format!("opened or titrated by {person}")),
        ];
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        if parts.is_empty() {
            "all determinations, a line each".to_owned()
        } else {
            format!("a line each, {}", parts.join(", "))
        }
    }
}

const COLUMNS: &[&str] = &[
    "code",
    "state",
    "titres",
    "sample",
    "client_reference",
    "purpose",
    "method",
    "analyte",
    "result",
    "expanded_uncertainty",
    "coverage_factor",
    "unit",
    "conformity",
    "analyst",
    "begun_at",
    "recorded_at",
    "id",
];

fn row(of: &DeterminationLine) -> Vec<Cell<'_>> {
    let conformity: Vec<String> =
        of.conformity.iter().map(|one| format!("{}: {}", one.specification, one.outcome)).collect();
    let reported = of.reported.as_ref();
    vec![
        of.code.as_str().into(),
        of.state.as_str().into(),
        of.outcome.into(),
        of.sample_code.as_str().into(),
        of.client_reference.as_str().into(),
        of.purpose.as_str().into(),
        of.method_code.as_str().into(),
        of.analyte.as_str().into(),
        reported.map(|figure| figure.text.as_str()).into(),
        reported.filter(|figure| !figure.below_loq).map(|figure| figure.expanded_uncertainty.as_str()).into(),
        reported.filter(|figure| !figure.below_loq).map(|figure| figure.coverage_factor).into(),
        reported.map(|figure| figure.unit).into(),
        conformity.join("; ").into(),
        of.analyst.as_str().into(),
        time(of.observed_at),
        time(of.recorded_at),
        of.id.to_string().into(),
    ]
}

/// What there is, so that a missing row shows.
#[derive(Debug, Default, Serialize)]
struct Counts {
    rows: u64,
    by_state: BTreeMap<String, u64>,
    without_result: u64,
}

impl Counts {
    fn take(&mut self, of: &DeterminationLine) {
        self.rows += 1;
        *self.by_state.entry(of.state.clone()).or_default() += 1;
        self.without_result += u64::from(of.reported.is_none());
    }
}

pub(super) async fn table(
    db: &Db,
    (act, user): (&Act, &CurrentUser),
    asked: &DeterminationListExport,
) -> Result<Handed, Refusal> {
    let own = exports_own_data_only(&user.roles).then_some(user.account);
    let taken = RefCell::new((Spool::new(asked.format, COLUMNS)?, Counts::default()));
    let take = |lines: &[DeterminationLine]| {
        let (spool, counts) = &mut *taken.borrow_mut();
        lines.iter().try_for_each(|line| {
            counts.take(line);
            spool.row(&row(line))
        })
    };
    listing::whole(db, &asked.listing(), own, take).await?;
    let (spool, counts) = taken.into_inner();
    let counts = json!(counts);
    let query = asked.words(own.map(|_| user.code.as_str()));
    let said = said(db, &query).await?;
    let file = spool.finish(&[("counts", counts.clone())], &json!(said))?;
    let record = ("determination list", query, asked.format.text());
    put_on_record(db, act, record, (&file.digest, i64::from(file.rows))).await?;
    Ok(Handed { name: "determination-list".to_owned(), size: file.size()?, file, counts: Some(counts.to_string()) })
}
