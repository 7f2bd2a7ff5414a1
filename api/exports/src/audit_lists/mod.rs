//! Lists of the audit trail as files.

pub(super) mod handlers;

use chrono::{DateTime, SecondsFormat, Utc};
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_ledger::audit::lists::{self, AuditListRow, AuditListing, Of};
use serde_json::json;

use crate::audit_lists::handlers::AuditListExport;
use crate::service::{Handed, put_on_record, said};
use crate::spool::{Cell, Spool};
use crate::tables::time;

/// Rows that are read at once; what is held in memory does not grow with the export.
const AT_ONCE: i64 = 200;

const COLUMNS: &[&str] = &[
    "recorded_at",
    "kind",
    "record",
    "what",
    "cause",
    "evidence",
    "by",
    "source_address",
    "decision",
    "decided_by",
    "decided_at",
    "results_touched",
    "results",
    "concession",
    "page",
    "event",
    "id",
];

fn row(of: &AuditListRow) -> Vec<Cell<'_>> {
    let record = of.record.as_ref();
    let results: Vec<&str> = of.results.iter().map(|result| result.name.as_str()).collect();
    vec![
        time(of.recorded_at),
        record.map(|record| record.kind.as_str()).into(),
        record.map(|record| record.name.as_str()).into(),
        of.what.as_str().into(),
        of.cause.as_deref().into(),
        of.evidence.as_deref().into(),
        of.by.as_deref().into(),
        of.source_address.as_deref().into(),
        of.decision.as_deref().into(),
        of.decided_by.as_deref().into(),
        of.decided_at.map_or(Cell::Empty, time),
        of.results_touched.and_then(|count| i32::try_from(count).ok()).into(),
        results.join("; ").into(),
        of.concession.as_ref().map(|concession| concession.name.as_str()).into(),
        record.and_then(|record| record.page.as_deref()).into(),
        of.event.to_string().into(),
        of.id.to_string().into(),
    ]
}

impl AuditListExport {
    /// The query in words, as it is put on record.
    fn words(&self, of: Of) -> String {
        let time = |at: &DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Micros, true);
        let parts = [
            self.from.as_ref().map(|at| format!("from {}", time(at))),
            self.until.as_ref().map(|at| format!("until {}", time(at))),
            self.account.as_ref().map(|account| format!("of the account {account}")),
            self.address.as_ref().map(|address| format!("from the address {address}")),
        ];
        let parts: Vec<String> = std::iter::once(of.text().to_owned()).chain(parts.into_iter().flatten()).collect();
        parts.join(", ")
    }
}

pub(super) async fn table(db: &Db, act: &Act, of: &str, asked: &AuditListExport) -> Result<Handed, Refusal> {
    let of = lists::named(of)?;
    let listing = AuditListing {
        limit: Some(AT_ONCE),
        after: None,
        from: asked.from,
        until: asked.until,
        account: asked.account.clone(),
        address: asked.address.clone(),
    };
    let mut spool = Spool::new(asked.format, COLUMNS)?;
    let mut rows = 0_u64;
    lists::whole(db, of, &listing, |page| {
        rows += page.len() as u64;
        page.iter().try_for_each(|one| spool.row(&row(one)))
    })
    .await?;
    let counts = json!({ "rows": rows });
    let query = asked.words(of);
    let said = said(db, &query).await?;
    let file = spool.finish(&[("counts", counts.clone())], &json!(said))?;
    put_on_record(db, act, ("audit list", query, asked.format.text()), (&file.digest, i64::from(file.rows))).await?;
    Ok(Handed { name: of.text().to_owned(), size: file.size()?, file, counts: Some(counts.to_string()) })
}
