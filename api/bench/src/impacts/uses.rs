//! Where a thing was used: every signature that stands over it, in whatever version; over what a person did; or of a stretch of
//! time.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::sees_only_own;
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::SignOffId;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_core::lifecycle::EntityKind;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::equipment::store as equipment;
use crate::impacts::store::reach::{self, Named, Reach, Use, When};

/// Signatures whose codes are read at once.
const AT_ONCE: usize = 500;

/// Kinds of what is signed over pins.
pub const SIGNED: [EntityKind; 5] = [
    EntityKind::Determination,
    EntityKind::IronResult,
    EntityKind::Standardisation,
    EntityKind::Titrant,
    EntityKind::ValidationConclusion,
];

/// Which part of the list, and of which time.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct UseListing {
    /// How many items at most, 1 to 200; 50 if not given.
    #[param(minimum = 1, maximum = 200, example = 50)]
    pub limit: Option<i64>,
    /// Cursor from the field `next` of the page before.
    pub after: Option<Uuid>,
    /// Only what was signed at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only what was signed before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only what it was used for at or after this time, bench time.
    pub used_from: Option<DateTime<Utc>>,
    /// Only what it was last used for before this time, bench time.
    pub used_until: Option<DateTime<Utc>>,
}

impl UseListing {
    fn listing(&self) -> Listing {
        Listing { limit: self.limit, after: self.after, from: self.from, until: self.until }
    }

    /// The stretches of time.
    pub fn when(&self) -> When {
        let used = Listing { from: self.used_from, until: self.used_until, ..Listing::default() };
        let signed = self.listing();
        When { signed: (signed.window_start(), signed.window_end()), used: (used.window_start(), used.window_end()) }
    }
}

/// A signature over a thing.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct UseView {
    /// Kind of what was signed, by the name of its table.
    #[schema(example = "determinations")]
    pub kind: String,
    /// What was signed.
    pub id: Uuid,
    /// Its code.
    pub code: String,
    /// The signature.
    pub sign_off: SignOffId,
    /// When it was signed.
    pub signed_at: DateTime<Utc>,
    /// When the thing was last used for it, bench time; of a person or a stretch of time the last titration.
    pub used_at: DateTime<Utc>,
    /// Present state of what was signed.
    #[schema(example = "approved")]
    pub state: String,
    /// Whether this is the signature it stands under; another is of before an amendment or a return.
    pub stands: bool,
    /// Where its page is.
    #[serde(skip)]
    pub shown_at: Uuid,
}

/// Where a thing was used.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WhereUsed {
    /// What the thing or person is called; absent where there is no such thing, and for a stretch of time.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "PS-1")]
    pub of: Option<String>,
    /// Its kind, by the name of its table.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "primary_standards")]
    pub kind: Option<String>,
    /// How many signatures stand over it in the window asked for: the list is complete when it has as many.
    pub count: i64,
    /// Signatures, oldest first.
    pub items: Vec<UseView>,
    /// Cursor of the next page; absent after the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<Uuid>,
    /// Whether it is a burette, without which results can be looked back at.
    #[serde(skip)]
    pub burette: bool,
}

/// What is looked for, with what it is called. What others did is shown to those who answer for it, not to analysts.
pub async fn reach_of(
    connection: &Connection,
    user: &CurrentUser,
    id: Option<Uuid>,
) -> Result<(Reach, Option<Named>), Refusal> {
    let Some(id) = id else { return Ok((Reach::Everything, None)) };
    let (reach, name) = reach::named(connection, id).await?;
    if matches!(reach, Reach::Person(person) if person != user.account.0 && sees_only_own(&user.roles)) {
        let detail = "what another person did is looked through by managers and auditors";
        return Err(Refusal::new(Code::Forbidden, detail));
    }
    Ok((reach, name))
}

/// What an identity is of, for somebody who may look back from it; none where it is of nothing that has a name.
pub async fn named(db: &Db, user: &CurrentUser, id: Uuid) -> Result<Option<Named>, Refusal> {
    Ok(db.read(async |connection| reach_of(connection, user, Some(id)).await).await?.1)
}

/// Codes of what was signed, over a connection at hand.
pub async fn codes(connection: &Connection, uses: &[Use]) -> Result<HashMap<Uuid, String>, Refusal> {
    let mut codes: HashMap<Uuid, String> = HashMap::new();
    for kind in SIGNED {
        let of_kind = uses.iter().filter(|one| one.entity_kind == kind.table());
        let ids: Vec<Uuid> = of_kind.map(|one| one.entity_id).collect();
        codes.extend(labels::on(connection, kind, &ids).await?);
    }
    Ok(codes)
}

/// Where a thing was used: equipment, a calibration, a standard, a lot, a factor, a run, a blank, a sample, a portion, a method
/// version or any other row that signatures stand over; what a person took part in; or all of a stretch of time.
pub async fn read(db: &Db, user: &CurrentUser, id: Option<Uuid>, asked: &UseListing) -> Result<WhereUsed, Refusal> {
    let listing = asked.listing();
    let limit = listing.limit()?;
    let (of, count, burette, uses) = db
        .snapshot(async |connection| {
            let (reach, name) = reach_of(connection, user, id).await?;
            let within = (reach, asked.when());
            let count = reach::count(connection, within).await?;
            let after = listing.after.unwrap_or_default();
            let uses = reach::uses(connection, within, (after, limit + 1)).await?;
            let equipment = name.as_ref().is_some_and(|of| of.kind == EntityKind::Equipment.table());
            let burette = equipment && is_burette(connection, id).await?;
            Ok((name, count, burette, views(connection, uses).await?))
        })
        .await?;
    let page = Page::of(uses, limit, |row| row.sign_off.0);
    let (kind, of) = of.map(|of| (of.kind, of.name)).unzip();
    Ok(WhereUsed { of, kind, count, items: page.items, next: page.next, burette })
}

async fn is_burette(connection: &Connection, id: Option<Uuid>) -> Result<bool, Refusal> {
    let facts = equipment::present_facts(connection, id.as_slice()).await?;
    Ok(facts.iter().any(|(_, facts)| facts.is_burette()))
}

async fn views(connection: &Connection, uses: Vec<Use>) -> Result<Vec<UseView>, Refusal> {
    let codes = codes(connection, &uses).await?;
    let view = |row: Use| UseView {
        code: codes.get(&row.entity_id).cloned().unwrap_or_default(),
        kind: row.entity_kind,
        id: row.entity_id,
        sign_off: row.sign_off,
        signed_at: row.signed_at,
        used_at: row.used_at,
        state: row.state,
        stands: row.stands,
        shown_at: row.shown_at,
    };
    Ok(uses.into_iter().map(view).collect())
}

/// The same list whole, as it stood at one moment: some at a time are handed to `take`. What it is called, and how many there are.
///
/// What is reached is found once, and kept as a list of identities: found anew for each part it would cost more with every part.
pub async fn whole(
    db: &Db,
    user: &CurrentUser,
    (id, asked): (Option<Uuid>, &UseListing),
    take: impl Fn(Vec<UseView>) -> Result<(), Refusal>,
) -> Result<(Option<String>, i64), Refusal> {
    db.snapshot_once(async |connection| {
        let (reach, name) = reach_of(connection, user, id).await?;
        let uses = reach::uses(connection, (reach, asked.when()), (Uuid::nil(), i64::MAX)).await?;
        let count = i64::try_from(uses.len()).map_err(Refusal::internal)?;
        let mut uses = uses.into_iter();
        loop {
            let some: Vec<Use> = uses.by_ref().take(AT_ONCE).collect();
            if some.is_empty() {
                return Ok((name.map(|of| of.name), count));
            }
            take(views(connection, some).await?)?;
        }
    })
    .await
}
