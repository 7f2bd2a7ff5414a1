//! Authorisation, by which a certificate is issued, and withdrawal; both signed.

use chrono::{DateTime, Timelike as _, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{AccountId, CertificateCopyId, CertificateDeliveryId, MethodId};
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::states::{self, NewMove, reason_given};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::words;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::paper::written;
use ferrotitre_ledger::accounts::signing;
use ferrotitre_ledger::audit::service as audit;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::budgets::service as budgets;
use crate::certificates::document::Document;
use crate::certificates::store::{self, CopyRow, DeliveryRow, KIND, Row};
use crate::certificates::wire::NewDelivery;
use crate::certificates::{drawing, gather, paper, service};
use crate::determinations::certifying::Certifiable;

/// The sentence of whoever authorises.
const AUTHORISED: &str = "I authorise this certificate for issue";
/// The sentence of whoever withdraws.
const WITHDRAWN: &str = "this certificate is withdrawn, for the reason given";

async fn advance(
    connection: &Connection,
    act: &Act,
    (kind, id): (EntityKind, Uuid),
    to: &str,
    reason: Option<String>,
) -> Result<(), Refusal> {
    let asked = NewMove { to: to.to_owned(), reason };
    states::advance(connection, act, kind, id, &asked, None).await.map(drop)
}

/// The draft to be issued, held with everything on it, and what it would say if it were drawn up now.
struct Draft {
    rows: Vec<Row>,
    row: Row,
    document: Document,
    results: Vec<Certifiable>,
}

impl Draft {
    /// Method versions of the results that it makes statements of conformity on.
    fn judged_by(&self) -> Vec<MethodId> {
        let stated: Vec<&str> = self
            .document
            .results
            .iter()
            .filter(|one| !one.conformity.is_empty())
            .map(|one| one.code.as_str())
            .collect();
        let judged = self.results.iter().filter(|one| stated.contains(&one.code.as_str()));
        judged.flat_map(|one| one.methods.iter().map(|method| method.id)).collect()
    }

    async fn held(connection: &Connection, id: Uuid) -> Result<Self, Refusal> {
        // What a version is of never changes, so it can be read before anything is held.
        let before = store::versions(connection, id).await?;
        let latest = before.last().ok_or_else(|| Refusal::not_found(KIND.noun(), id))?;
        let on_it = store::results(connection, &[latest.id]).await?;
        let ids: Vec<Uuid> = on_it.iter().map(|one| one.result_id).collect();
        let named = gather::named(connection, &ids).await?;
        gather::held(connection, Some(id), &named).await?;
        let rows = store::versions(connection, id).await?;
        let row = rows.last().cloned().ok_or_else(|| Refusal::not_found(KIND.noun(), id))?;
        let state = states::present(connection, KIND, row.id.0).await?.state;
        if row.id != latest.id || state != "draft" {
            let detail =
                format!("{} (issue {}) is {state}: only the latest draft is authorised", row.number, row.issue);
            return Err(Refusal::new(Code::StateConflict, detail));
        }
        let replaces = Document::read(&row.document)?.replaces;
        let replaces = replaces.map(|of| (of.issue, of.issued_at, of.reason));
        let facts = service::facts_of(&row, &ids);
        let of = (row.number.as_str(), row.issue);
        let (document, _, results) = drawing::drawn(connection, of, replaces.as_ref(), (&facts, named)).await?;
        Ok(Self { rows, row, document, results })
    }

    /// Whoever had a hand in this issue or in a result on it.
    fn parties(&self) -> (Vec<AccountId>, Vec<AccountId>) {
        let drafts = self.rows.iter().filter(|row| row.issue == self.row.issue);
        let drew_up = drafts.map(|row| row.recorded_by).collect();
        (drew_up, self.results.iter().flat_map(|one| one.parties.iter().copied()).collect())
    }
}

/// Authorises a draft: it is issued, its results are reported, its document is kept, and the issue before no longer holds. All of
/// it, or nothing.
pub async fn authorise(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    id: Uuid,
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    // Before the transaction, which needs no second connection; the certificate is under a later head.
    let head = audit::head(db).await?;
    db.write(act, async |connection| {
        let draft = Draft::held(connection, id).await?;
        let (row, (text, digest)) = (&draft.row, draft.document.frozen()?);
        sign_offs::seen(&signature, &row.content_digest, || serde_json::json!([]))?;
        let (drew_up, parties) = draft.parties();
        let detail = "you drew this certificate up; somebody else authorises it";
        signing::not_a_party(connection, user.account, &drew_up, detail).await?;
        let detail = "you had a hand in a result on this certificate; somebody else authorises it";
        signing::not_a_party(connection, user.account, &parties, detail).await?;
        if digest != row.content_digest || text != row.document {
            let detail = "the records behind it have changed since it was drafted (a result, its sample, a specification or the laboratory): redraft it";
            return Err(Refusal::new(Code::StateConflict, detail));
        }
        budgets::may_judge(connection, &draft.judged_by()).await?;
        if let Some((current, _)) = service::current(connection, &draft.rows).await? {
            let reason = format!("replaced by issue {}", row.issue);
            advance(connection, act, (KIND, current.id.0), "superseded", Some(reason)).await?;
        }
        advance(connection, act, (KIND, row.id.0), "issued", None).await?;
        for one in &draft.results {
            if states::present(connection, one.kind, one.id).await?.state == "approved" {
                advance(connection, act, (one.kind, one.id), "reported", None).await?;
            }
        }
        let content = Content { kind: KIND, id: row.id.0, digest: &digest, evaluation: None };
        let said = (Meaning::Approved, AUTHORISED);
        let made = sign_offs::sign_saying(connection, user, said, content, &signature).await?;
        let issued = paper::Issued { by: made.printed_name, at: made.recorded_at, digest: digest.clone() };
        let pdf = written(paper::certificate(&draft.document, &digest, Some(&issued), head.as_ref())?).await?;
        let pdf_digest = hex::encode(Sha256::digest(&pdf));
        store::keep_paper(connection, row.id, (&pdf, &pdf_digest), user.account).await?;
        service::view(connection, id).await
    })
    .await
}

/// Withdraws the issue that holds, with a reason. It is not issued again; a draft that was to replace it is given up.
pub async fn withdraw(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    id: Uuid,
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    reason_given("reason", signature.reason.as_deref())?;
    db.write(act, async |connection| {
        hold(connection, &[Held::Certificate(id)]).await?;
        let rows = store::versions(connection, id).await?;
        let last = rows.last().ok_or_else(|| Refusal::not_found(KIND.noun(), id))?;
        let Some((current, _)) = service::current(connection, &rows).await? else {
            let state = states::present(connection, KIND, last.id.0).await?.state;
            let detail = format!("{} is {state}: only an issue in force can be withdrawn", last.number);
            return Err(Refusal::new(Code::StateConflict, detail));
        };
        sign_offs::seen(&signature, &current.content_digest, || serde_json::json!([]))?;
        advance(connection, act, (KIND, current.id.0), "withdrawn", signature.reason.clone()).await?;
        if states::present(connection, KIND, last.id.0).await?.state == "draft" {
            let reason = Some(format!("issue {} was withdrawn", current.issue));
            advance(connection, act, (KIND, last.id.0), "discarded", reason).await?;
        }
        let content = Content { kind: KIND, id: current.id.0, digest: &current.content_digest, evaluation: None };
        let said = (Meaning::Rejected, WITHDRAWN);
        sign_offs::sign_saying(connection, user, said, content, &signature).await?;
        service::view(connection, id).await
    })
    .await
}

/// The version of an issue that went out.
fn issue_of(rows: &[Row], papers: &[(ferrotitre_base::ids::CertificateId, String)], issue: i32) -> Option<Row> {
    let out = |row: &&Row| row.issue == issue && papers.iter().any(|(of, _)| *of == row.id);
    rows.iter().rfind(out).cloned()
}

async fn went_out(connection: &Connection, id: Uuid, issue: i32) -> Result<Row, Refusal> {
    let rows = store::versions(connection, id).await?;
    let ids: Vec<_> = rows.iter().map(|row| row.id).collect();
    let papers = store::paper_digests(connection, &ids).await?;
    issue_of(&rows, &papers, issue).ok_or_else(|| Refusal::not_found("issue of the certificate", issue))
}

/// Puts on record who was sent an issue.
pub async fn deliver(db: &Db, act: &Act, id: Uuid, new: NewDelivery) -> Result<Answer, Refusal> {
    let mut errors = FieldErrors::default();
    words(&mut errors, "recipient", &new.recipient);
    words(&mut errors, "means", &new.means);
    errors.check()?;
    not_in_the_future("delivered_at", new.delivered_at)?;
    let by = author(act)?;
    db.write(act, async |connection| {
        let row = went_out(connection, id, new.issue).await.map_err(|refusal| match refusal.code {
            Code::NotFound => Refusal::invalid("issue", "issued", "was not issued", new.issue),
            _ => refusal,
        })?;
        let issued = issued_at(&states::history(connection, row.id.0).await?);
        // Pages take times to the minute.
        if let Some(issued) =
            issued.filter(|at| new.delivered_at < at.with_second(0).and_then(|at| at.with_nanosecond(0)).unwrap_or(*at))
        {
            let message = format!("must not be before issue {} was issued, {}", row.issue, issued.to_rfc3339());
            let delivered_at = new.delivered_at.to_rfc3339();
            return Err(Refusal::invalid("delivered_at", "after_issue", message, delivered_at));
        }
        let row = DeliveryRow {
            id: CertificateDeliveryId::new(),
            certificate_id: row.id,
            recipient: new.recipient,
            means: new.means,
            delivered_at: new.delivered_at,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        };
        store::insert_delivery(connection, &row).await?;
        service::view(connection, id).await
    })
    .await
}

/// Takes out the document of an issue, byte for byte as it went out; that it was taken is on record.
pub async fn take_out(db: &Db, act: &Act, (id, issue): (Uuid, i32)) -> Result<(String, Vec<u8>), Refusal> {
    let by = author(act)?;
    db.transact(act, async |connection| {
        let row = went_out(connection, id, issue).await?;
        let (pdf, digest) = store::paper(connection, row.id).await?.unwrap_or_default();
        if hex::encode(Sha256::digest(&pdf)) != digest {
            let detail = "the document kept of this issue is not the one that went out";
            return Err(Refusal::new(Code::Internal, detail));
        }
        let copy = CopyRow {
            id: CertificateCopyId::new(),
            certificate_id: row.id,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        };
        store::insert_copy(connection, &copy).await?;
        Ok((format!("{} issue {issue}", row.number), pdf))
    })
    .await
}

/// The draft as it would look, marked as what it is; nothing is recorded.
pub async fn preview(db: &Db, id: Uuid) -> Result<(String, Vec<u8>), Refusal> {
    let row = db
        .read(async |connection| {
            let rows = store::versions(connection, id).await?;
            let last = rows.into_iter().next_back().ok_or_else(|| Refusal::not_found(KIND.noun(), id))?;
            let state = states::present(connection, KIND, last.id.0).await?.state;
            if state == "draft" { Ok(last) } else { Err(Refusal::not_found("draft of the certificate", id)) }
        })
        .await?;
    let document = Document::read(&row.document)?;
    let pdf =
        written(paper::certificate(&document, &row.content_digest, None, audit::head(db).await?.as_ref())?).await?;
    Ok((format!("{} issue {} draft", row.number, row.issue), pdf))
}

/// Time of an issue, for those that are replaced.
pub(super) fn issued_at(moves: &[states::StateMove]) -> Option<DateTime<Utc>> {
    moves.iter().find(|step| step.to_state == "issued").map(|step| step.recorded_at)
}
