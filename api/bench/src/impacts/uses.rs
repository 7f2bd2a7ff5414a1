//! Where a thing was used: every signed result that stands over it, in whatever version.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::SignOffId;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_core::lifecycle::EntityKind;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::impacts::store::{self, Use};

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
    /// When the thing was last used for it, bench time.
    pub used_at: DateTime<Utc>,
    /// Present state of what was signed.
    #[schema(example = "approved")]
    pub state: String,
    /// Whether this is the signature it stands under; another is of before an amendment or a return.
    pub stands: bool,
}

/// Where a thing was used.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WhereUsed {
    /// How many signatures stand over it in the window asked for: the list is complete when it has as many.
    pub count: i64,
    /// Signatures, oldest first.
    pub items: Vec<UseView>,
    /// Cursor of the next page; absent after the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<Uuid>,
}

/// Where a thing was used: equipment, a calibration, a standard, a lot, a factor, a run, a blank, a sample, a portion, a method
/// version or any other row that signatures stand over.
pub async fn read(db: &Db, thing: Uuid, listing: &Listing) -> Result<WhereUsed, Refusal> {
    let limit = listing.limit()?;
    let (count, uses) = db
        .snapshot(async |connection| {
            let window = (listing.window_start(), listing.window_end());
            let count = store::count_uses(connection, thing, window).await?;
            let after = listing.after.unwrap_or_default();
            Ok((count, store::uses(connection, thing, window, (after, limit + 1)).await?))
        })
        .await?;
    let mut codes: HashMap<Uuid, String> = HashMap::new();
    for kind in [EntityKind::Determination, EntityKind::IronResult, EntityKind::Standardisation, EntityKind::Titrant] {
        let of_kind = uses.iter().filter(|one| one.entity_kind == kind.table());
        let ids: Vec<Uuid> = of_kind.map(|one| one.entity_id).collect();
        codes.extend(labels::of(db, kind, &ids).await?);
    }
    let page = Page::of(uses, limit, |row| row.sign_off.0);
    let view = |row: Use| UseView {
        code: codes.get(&row.entity_id).cloned().unwrap_or_default(),
        kind: row.entity_kind,
        id: row.entity_id,
        sign_off: row.sign_off,
        signed_at: row.signed_at,
        used_at: row.used_at,
        state: row.state,
        stands: row.stands,
    };
    Ok(WhereUsed { count, items: page.items.into_iter().map(view).collect(), next: page.next })
}
