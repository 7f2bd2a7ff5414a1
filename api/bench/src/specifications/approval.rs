//! Approval, rejection and withdrawal of versions, signed by someone other than their author.

use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature, SignOff};
use ferrotitre_base::states::{self, NewMove, StateMove};
use ferrotitre_base::web::answer::Located;
use ferrotitre_base::web::versions::VersionView;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use serde::Serialize;
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

/// What becomes of a version.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decision {
    Approve,
    Reject,
    Withdraw,
}

impl Decision {
    fn leads_to(self) -> (&'static str, Meaning) {
        match self {
            Self::Approve => ("approved", Meaning::Approved),
            Self::Reject => ("rejected", Meaning::Rejected),
            Self::Withdraw => ("withdrawn", Meaning::Rejected),
        }
    }
}

/// A version with what was signed on it.
#[derive(Debug, Serialize, ToSchema)]
pub struct SignedVersion<F> {
    /// The version.
    #[serde(flatten)]
    pub of: VersionView<F>,
    /// SHA-256 of what a signature covers.
    pub content_digest: String,
    /// Signatures.
    pub sign_offs: Vec<SignOff>,
}

impl<F> Located for SignedVersion<F> {
    fn location(&self) -> String {
        self.of.location()
    }
}

/// A thing with all its versions, oldest first, each with its state and signatures.
#[derive(Debug, Serialize, ToSchema)]
pub struct SignedHistory<F> {
    /// Versions, oldest first.
    pub versions: Vec<SignedVersion<F>>,
    /// Moves between states, of all versions.
    pub moves: Vec<StateMove>,
}

/// A version to be decided on.
pub(super) struct Candidate {
    pub(super) kind: EntityKind,
    pub(super) version: Uuid,
    pub(super) author: AccountId,
    pub(super) digest: String,
    /// The version in force until now, if there is one.
    pub(super) in_force: Option<Uuid>,
}

/// Digest of what a signature on a version covers.
pub(super) fn digest<F: Serialize>(kind: EntityKind, view: &VersionView<F>) -> Result<String, Refusal> {
    let facts = serde_json::to_string(&view.facts).map_err(Refusal::internal)?;
    let text = format!("ferrotitre {} 1\n{} {}\n{facts}\n", kind.noun(), view.version_id, view.version);
    Ok(hex::encode(Sha256::digest(text.as_bytes())))
}

/// Versions with their signatures.
pub(super) async fn signed<F: Serialize>(
    connection: &Connection,
    kind: EntityKind,
    view: VersionView<F>,
) -> Result<SignedVersion<F>, Refusal> {
    let content_digest = digest(kind, &view)?;
    let signed = sign_offs::of(connection, view.version_id).await?;
    let sign_offs = signed.into_iter().map(|sign| sign.view(&content_digest, None, false)).collect();
    Ok(SignedVersion { of: view, content_digest, sign_offs })
}

/// Signs a decision and moves the version; an approved one supersedes the one in force.
pub(super) async fn decide(
    connection: &Connection,
    act: &ferrotitre_base::db::Act,
    user: &CurrentUser,
    candidate: &Candidate,
    decision: Decision,
    signature: NewSignature,
) -> Result<(), Refusal> {
    let Candidate { kind, version, .. } = *candidate;
    if decision != Decision::Withdraw {
        let detail = format!("a {} is decided on by someone other than its author", kind.noun());
        signing::not_a_party(connection, user.account, &[candidate.author], &detail).await?;
    }
    let (to, meaning) = decision.leads_to();
    let asked = NewMove { to: to.to_owned(), reason: signature.reason.clone() };
    states::advance(connection, act, kind, version, &asked, None).await?;
    let content = Content { kind, id: version, digest: &candidate.digest, evaluation: None };
    sign_offs::sign(connection, user, meaning, content, &signature).await?;
    if let (Decision::Approve, Some(before)) = (decision, candidate.in_force) {
        let to = NewMove { to: "superseded".to_owned(), reason: None };
        states::advance(connection, act, kind, before, &to, None).await?;
    }
    Ok(())
}

/// Makes the use cases that all versions with approval share, in the module of a kind.
///
/// Needs in scope: `may_be_approved(&Connection, &Row)`, what else must hold of a version that is approved.
macro_rules! approved_versions {
    (table: $table:ident, facts: $facts:ident, id: $id:ident, kind: $kind:expr) => {
        use crate::specifications::approval::{self, Decision, SignedHistory, SignedVersion};
        use crate::specifications::store::$table::versions;

        /// Every thing in its newest version.
        pub async fn list(
            db: &Db,
            listing: &ferrotitre_base::web::paging::Listing,
        ) -> Result<ferrotitre_base::web::paging::Page<VersionView<$facts>>, Refusal> {
            let mut page = versions::list(db, listing).await?;
            let ids: Vec<Uuid> = page.items.iter().map(|view| view.version_id).collect();
            let known = db.read(async |connection| states::present_many(connection, $kind, &ids).await).await?;
            for view in &mut page.items {
                view.state = known.get(&view.version_id).cloned().unwrap_or_default();
            }
            Ok(page)
        }

        /// A thing with all its versions and signatures.
        pub async fn read(
            db: &Db,
            id: Uuid,
        ) -> Result<ferrotitre_base::web::answer::Versioned<SignedHistory<$facts>>, Refusal> {
            let found = versions::read(db, id).await?;
            let tag = found.tag;
            let views = found.resource.versions;
            let ids: Vec<Uuid> = views.iter().map(|view| view.version_id).collect();
            db.read(async |connection| {
                let known = states::present_many(connection, $kind, &ids).await?;
                let rows =
                    futures_util::future::try_join_all(ids.iter().map(|id| versions::exactly(connection, $id(*id))));
                let mut signed = Vec::with_capacity(ids.len());
                for row in rows.await? {
                    let state = known.get(&row.id.0).cloned().unwrap_or_default();
                    signed.push(approval::signed(connection, $kind, row.view(state)).await?);
                }
                let moves = states::moves_of(connection, &ids).await?;
                let resource = SignedHistory { versions: signed, moves };
                Ok(ferrotitre_base::web::answer::Versioned { resource, tag: tag.clone() })
            })
            .await
        }

        /// Versions that are in force.
        pub async fn in_force(db: &Db) -> Result<Vec<VersionView<$facts>>, Refusal> {
            db.read(async |connection| {
                let ids = states::in_state(connection, $kind, "approved", (Uuid::max(), 200)).await?;
                let mut views = Vec::with_capacity(ids.len());
                for id in ids {
                    views.push(versions::exactly(connection, $id(id)).await?.view("approved".to_owned()));
                }
                Ok(views)
            })
            .await
        }

        /// One version with its signatures.
        async fn shown(connection: &Connection, row: versions::Row) -> Result<SignedVersion<$facts>, Refusal> {
            let state = states::present(connection, $kind, row.id.0).await?.state;
            approval::signed(connection, $kind, row.view(state)).await
        }

        /// A version for use: approved.
        pub async fn approved(connection: &Connection, field: &str, version: $id) -> Result<versions::Row, Refusal> {
            let row = versions::exactly(connection, version).await.map_err(|refusal| match refusal.code {
                Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", version),
                _ => refusal,
            })?;
            let state = states::present(connection, $kind, version.0).await?.state;
            if state != "approved" {
                let detail = format!("version {} of {} is {state}, not approved", row.version, row.facts.code);
                return Err(Refusal::new(Code::NotReleased, detail).at(field, "approved", version));
            }
            Ok(row)
        }

        /// The version of a thing that is in force, if one is.
        async fn version_in_force(
            connection: &Connection,
            newest: versions::Row,
        ) -> Result<Option<versions::Row>, Refusal> {
            let mut row = newest;
            loop {
                if states::present(connection, $kind, row.id.0).await?.state == "approved" {
                    return Ok(Some(row));
                }
                let Some(before) = row.supersedes else { return Ok(None) };
                row = versions::exactly(connection, before).await?;
            }
        }

        /// Drafts the next version; the one in force stays so until this one is approved.
        async fn draft_next(
            connection: &Connection,
            act: &Act,
            id: Uuid,
            if_match: Option<&str>,
            correction: Correction<$facts>,
        ) -> Result<SignedVersion<$facts>, Refusal> {
            let present = versions::current(connection, id).await?;
            let row = versions::next(act, &present, if_match, correction)?;
            if row.facts.code != present.facts.code {
                let message = "a version keeps the code of what it is a version of";
                return Err(Refusal::invalid("facts.code", "same_code", message, &row.facts.code));
            }
            if states::present(connection, $kind, present.id.0).await?.state == "draft" {
                let detail = format!("version {} is a draft: it is decided on first", present.version);
                return Err(Refusal::new(Code::StateConflict, detail));
            }
            shown(connection, versions::insert(connection, &row).await?).await
        }

        /// Approves or rejects the newest version, or withdraws the one in force; signed.
        pub async fn decide(
            db: &Db,
            act: &Act,
            user: &ferrotitre_base::auth::current_user::CurrentUser,
            policy: ferrotitre_base::config::Policy,
            (id, decision): (Uuid, Decision),
            signature: ferrotitre_base::sign_offs::NewSignature,
        ) -> Result<Answer, Refusal> {
            ferrotitre_ledger::accounts::signing::confirm(db, act, policy, signature.password.clone()).await?;
            db.write(act, async |connection| {
                let newest = versions::current(connection, id).await?;
                let in_force = version_in_force(connection, newest.clone()).await?;
                let row = match (decision, &in_force) {
                    (Decision::Withdraw, Some(row)) => row.clone(),
                    (Decision::Approve, _) => {
                        may_be_approved(connection, &newest).await?;
                        newest
                    }
                    _ => newest,
                };
                let view = row.clone().view(String::new());
                let candidate = approval::Candidate {
                    kind: $kind,
                    version: row.id.0,
                    author: row.recorded_by,
                    digest: approval::digest($kind, &view)?,
                    in_force: in_force.filter(|before| before.id != row.id).map(|before| before.id.0),
                };
                approval::decide(connection, act, user, &candidate, decision, signature).await?;
                shown(connection, row).await
            })
            .await
        }
    };
}
pub(super) use approved_versions;
