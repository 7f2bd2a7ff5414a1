//! The periodic review of the audit trail as a signed act (EU GMP Annex 11, 9: audit trails are regularly reviewed).
//!
//! A period is a stretch of leaves up to a signed head: an event has one leaf, so that none falls between two reviews, whenever its
//! transaction ended. What was seen is signed, and what was found with it.

pub mod check;
pub(super) mod handlers;
mod wire;

use chrono::{DateTime, TimeDelta, Utc};
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::TrailReviewId;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_core::lifecycle::EntityKind;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::accounts::signing;
use crate::audit::entry::canonical_time;
use crate::audit::lists::Of;
use crate::audit::store::{self, Counted, HeadRow, ReviewRow};

pub use wire::{ListCount, NewTrailReview, TrailReview, TrailReviewProposal, UpTo};

const KIND: EntityKind = EntityKind::TrailReview;
/// After so many days the next review is due. Annex 11 says "regularly" and names no time: common practice, no source.
pub const EVERY_DAYS: i64 = 90;
/// A head that is older covers too little of what there is by now.
const HEAD_HOURS: i64 = 24;
/// More nonconformities nobody opens for one review.
const MOST_CODES: usize = 50;
/// The sentence that is signed.
const STATEMENT: &str = "I reviewed the audit trail of this period and the lists named, and this is what I found";

/// What a review is over.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Period {
    number: i32,
    from_size: i64,
    until_size: i64,
    root: Vec<u8>,
    from_at: DateTime<Utc>,
    until_at: DateTime<Utc>,
    counted: Counted,
}

impl Period {
    /// As text, which is what a reviewer looked at: every count, and the head that covers it.
    fn text(&self) -> String {
        let Counted { events, exclusions, corrections, released, refused_sign_ins, sign_ins } = self.counted;
        format!(
            "ferrotitre review of the audit trail 1\nreview {}\nevents {events}, from {} up to and without {}\nroot {}\n\
             from {}\nuntil {}\n{} {exclusions}\n{} {corrections}\n{} {released}\n{} {refused_sign_ins}\n{} {sign_ins}\n",
            self.number,
            self.from_size,
            self.until_size,
            hex::encode(&self.root),
            canonical_time(self.from_at),
            canonical_time(self.until_at),
            Of::Exclusions.text(),
            Of::Corrections.text(),
            Of::Released.text(),
            Of::RefusedSignIns.text(),
            Of::SignIns.text(),
        )
    }

    fn digest(&self) -> String {
        digest(&self.text())
    }

    /// What is signed: what was seen, and what was found in it.
    fn signed_text(&self, findings: &str, nonconformities: &[String]) -> String {
        let findings = serde_json::Value::from(findings);
        format!("{}findings {findings}\nnonconformities {}\n", self.text(), nonconformities.join(" "))
    }

    fn of_row(row: &ReviewRow) -> Self {
        Self {
            number: row.number,
            from_size: row.from_size,
            until_size: row.until_size,
            root: row.root_hash.clone(),
            from_at: row.from_at,
            until_at: row.until_at,
            counted: Counted {
                events: row.until_size - row.from_size,
                exclusions: row.exclusions,
                corrections: row.corrections,
                released: row.released,
                refused_sign_ins: row.refused_sign_ins,
                sign_ins: row.sign_ins,
            },
        }
    }
}

fn digest(text: &str) -> String {
    hex::encode(Sha256::digest(text.as_bytes()))
}

/// Numbers of rows, list by list.
fn counts(counted: Counted) -> Vec<ListCount> {
    let number = |of| match of {
        Of::Exclusions => counted.exclusions,
        Of::Corrections => counted.corrections,
        Of::Released => counted.released,
        Of::RefusedSignIns => counted.refused_sign_ins,
        Of::SignIns => counted.sign_ins,
    };
    Of::ALL.into_iter().map(|of| ListCount { list: of.text(), title: of.title(), rows: number(of) }).collect()
}

/// The period from the last review to a signed head.
async fn period(connection: &Connection, head: HeadRow) -> Result<Period, Refusal> {
    let last = store::last_review(connection).await?;
    let (number, from_size) = last.as_ref().map_or((1, 0), |last| (last.number + 1, last.until_size));
    let from_at = match last {
        Some(last) => last.until_at,
        None => store::first_event(connection).await?.unwrap_or(head.signed_at),
    };
    if head.tree_size <= from_size {
        let detail = format!("the events up to {} are under review {} already", head.tree_size, number - 1);
        return Err(Refusal::new(Code::StaleVersion, detail));
    }
    Ok(Period {
        number,
        from_size,
        until_size: head.tree_size,
        root: head.root_hash,
        from_at: from_at.min(head.signed_at),
        until_at: head.signed_at,
        counted: store::counted(connection, from_size, head.tree_size).await?,
    })
}

async fn head(connection: &Connection, size: Option<i64>) -> Result<HeadRow, Refusal> {
    match size {
        Some(size) => {
            let message = "must be the size of a signed tree head, as shown with what was looked at";
            let found = store::head_of(connection, size).await?;
            found.ok_or_else(|| Refusal::invalid("until_size", "head", message, size))
        }
        None => {
            let found = store::latest_head(connection).await?;
            found.ok_or_else(|| Refusal::new(Code::NotFound, "nothing has been sealed yet"))
        }
    }
}

/// What the next review would be over: everything since the last one, up to a head or the newest.
///
/// # Errors
/// [`Code::NotFound`] before anything was sealed.
pub(super) async fn propose(db: &Db, until_size: Option<i64>) -> Result<TrailReviewProposal, Refusal> {
    db.snapshot(async |connection| {
        let period = period(connection, head(connection, until_size).await?).await?;
        Ok(TrailReviewProposal {
            number: period.number,
            from_size: period.from_size,
            until_size: period.until_size,
            root_hash: hex::encode(&period.root),
            from: period.from_at,
            until: period.until_at,
            events: period.counted.events,
            lists: counts(period.counted),
            content_digest: period.digest(),
        })
    })
    .await
}

/// Codes as they are kept: each once, in order.
fn codes(new: &NewTrailReview) -> Vec<String> {
    let mut codes: Vec<String> = new.nonconformities.iter().map(|code| code.trim().to_owned()).collect();
    codes.retain(|code| !code.is_empty());
    codes.sort();
    codes.dedup();
    codes
}

/// Refuses a review that would leave out what has happened since it was looked at.
async fn nothing_new(connection: &Connection, period: &Period) -> Result<(), Refusal> {
    let newest = head(connection, None).await?;
    let since = store::counted_since(connection, period.until_size).await?;
    let lists = since.exclusions + since.corrections + since.released + since.refused_sign_ins;
    let old = newest.tree_size > period.until_size && Utc::now() - period.until_at > TimeDelta::hours(HEAD_HOURS);
    if lists == 0 && !old {
        return Ok(());
    }
    let new: Vec<String> = counts(since)
        .into_iter()
        .filter(|count| count.rows > 0 && count.list != Of::SignIns.text())
        .map(|count| format!("{}: {} more", count.title, count.rows))
        .collect();
    let said = if new.is_empty() { format!("{} events", since.events) } else { new.join("; ") };
    let detail = format!("since you looked at it there is more ({said}): nothing was signed; look at it again");
    let facts = serde_json::json!({ "changed": counts(since), "events": since.events });
    Err(Refusal::new(Code::StaleVersion, detail).with_facts(facts))
}

/// Records and signs a review of everything since the last one.
///
/// # Errors
/// [`Code::StaleVersion`] where it was not what the request says was looked at, or more has happened since.
pub(super) async fn record(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    new: NewTrailReview,
) -> Result<Answer, Refusal> {
    let codes = codes(&new);
    let findings = new.findings.trim().to_owned();
    let mut errors = FieldErrors::default();
    let length = findings.chars().count();
    errors.require((5..=10_000).contains(&length), "findings", "length", "must have 5 to 10000 characters", length);
    errors.require(codes.len() <= MOST_CODES, "nonconformities", "range", "50 at the most", codes.len());
    errors.check()?;
    signing::confirm(db, act, policy, new.password.clone()).await?;
    db.write(act, async |connection| {
        let known = store::nonconformities_of(connection, &codes).await?;
        if let Some(unknown) = codes.iter().find(|code| !known.contains(code)) {
            return Err(Refusal::invalid("nonconformities", "known", "is the code of no nonconformity", unknown));
        }
        let period = period(connection, head(connection, Some(new.until_size)).await?).await?;
        let asked = |digest: Option<String>| NewSignature {
            password: new.password.clone(),
            content_digest: digest,
            reason: Some(findings.clone()),
        };
        let seen = asked(new.content_digest.clone());
        sign_offs::seen(&seen, &period.digest(), || serde_json::json!(counts(period.counted)))?;
        nothing_new(connection, &period).await?;
        let row = ReviewRow {
            id: TrailReviewId::new(),
            number: period.number,
            from_size: period.from_size,
            until_size: period.until_size,
            root_hash: period.root.clone(),
            from_at: period.from_at,
            until_at: period.until_at,
            exclusions: period.counted.exclusions,
            corrections: period.counted.corrections,
            released: period.counted.released,
            refused_sign_ins: period.counted.refused_sign_ins,
            sign_ins: period.counted.sign_ins,
            findings: findings.clone(),
            nonconformities: codes.clone(),
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: user.account,
        };
        let row = store::insert_review(connection, &row).await?;
        let text = period.signed_text(&findings, &codes);
        let digest = digest(&text);
        let content = Content { kind: KIND, id: row.id.0, digest: &digest, evaluation: None };
        sign_offs::sign_saying(connection, user, (Meaning::Reviewed, STATEMENT), content, &asked(Some(digest.clone())))
            .await?;
        view(connection, row).await
    })
    .await
}

async fn view(connection: &Connection, row: ReviewRow) -> Result<TrailReview, Refusal> {
    let period = Period::of_row(&row);
    let digest = digest(&period.signed_text(&row.findings, &row.nonconformities));
    let signed = sign_offs::of(connection, row.id.0).await?;
    Ok(TrailReview {
        id: row.id,
        number: row.number,
        from_size: row.from_size,
        until_size: row.until_size,
        root_hash: hex::encode(&row.root_hash),
        from: row.from_at,
        until: row.until_at,
        events: period.counted.events,
        lists: counts(period.counted),
        findings: row.findings,
        nonconformities: row.nonconformities,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
        sign_offs: signed.into_iter().map(|sign| sign.view(&digest, None, false)).collect(),
        content_digest: digest,
    })
}

/// Reviews, newest first.
pub(super) async fn list(db: &Db, listing: &Listing) -> Result<Page<TrailReview>, Refusal> {
    let limit = listing.limit()?;
    db.read(async |connection| {
        let rows = store::reviews(connection, listing.before(), limit + 1).await?;
        let page = Page::of(rows, limit, |row| row.id.0);
        let mut items = Vec::new();
        for row in page.items {
            items.push(view(connection, row).await?);
        }
        Ok(Page { items, next: page.next })
    })
    .await
}

pub(super) async fn read(db: &Db, id: Uuid) -> Result<TrailReview, Refusal> {
    db.read(async |connection| {
        let row = store::review(connection, id).await?;
        view(connection, row.ok_or_else(|| Refusal::not_found("review of the audit trail", id))?).await
    })
    .await
}

/// When the next review is due; none before there is anything to review.
async fn due(connection: &Connection) -> Result<Option<DateTime<Utc>>, Refusal> {
    let last = store::last_review(connection).await?.map(|last| last.until_at);
    let since = match last {
        Some(until) => Some(until),
        None => store::first_event(connection).await?,
    };
    Ok(since.map(|since| since + TimeDelta::days(EVERY_DAYS)))
}

/// An alert where a review is due by a time.
///
/// # Errors
/// A store that cannot be read.
pub async fn alerts(connection: &Connection, now: DateTime<Utc>, until: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let Some(due) = due(connection).await?.filter(|due| *due <= until) else { return Ok(Vec::new()) };
    let message = format!("the audit trail has not been reviewed for the {EVERY_DAYS} days after which it is due");
    Ok(vec![Alert {
        kind: "review of the audit trail due",
        urgency: if due <= now { Urgency::Now } else { Urgency::Soon },
        subject_kind: "audit-reviews",
        subject: Uuid::nil(),
        code: "audit trail".to_owned(),
        message: if due <= now { message } else { format!("the next review is due {EVERY_DAYS} days after the last") },
        due_at: Some(due),
    }])
}
