//! Use cases of nonconformities, opened by people and by what happens.

use chrono::{DateTime, Utc};
use ferrotitre_base::alert::{Alert, Urgency, ending};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{AccountId, NonconformityId, NonconformityLinkId, NonconformityStepId};
use ferrotitre_base::recording::{author, next_number, not_in_the_future};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::words;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::nonconformities::store::{self, LinkRow, Row, StepRow};
use crate::nonconformities::wire::{
    LinkView, NewNonconformity, NewStep, NonconformityListing, NonconformityView, StepRecord,
};

pub const KIND: EntityKind = EntityKind::Nonconformity;

/// Days until one that was opened by what happened is due.
const DUE_DAYS: i64 = 30;
/// Open ones that a list of alerts shows, at most.
const MOST_ALERTS: i64 = 200;

/// Records that a person can link.
pub const LINKED: [EntityKind; 17] = [
    EntityKind::Equipment,
    EntityKind::PrimaryStandard,
    EntityKind::Reagent,
    EntityKind::Titrant,
    EntityKind::Standardisation,
    EntityKind::Method,
    EntityKind::Sample,
    EntityKind::Run,
    EntityKind::Blank,
    EntityKind::Determination,
    EntityKind::Titration,
    EntityKind::IronResult,
    EntityKind::ControlMaterial,
    EntityKind::ControlChart,
    EntityKind::ControlValue,
    EntityKind::ProficiencyRound,
    EntityKind::Certificate,
];

/// What a person can name as the source.
pub(super) const SOURCES: [&str; 5] = ["rule violation", "complaint", "audit", "proficiency test", "other"];

/// What is to be opened.
pub struct Opening<'a> {
    pub source: &'a str,
    pub severity: &'a str,
    pub title: String,
    pub scope: String,
    /// Who sees to it; whoever acts if nobody is named.
    pub owner: Option<AccountId>,
    pub observed_at: DateTime<Utc>,
    /// Records concerned: kind, identity, relation.
    pub links: Vec<(&'static str, Uuid, &'static str)>,
}

/// Opens a nonconformity because of what happened, in the transaction in which it happened.
pub async fn open_because(
    connection: &Connection,
    act: &Act,
    opening: Opening<'_>,
) -> Result<NonconformityId, Refusal> {
    let by = author(act)?;
    let row = Row {
        id: NonconformityId::new(),
        code: format!("NC-{:06}", next_number(connection, "nonconformity_codes").await?),
        source: opening.source.to_owned(),
        severity: opening.severity.to_owned(),
        title: opening.title,
        scope: opening.scope,
        automatic: true,
        owner_id: opening.owner.unwrap_or(by),
        due_on: (Utc::now() + chrono::Duration::days(DUE_DAYS)).date_naive(),
        observed_at: opening.observed_at,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: by,
    };
    let row = store::insert(connection, &row).await?;
    let links: Vec<LinkRow> =
        opening.links.into_iter().map(|(kind, entity, relation)| link(row.id, kind, entity, relation, by)).collect();
    store::insert_links(connection, &links).await?;
    Ok(row.id)
}

fn link(of: NonconformityId, kind: &str, entity: Uuid, relation: &str, by: AccountId) -> LinkRow {
    LinkRow {
        id: NonconformityLinkId::new(),
        nonconformity_id: of,
        entity_kind: kind.to_owned(),
        entity_id: entity,
        relation: relation.to_owned(),
        recorded_by: by,
    }
}

/// Nonconformities that are not closed and due within the horizon, or overdue.
pub async fn alerts(connection: &Connection, now: DateTime<Utc>, until: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let rows = store::due_by(connection, until.date_naive(), "closed", MOST_ALERTS).await?;
    let mut alerts = Vec::with_capacity(rows.len());
    for (id, code, title, due_on) in rows {
        // The whole day is there to close it.
        let ends = (due_on + chrono::Days::new(1)).and_time(chrono::NaiveTime::MIN).and_utc();
        alerts.extend(ending((now, until + chrono::Duration::days(1)), ends, |urgency| Alert {
            kind: if urgency == Urgency::Now { "nonconformity overdue" } else { "nonconformity due" },
            urgency,
            subject_kind: "nonconformities",
            subject: id.0,
            message: format!("{code} is to be closed by {due_on}: {title}"),
            code: code.clone(),
            due_at: Some(ends),
        }));
    }
    Ok(alerts)
}

/// A lot was withdrawn.
pub async fn withdrawn_lot(
    connection: &Connection,
    act: &Act,
    kind: EntityKind,
    id: Uuid,
    what: &str,
    reason: Option<&str>,
) -> Result<(), Refusal> {
    let opening = Opening {
        source: "withdrawn lot",
        severity: "major",
        title: format!("{what} was withdrawn"),
        scope: format!("everything made with {what}: {}", reason.unwrap_or_default()),
        owner: None,
        observed_at: Utc::now(),
        links: vec![(kind.table(), id, "origin")],
    };
    open_because(connection, act, opening).await.map(|_| ())
}

/// Opens a nonconformity.
pub async fn open(db: &Db, act: &Act, new: NewNonconformity) -> Result<Answer, Refusal> {
    let mut errors = FieldErrors::default();
    let message = format!("must be one of {}", SOURCES.join(", "));
    errors.require(SOURCES.contains(&new.source.as_str()), "source", "one_of", message, &new.source);
    let severity = matches!(new.severity.as_str(), "minor" | "major" | "critical");
    errors.require(severity, "severity", "one_of", "must be minor, major or critical", &new.severity);
    words(&mut errors, "title", &new.title);
    words(&mut errors, "scope", &new.scope);
    errors.require(new.links.len() <= 1000, "links", "length", "at most 1000 at once", new.links.len());
    for (i, link) in new.links.iter().enumerate() {
        let message = format!("must be one of {}", LINKED.map(EntityKind::table).join(", "));
        let known = LINKED.iter().any(|kind| kind.table() == link.entity_kind);
        errors.require(known, &format!("links[{i}].entity_kind"), "one_of", message, &link.entity_kind);
    }
    errors.check()?;
    not_in_the_future("observed_at", new.observed_at)?;
    let by = author(act)?;
    db.write(act, async |connection| {
        let row = Row {
            id: NonconformityId::new(),
            code: format!("NC-{:06}", next_number(connection, "nonconformity_codes").await?),
            source: new.source,
            severity: new.severity,
            title: new.title,
            scope: new.scope,
            automatic: false,
            owner_id: new.owner.map_or(by, AccountId),
            due_on: new.due_on,
            observed_at: new.observed_at,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        };
        let row = store::insert(connection, &row).await?;
        let links: Vec<LinkRow> =
            new.links.iter().map(|l| link(row.id, &l.entity_kind, l.entity, "affected", by)).collect();
        store::insert_links(connection, &links).await?;
        one(connection, row).await
    })
    .await
}

/// Digest of what a signature covers: the nonconformity and every step so far.
fn digest(row: &Row, steps: &[StepRow]) -> String {
    let mut text = format!(
        "ferrotitre nonconformity 1\n{} {} {} {}\n{}\n{}\n",
        row.id, row.code, row.source, row.severity, row.title, row.scope
    );
    for step in steps {
        text.push_str(&format!("{} {} {}\n", step.id, step.kind, step.words));
    }
    hex::encode(Sha256::digest(text.as_bytes()))
}

async fn views(connection: &Connection, rows: Vec<Row>) -> Result<Vec<NonconformityView>, Refusal> {
    let ids: Vec<NonconformityId> = rows.iter().map(|row| row.id).collect();
    let plain: Vec<Uuid> = ids.iter().map(|id| id.0).collect();
    let (steps, links, moves) = futures_util::try_join!(
        store::steps(connection, &ids),
        store::links(connection, &ids),
        states::moves_of(connection, &plain)
    )?;
    let today = Utc::now().date_naive();
    let mut views = Vec::with_capacity(rows.len());
    for row in rows {
        let own: Vec<StepRow> = steps.iter().filter(|step| step.nonconformity_id == row.id).cloned().collect();
        let digest = digest(&row, &own);
        let signed = sign_offs::of(connection, row.id.0).await?;
        let moves: Vec<_> = moves.iter().filter(|step| step.entity_id == row.id.0).cloned().collect();
        let state = moves.last().map_or_else(|| KIND.first_state().to_owned(), |step| step.to_state.clone());
        let links = links.iter().filter(|link| link.nonconformity_id == row.id);
        views.push(NonconformityView {
            links: links
                .map(|link| LinkView {
                    entity_kind: link.entity_kind.clone(),
                    entity: link.entity_id,
                    relation: link.relation.clone(),
                })
                .collect(),
            overdue: state != "closed" && row.due_on < today,
            id: row.id,
            code: row.code,
            source: row.source,
            severity: row.severity,
            title: row.title,
            scope: row.scope,
            automatic: row.automatic,
            owner: row.owner_id,
            due_on: row.due_on,
            observed_at: row.observed_at,
            state,
            steps: own.into_iter().map(step_view).collect(),
            sign_offs: signed.into_iter().map(|sign| sign.view(&digest, None, false)).collect(),
            content_digest: digest,
            moves,
            recorded_at: row.recorded_at,
            recorded_by: row.recorded_by,
        });
    }
    Ok(views)
}

fn step_view(step: StepRow) -> StepRecord {
    StepRecord {
        id: step.id,
        kind: step.kind,
        words: step.words,
        effective: step.effective,
        due_on: step.due_on,
        recorded_at: step.recorded_at,
        recorded_by: step.recorded_by,
    }
}

async fn one(connection: &Connection, row: Row) -> Result<NonconformityView, Refusal> {
    let id = row.id;
    views(connection, vec![row]).await?.pop().ok_or_else(|| Refusal::not_found("nonconformity", id))
}

/// Reads one.
pub async fn read(db: &Db, id: Uuid) -> Result<NonconformityView, Refusal> {
    db.read(async |connection| one(connection, store::find(connection, id).await?).await).await
}

/// Lists them, newest first.
pub async fn list(db: &Db, asked: &NonconformityListing) -> Result<Page<NonconformityView>, Refusal> {
    let listing = Listing { limit: asked.limit, after: asked.after, from: asked.from, until: asked.until };
    let limit = listing.limit()?;
    db.read(async |connection| {
        let rows = store::list(connection, &listing, asked.entity, limit + 1).await?;
        let page = Page::of(rows, limit, |row| row.id.0);
        Ok(Page { items: views(connection, page.items).await?, next: page.next })
    })
    .await
}

/// Those in a state now, newest first, older than a cursor.
pub async fn in_state(db: &Db, state: &str, (before, limit): (Uuid, i64)) -> Result<Page<NonconformityView>, Refusal> {
    db.read(async |connection| {
        let ids = states::in_state(connection, KIND, state, (before, limit + 1)).await?;
        let page = Page::of(ids, limit, |id| *id);
        let rows = store::many(connection, &page.items).await?;
        Ok(Page { items: views(connection, rows).await?, next: page.next })
    })
    .await
}

/// Those that are not closed, the most urgent first; so many of each state.
pub async fn open_now(db: &Db, most: i64) -> Result<Vec<NonconformityView>, Refusal> {
    db.read(async |connection| {
        let mut ids = Vec::new();
        for state in KIND.states().into_iter().filter(|state| *state != "closed") {
            ids.extend(states::in_state(connection, KIND, state, (Uuid::max(), most)).await?);
        }
        let mut open = views(connection, store::many(connection, &ids).await?).await?;
        open.sort_by_key(|view| view.due_on);
        Ok(open)
    })
    .await
}

/// Records what was found or done.
pub async fn record_step(db: &Db, act: &Act, id: Uuid, new: NewStep) -> Result<Answer, Refusal> {
    let mut errors = FieldErrors::default();
    let kinds = ["containment", "impact", "cause", "action", "effectiveness"];
    let message = format!("must be one of {}", kinds.join(", "));
    errors.require(kinds.contains(&new.kind.as_str()), "kind", "one_of", message, &new.kind);
    words(&mut errors, "words", &new.words);
    let checks = new.kind == "effectiveness";
    let message = "is given for an effectiveness check, and only there";
    errors.require(new.effective.is_some() == checks, "effective", "kind", message, "");
    errors.check()?;
    states::reason_given("words", Some(&new.words))?;
    let by = author(act)?;
    db.write(act, async |connection| {
        let row = store::find(connection, id).await?;
        hold(connection, &[Held::Nonconformity(id)]).await?;
        let state = states::present(connection, KIND, id).await?.state;
        if state == "closed" {
            return Err(Refusal::new(Code::StateConflict, "it is closed; reopen it first"));
        }
        let step = StepRow {
            id: NonconformityStepId::new(),
            nonconformity_id: row.id,
            kind: new.kind,
            words: new.words,
            effective: new.effective,
            due_on: new.due_on,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        };
        store::insert_step(connection, &step).await?;
        one(connection, row).await
    })
    .await
}

/// What must be on record before a state is reached.
fn needed(to: &str) -> Option<&'static str> {
    match to {
        "contained" => Some("containment"),
        "action" => Some("cause"),
        "verifying" => Some("action"),
        _ => None,
    }
}

/// Moves one on; closing and reopening have their own operations.
pub async fn advance(db: &Db, act: &Act, id: Uuid, asked: NewMove) -> Result<Answer, Refusal> {
    if matches!(asked.to.as_str(), "closed" | "reopened") {
        let detail = "a nonconformity is closed and reopened by its own operations, which are a manager's";
        return Err(Refusal::new(Code::IllegalMove, detail).at("to", "own_operation", &asked.to));
    }
    db.write(act, async |connection| {
        let row = store::find(connection, id).await?;
        if let Some(kind) = needed(&asked.to) {
            let steps = store::steps(connection, &[row.id]).await?;
            if !steps.iter().any(|step| step.kind == kind) {
                let detail = format!("record the {kind} first");
                return Err(Refusal::new(Code::NotEnoughData, detail).at("to", kind, &asked.to));
            }
        }
        states::advance(connection, act, KIND, id, &asked, None).await?;
        one(connection, row).await
    })
    .await
}

/// Kinds of steps that mend: who wrote one of them does not close.
const MENDING: [&str; 4] = ["containment", "impact", "cause", "action"];

/// Closes one: signed by somebody who neither owns it nor wrote what was done about it, after a check that found the last action
/// effective. A step bears the account that recorded it, whoever the owner is.
pub async fn close(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    id: Uuid,
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| {
        let row = store::find(connection, id).await?;
        hold(connection, &[Held::Nonconformity(id)]).await?;
        let steps = store::steps(connection, &[row.id]).await?;
        let mut parties = vec![row.owner_id];
        let mending = steps.iter().filter(|step| MENDING.contains(&step.kind.as_str()));
        parties.extend(mending.map(|step| step.recorded_by));
        let detail =
            "a nonconformity is closed by somebody who neither owns it nor wrote what was found and done about it";
        signing::not_a_party(connection, user.account, &parties, detail).await?;
        let last = steps.iter().rfind(|step| matches!(step.kind.as_str(), "action" | "effectiveness"));
        if last.and_then(|step| step.effective) != Some(true) {
            let detail = "not enough data: closing needs a check, made after the last action, that found it effective";
            return Err(Refusal::new(Code::NotEnoughData, detail));
        }
        let asked = NewMove { to: "closed".to_owned(), reason: signature.reason.clone() };
        states::advance(connection, act, KIND, id, &asked, None).await?;
        let digest = digest(&row, &steps);
        let content = Content { kind: KIND, id, digest: &digest, evaluation: None };
        sign_offs::sign(connection, user, Meaning::Approved, content, &signature).await?;
        one(connection, row).await
    })
    .await
}

/// Reopens a closed one, with a reason.
pub async fn reopen(db: &Db, act: &Act, id: Uuid, reason: String) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let row = store::find(connection, id).await?;
        let asked = NewMove { to: "reopened".to_owned(), reason: Some(reason) };
        states::advance(connection, act, KIND, id, &asked, None).await?;
        one(connection, row).await
    })
    .await
}
