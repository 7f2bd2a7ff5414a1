//! The list of certificates of analysis as a file: what is in force, what is a draft, and what something happened to since.

pub(super) mod handlers;

use std::cell::RefCell;
use std::collections::{BTreeMap, HashSet};

use chrono::{DateTime, SecondsFormat, Utc};
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_results::certificates::service as certificates;
use ferrotitre_results::certificates::store::KIND;
use ferrotitre_results::certificates::wire::{CertificateLine, CertificateListing};
use serde::Serialize;
use serde_json::json;
use uuid::Uuid;

use crate::certificates::handlers::CertificateExport;
use crate::service::{Handed, put_on_record, said};
use crate::spool::{Cell, Spool};
use crate::tables::time;

impl CertificateExport {
    fn listing(&self) -> Result<CertificateListing, Refusal> {
        let mut errors = FieldErrors::default();
        if let Some(state) = &self.state {
            let states = KIND.states();
            let message = format!("must be one of {}", states.join(", "));
            errors.require(states.contains(&state.as_str()), "state", "one_of", message, state);
            for (field, at) in [("from", self.from), ("until", self.until)] {
                let given = at.map(|at| at.to_rfc3339()).unwrap_or_default();
                errors.require(at.is_none(), field, "alone", "must be left out where a state is given", given);
            }
        }
        errors.check()?;
        let state = self.state.clone();
        Ok(CertificateListing { from: self.from, until: self.until, state, ..CertificateListing::default() })
    }

    /// The query in words, as it is put on record.
    fn words(&self) -> String {
        let time = |at: &DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Micros, true);
        let parts = [
            self.state.as_ref().map(|state| format!("in the state {state}")),
            self.from.as_ref().map(|at| format!("drawn up from {}", time(at))),
            self.until.as_ref().map(|at| format!("drawn up before {}", time(at))),
        ];
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        if parts.is_empty() { "all certificates".to_owned() } else { format!("certificates {}", parts.join(", ")) }
    }
}

const COLUMNS: &[&str] = &[
    "number",
    "issue",
    "state",
    "issue_in_force",
    "customer",
    "samples",
    "since_issue",
    "drawn_up_at",
    "drawn_up_by",
    "id",
    "version_id",
];

fn row(of: &CertificateLine) -> Vec<Cell<'_>> {
    vec![
        of.number.as_str().into(),
        of.issue.into(),
        of.state.as_str().into(),
        of.current_issue.into(),
        of.customer.as_str().into(),
        of.samples.join("; ").into(),
        if of.marked { "a result is affected" } else { "" }.into(),
        time(of.recorded_at),
        of.recorded_by.to_string().into(),
        of.id.to_string().into(),
        of.version_id.to_string().into(),
    ]
}

/// What there is, so that a missing row shows.
#[derive(Debug, Default, Serialize)]
struct Counts {
    rows: u64,
    by_state: BTreeMap<String, u64>,
    in_force: u64,
    affected: u64,
    #[serde(skip)]
    seen: HashSet<Uuid>,
}

impl Counts {
    fn take(&mut self, of: &CertificateLine) {
        self.rows += 1;
        *self.by_state.entry(of.state.clone()).or_default() += 1;
        // By state a certificate is listed with every version in it, and is counted once.
        if self.seen.insert(of.id) {
            self.in_force += u64::from(of.current_issue.is_some());
            self.affected += u64::from(of.marked);
        }
    }
}

pub(super) async fn table(db: &Db, act: &Act, asked: &CertificateExport) -> Result<Handed, Refusal> {
    let listing = asked.listing()?;
    let taken = RefCell::new((Spool::new(asked.format, COLUMNS)?, Counts::default()));
    let take = |lines: &[CertificateLine]| {
        let (spool, counts) = &mut *taken.borrow_mut();
        lines.iter().try_for_each(|line| {
            counts.take(line);
            spool.row(&row(line))
        })
    };
    certificates::whole(db, &listing, take).await?;
    let (spool, counts) = taken.into_inner();
    let counts = json!(counts);
    let query = asked.words();
    let said = said(db, &query).await?;
    let file = spool.finish(&[("counts", counts.clone())], &json!(said))?;
    let record = ("certificates", query, asked.format.text());
    put_on_record(db, act, record, (&file.digest, i64::from(file.rows))).await?;
    Ok(Handed { name: "certificates".to_owned(), size: file.size()?, file, counts: Some(counts.to_string()) })
}
