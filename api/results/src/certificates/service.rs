//! Reading certificates: as they are shown, listed, found by number or symbol, and what happened since to their results.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::certified::{self, Certified};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::{CertificateId, SignOffId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs;
use ferrotitre_base::states::{self, StateMove};
use ferrotitre_base::web::answer::Versioned;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_bench::impacts::store as impacts;
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::certificates::document::{self, Document};
use crate::certificates::steps;
use crate::certificates::store::candidates;
use crate::certificates::store::{self, KIND, ResultRow, Row};
use crate::certificates::wire::{
    CertificateFacts, CertificateLine, CertificateListing, CertificateView, CopyView, DeliveryView, IssueView,
    ResultOnCertificate,
};

pub(super) use crate::certificates::store::candidates::Candidate;

/// Copies downloaded that are shown.
const MOST_COPIES: i64 = 200;
/// Certificates that are read at once where a list is taken out whole.
const AT_ONCE: i64 = 200;
/// Certificates that a list of alerts shows.
const MOST_ALERTS: i64 = 100;

/// What was entered when a version was drawn up.
pub(super) fn facts_of(row: &Row, results: &[Uuid]) -> CertificateFacts {
    CertificateFacts {
        customer: row.customer.clone(),
        customer_address: row.customer_address.clone(),
        results: results.to_vec(),
        specifications: row.specifications.clone(),
        remarks: row.remarks.clone(),
        what_changed: row.what_changed.clone(),
    }
}

/// The issue that holds now, and when it was issued.
pub(super) async fn current(connection: &Connection, rows: &[Row]) -> Result<Option<(Row, DateTime<Utc>)>, Refusal> {
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let known = states::present_many(connection, KIND, &ids).await?;
    let Some(row) = rows.iter().find(|row| known.get(&row.id.0).is_some_and(|state| state == "issued")) else {
        return Ok(None);
    };
    let moves = states::history(connection, row.id.0).await?;
    Ok(steps::issued_at(&moves).map(|at| (row.clone(), at)))
}

/// What the state of an issue means for somebody who holds it.
fn status(row: &Row, state: &str, moves: &[StateMove]) -> String {
    let last = moves.last().and_then(|step| step.reason.clone()).unwrap_or_default();
    match state {
        "issued" => "current".to_owned(),
        "superseded" => format!("amended: {last}"),
        "withdrawn" => format!("withdrawn: {last}"),
        "discarded" => format!("never issued: {last}"),
        _ => format!("draft of issue {}: not a certificate", row.issue),
    }
}

/// What happened to results since they were certified, by issue; those to which nothing did are left out.
async fn marks(connection: &Connection, on_them: &[ResultRow]) -> Result<HashMap<CertificateId, Vec<String>>, Refusal> {
    let results: Vec<Uuid> = on_them.iter().map(|one| one.result_id).collect();
    let signed: Vec<SignOffId> = on_them.iter().map(|one| one.sign_off_id).collect();
    let (touches, moves, codes) = futures_util::try_join!(
        impacts::touching(connection, &signed),
        states::moves_of(connection, &results),
        store::codes(connection, &results)
    )?;
    let mut found: HashMap<CertificateId, Vec<String>> = HashMap::new();
    for one in on_them {
        let code = codes.get(&one.result_id).map_or("", String::as_str);
        let said = found.entry(one.certificate_id).or_default();
        let open = touches.iter().filter(|touch| touch.sign_off == one.sign_off_id && touch.decision.is_none());
        said.extend(open.map(|touch| format!("{code}: {}; nobody has decided yet what that means for it", touch.what)));
        let last = moves.iter().rfind(|step| step.entity_id == one.result_id);
        if let Some(step) = last.filter(|step| step.to_state != "reported") {
            let since = moves.iter().rfind(|step| {
                step.entity_id == one.result_id && matches!(step.to_state.as_str(), "amended" | "invalidated")
            });
            let step = since.unwrap_or(step);
            let why = step.reason.as_ref().map(|reason| format!(": {reason}")).unwrap_or_default();
            said.push(format!("{code} was {} since{why}", step.to_state));
        }
    }
    found.retain(|_, said| !said.is_empty());
    Ok(found)
}

struct Around {
    results: Vec<ResultRow>,
    papers: Vec<(CertificateId, String)>,
}

impl Around {
    fn of(&self, id: CertificateId) -> Vec<&ResultRow> {
        self.results.iter().filter(|one| one.certificate_id == id).collect()
    }

    async fn issue(&self, connection: &Connection, row: Row) -> Result<IssueView, Refusal> {
        let moves = states::history(connection, row.id.0).await?;
        let signed = sign_offs::of(connection, row.id.0).await?;
        let state = moves.last().map_or_else(|| KIND.first_state().to_owned(), |step| step.to_state.clone());
        let results = self.of(row.id);
        let ids: Vec<Uuid> = results.iter().map(|one| one.result_id).collect();
        // A row that somebody changed behind the service's back no longer has the digest that was signed.
        let digest = document::digest(&row.document);
        Ok(IssueView {
            version_id: row.id,
            version: row.version,
            issue: row.issue,
            status: status(&row, &state, &moves),
            state,
            reason: row.reason.clone(),
            facts: facts_of(&row, &ids),
            document: Document::read(&row.document)?,
            pdf_digest: self.papers.iter().find(|(of, _)| *of == row.id).map(|(_, digest)| digest.clone()),
            results: results
                .iter()
                .map(|one| ResultOnCertificate {
                    kind: one.result_kind.clone(),
                    id: one.result_id,
                    sign_off: one.sign_off_id,
                })
                .collect(),
            sign_offs: signed.into_iter().map(|sign| sign.view(&digest, None, false)).collect(),
            moves,
            content_digest: row.content_digest,
            recorded_at: row.recorded_at,
            recorded_by: row.recorded_by,
        })
    }
}

/// A certificate as it is shown.
pub(super) async fn view(connection: &Connection, id: Uuid) -> Result<CertificateView, Refusal> {
    let rows = store::versions(connection, id).await?;
    let ids: Vec<CertificateId> = rows.iter().map(|row| row.id).collect();
    let (results, papers, deliveries, copies) = futures_util::try_join!(
        store::results(connection, &ids),
        store::paper_digests(connection, &ids),
        store::deliveries(connection, &ids),
        store::copies(connection, &ids, MOST_COPIES)
    )?;
    let issue_of = |of: CertificateId| rows.iter().find(|row| row.id == of).map_or(0, |row| row.issue);
    let deliveries = deliveries.into_iter().map(|row| {
        let issue = issue_of(row.certificate_id);
        DeliveryView::of(row, issue)
    });
    let deliveries: Vec<DeliveryView> = deliveries.collect();
    let copies = copies.iter().map(|row| CopyView::of(row, issue_of(row.certificate_id))).collect();
    let around = Around { results, papers };
    let mut issues = Vec::with_capacity(rows.len());
    for row in rows {
        issues.push(around.issue(connection, row).await?);
    }
    let last = issues.last().ok_or_else(|| Refusal::not_found(KIND.noun(), id))?;
    let holds = issues.iter().find(|one| one.state == "issued");
    let on_it: Vec<ResultRow> = holds.iter().flat_map(|one| around.of(one.version_id)).cloned().collect();
    let marks = marks(connection, &on_it).await?.into_values().flatten().collect();
    let signable = Some(last).filter(|one| one.state == "draft").or(holds);
    Ok(CertificateView {
        id,
        number: last.document.number.clone(),
        state: last.state.clone(),
        version_id: last.version_id,
        current_issue: holds.map(|one| one.issue),
        content_digest: signable.map(|one| one.content_digest.clone()),
        marks,
        deliveries,
        copies,
        issues,
    })
}

/// Reads a certificate with all its issues.
pub async fn read(db: &Db, id: Uuid) -> Result<Versioned<CertificateView>, Refusal> {
    let resource = db.snapshot(async |connection| view(connection, id).await).await?;
    Ok(Versioned { tag: resource.version_id.to_string(), resource })
}

/// Every row that a certificate consists of: its versions, what they certify, the documents that went out.
pub async fn rows_of(db: &Db, id: Uuid) -> Result<Vec<Uuid>, Refusal> {
    db.snapshot(async |connection| {
        let versions: Vec<CertificateId> = store::versions(connection, id).await?.iter().map(|row| row.id).collect();
        let mut rows = store::parts(connection, &versions).await?;
        rows.extend(versions.iter().map(|version| version.0));
        Ok(rows)
    })
    .await
}

/// The certificate that a number names, or an identity: its own or that of an issue.
pub async fn named(db: &Db, text: &str) -> Result<CertificateView, Refusal> {
    let text = text.trim().to_ascii_uppercase();
    let found = db.read(async |connection| match text.parse::<Uuid>() {
        Ok(id) => Ok(store::of_version(connection, id).await?),
        Err(_number) => store::by_number(connection, &text).await,
    });
    let id = found.await?.ok_or_else(|| Refusal::not_found(KIND.noun(), &text))?;
    Ok(read(db, id).await?.resource)
}

/// Page that a typed number or the text of a symbol leads to; none if it is neither, or no such certificate is here.
pub async fn place_of(db: &Db, text: &str) -> Result<Option<String>, Refusal> {
    let mut words = text.split_whitespace();
    let number = words.next().unwrap_or_default().to_ascii_uppercase();
    if !number.starts_with("C-") {
        return Ok(None);
    }
    let known = db.read(async |connection| store::by_number(connection, &number).await).await?;
    let after = |word: &str| {
        let mut words = text.split_whitespace().skip_while(|one| *one != word);
        words.nth(1).filter(|value| value.chars().all(|c| c.is_ascii_alphanumeric()))
    };
    let query = match (after("issue"), after("sha256")) {
        (Some(issue), Some(digest)) => format!("?issue={issue}&digest={digest}"),
        (Some(issue), None) => format!("?issue={issue}"),
        _ => String::new(),
    };
    Ok(known.map(|_| format!("/certificates/{number}{query}")))
}

async fn lines(connection: &Connection, rows: Vec<Row>) -> Result<Vec<CertificateLine>, Refusal> {
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let known = states::present_many(connection, KIND, &ids).await?;
    let records: Vec<Uuid> = rows.iter().map(|row| row.record_id).collect();
    let in_force = store::in_force(connection, &records).await?;
    let issued: Vec<CertificateId> = in_force.iter().map(|row| row.id).collect();
    let marks = marks(connection, &store::results(connection, &issued).await?).await?;
    let line = |row: Row| {
        let current = in_force.iter().find(|issue| issue.record_id == row.record_id);
        let document = Document::read(&row.document)?;
        Ok(CertificateLine {
            id: row.record_id,
            version_id: row.id,
            state: known.get(&row.id.0).cloned().unwrap_or_default(),
            current_issue: current.map(|issue| issue.issue),
            marked: current.is_some_and(|issue| marks.contains_key(&issue.id)),
            samples: document.samples.into_iter().map(|sample| sample.code).collect(),
            number: row.number,
            issue: row.issue,
            customer: row.customer,
            recorded_at: row.recorded_at,
            recorded_by: row.recorded_by,
        })
    };
    rows.into_iter().map(line).collect()
}

/// Lists certificates in their latest version, newest first; of a state, the drafts and issues that are in it.
pub async fn list(db: &Db, asked: &CertificateListing) -> Result<Page<CertificateLine>, Refusal> {
    db.snapshot(async |connection| page(connection, asked).await).await
}

/// The same list whole, as it stood at one moment: a page at a time is handed to `take`.
pub async fn whole(
    db: &Db,
    asked: &CertificateListing,
    take: impl Fn(&[CertificateLine]) -> Result<(), Refusal>,
) -> Result<(), Refusal> {
    db.snapshot_once(async |connection| {
        let mut asked = CertificateListing { limit: Some(AT_ONCE), ..asked.clone() };
        loop {
            let page = page(connection, &asked).await?;
            take(&page.items)?;
            asked.after = page.next;
            if page.next.is_none() {
                return Ok(());
            }
        }
    })
    .await
}

async fn page(connection: &Connection, asked: &CertificateListing) -> Result<Page<CertificateLine>, Refusal> {
    let listing = Listing { limit: asked.limit, after: asked.after, from: asked.from, until: asked.until };
    let limit = listing.limit()?;
    if let Some(number) = &asked.number {
        let found = store::by_number(connection, &number.trim().to_ascii_uppercase()).await?;
        let mut rows = match found {
            Some(id) => store::versions(connection, id).await?,
            None => Vec::new(),
        };
        rows.drain(..rows.len().saturating_sub(1));
        return Ok(Page { items: lines(connection, rows).await?, next: None });
    }
    let (rows, next) = match &asked.state {
        Some(state) => {
            let ids = states::in_state(connection, KIND, state, (listing.before(), limit + 1)).await?;
            let page = Page::of(store::several(connection, &ids).await?, limit, |row| row.id.0);
            (page.items, page.next)
        }
        None => {
            let page = Page::of(store::list(connection, &listing, limit + 1).await?, limit, |row| row.record_id);
            (page.items, page.next)
        }
    };
    Ok(Page { items: lines(connection, rows).await?, next })
}

/// Approved results of customers' samples that are on no certificate and no draft of one, the newest so many of each kind:
/// determinations, iron results.
pub async fn to_be_drawn_up(db: &Db, limit: i64) -> Result<[Vec<Uuid>; 2], Refusal> {
    let all = db.read(async |connection| candidates::approved(connection, (None, false), limit).await).await?;
    let of = |kind: EntityKind| all.iter().filter(|one| one.kind == kind.table()).map(|one| one.id).collect();
    Ok([of(EntityKind::Determination), of(EntityKind::IronResult)])
}

/// Results to choose from for a certificate: approved ones, the newest so many of each kind, and those that are on it already.
pub(super) async fn offered(
    db: &Db,
    (sample, on_it): (Option<Uuid>, &[Uuid]),
    limit: i64,
) -> Result<Vec<Candidate>, Refusal> {
    db.snapshot(async |connection| {
        let mut all = candidates::these(connection, on_it).await?;
        let approved = candidates::approved(connection, (sample, true), limit).await?;
        all.extend(approved.into_iter().filter(|one| !on_it.contains(&one.id)));
        Ok(all)
    })
    .await
}

/// Drafts and issues that results are on.
pub async fn of_results(db: &Db, results: &[Uuid]) -> Result<Vec<Certified>, Refusal> {
    db.read(async |connection| certified::of(connection, results).await).await
}

/// What somebody who amends a result is told: the certificate that it went out on.
pub async fn to_be_amended(db: &Db, result: Uuid) -> Result<Vec<String>, Refusal> {
    let issued = of_results(db, &[result]).await?.into_iter().filter(Certified::is_issued);
    let told = issued.map(|one| {
        format!("it went out on certificate {} (issue {}): amend or withdraw that, too", one.number, one.issue)
    });
    Ok(told.collect())
}

/// Issued certificates over results that no longer stand as they were certified.
pub async fn alerts(connection: &Connection) -> Result<Vec<Alert>, Refusal> {
    let rows = store::fallen(connection, MOST_ALERTS).await?;
    let alert = |row: store::Fallen| Alert {
        kind: "certified result changed",
        urgency: Urgency::Now,
        subject_kind: "certificates",
        subject: row.record_id,
        message: format!(
            "{} (issue {}) certifies {}, which is {} now: amend or withdraw the certificate",
            row.number, row.issue, row.code, row.state
        ),
        code: row.number,
        due_at: Some(row.since),
    };
    Ok(rows.into_iter().map(alert).collect())
}
