//! Who countersigns the heads of the log, how many must, and asking them.

mod asking;
pub mod http;
pub mod pages;

pub use asking::run;

use chrono::{DateTime, TimeDelta, Utc};
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, WitnessPolicyId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::answer::{Answer, Located};
use ferrotitre_check::note::{KeyKind, NamedKey};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::audit::store::{self, CosignatureRow, PolicyRow};

/// More witnesses than this nobody asks.
const MOST: usize = 16;

/// A decision on who countersigns the heads of the audit log.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewWitnessPolicy {
    /// Each witness as its key (NAME+ID+KEY), a blank, and the address below which its add-checkpoint is.
    #[schema(example = json!(["auditor.example+5c2b3a19+BAAA... http://192.0.2.7:8430"]))]
    pub witnesses: Vec<String>,
    /// How many of them must have countersigned a head.
    #[schema(example = 1)]
    pub needed: i32,
    /// Age of the last such head above which an alert is raised, hours.
    #[schema(example = 24)]
    pub within_hours: i32,
    /// Why.
    pub reason: String,
}

/// A decision on record; the newest counts.
#[derive(Debug, Serialize, ToSchema)]
pub struct WitnessPolicy {
    /// Identity.
    pub id: WitnessPolicyId,
    /// Witnesses: key, a blank, address.
    pub witnesses: Vec<String>,
    /// How many of them must have countersigned a head.
    pub needed: i32,
    /// Age of the last such head above which an alert is raised, hours.
    pub within_hours: i32,
    /// Why.
    pub reason: String,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// Account that decided.
    pub recorded_by: AccountId,
}

impl Located for WitnessPolicy {
    fn location(&self) -> String {
        "/api/v1/audit-tree/witness-policies".to_owned()
    }
}

impl From<PolicyRow> for WitnessPolicy {
    fn from(row: PolicyRow) -> Self {
        let pairs = row.witnesses.iter().zip(&row.addresses);
        Self {
            id: row.id,
            witnesses: pairs.map(|(key, address)| format!("{key} {address}")).collect(),
            needed: row.needed,
            within_hours: row.within_hours,
            reason: row.reason,
            recorded_at: row.recorded_at,
            recorded_by: row.recorded_by,
        }
    }
}

/// Key and address of a line.
fn witness(line: &str) -> Result<(NamedKey, String), String> {
    let (key, address) = line.trim().split_once(' ').ok_or("is a key, a blank and an address")?;
    let key = NamedKey::read(key).map_err(|error| error.to_string())?;
    if key.kind != KeyKind::Cosignature {
        return Err("that is not the key of a witness".to_owned());
    }
    let address = address.trim().trim_end_matches('/');
    let known = address.starts_with("http://") || address.starts_with("https://");
    if !known || address.contains(char::is_whitespace) {
        return Err("the address begins with http:// or https:// and holds no blanks".to_owned());
    }
    Ok((key, address.to_owned()))
}

fn checked(new: &NewWitnessPolicy) -> Result<Vec<(String, String)>, Refusal> {
    let mut errors = FieldErrors::default();
    let mut found: Vec<(NamedKey, String)> = Vec::new();
    for (at, line) in new.witnesses.iter().enumerate() {
        let field = format!("witnesses[{at}]");
        match witness(line) {
            Err(why) => errors.require(false, &field, "witness", &why, line),
            Ok((key, address)) => {
                // By the key itself: one witness under two names would count twice.
                let once = found.iter().all(|(other, _)| other.key != key.key);
                errors.require(once, &field, "once", "has the key of another line", line);
                found.push((key, address));
            }
        }
    }
    errors.require(new.witnesses.len() <= MOST, "witnesses", "range", "16 at the most", new.witnesses.len());
    let most = i32::try_from(new.witnesses.len()).unwrap_or(i32::MAX);
    let range = format!("from 0 to the number of witnesses, {most}");
    errors.require((0..=most).contains(&new.needed), "needed", "range", &range, new.needed);
    let hours = (1..=8760).contains(&new.within_hours);
    errors.require(hours, "within_hours", "range", "from 1 to 8760", new.within_hours);
    errors.check()?;
    states::reason_given("reason", Some(&new.reason))?;
    Ok(found.into_iter().map(|(key, address)| (key.text(), address)).collect())
}

/// Puts a decision on record.
pub(super) async fn decide(db: &Db, act: &Act, new: NewWitnessPolicy) -> Result<Answer, Refusal> {
    let (witnesses, addresses) = checked(&new)?.into_iter().unzip();
    let row = PolicyRow {
        id: WitnessPolicyId::new(),
        witnesses,
        addresses,
        needed: new.needed,
        within_hours: new.within_hours,
        reason: new.reason,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    db.write(act, async |connection| Ok(WitnessPolicy::from(store::insert_policy(connection, &row).await?))).await
}

/// Decisions, newest first.
pub(super) async fn decided(db: &Db) -> Result<Vec<WitnessPolicy>, Refusal> {
    let rows = db.read(async |connection| store::policies(connection, 200).await).await?;
    Ok(rows.into_iter().map(WitnessPolicy::from).collect())
}

/// The decision that counts, where one wants countersignatures.
async fn in_force(connection: &Connection) -> Result<Option<PolicyRow>, Refusal> {
    Ok(store::policies(connection, 1).await?.pop().filter(|policy| policy.needed > 0))
}

/// Age of the last head that as many countersigned as must, s; none where nobody decided that any must.
///
/// # Errors
/// A store that cannot be read.
pub async fn age(db: &Db, now: DateTime<Utc>) -> Result<Option<i64>, Refusal> {
    db.read(async |connection| {
        let Some(policy) = in_force(connection).await? else { return Ok(None) };
        Ok(Some((now - last(connection, &policy).await?).num_seconds()))
    })
    .await
}

/// When the last head was countersigned by as many as must; when that was decided, if none was.
async fn last(connection: &Connection, policy: &PolicyRow) -> Result<DateTime<Utc>, Refusal> {
    let found = store::countersigned(connection, &policy.witnesses, policy.needed).await?;
    Ok(found.map_or(policy.recorded_at, |found| found.signed_at))
}

/// An alert where heads were not countersigned as decided.
///
/// # Errors
/// A store that cannot be read.
pub async fn alerts(connection: &Connection, now: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let Some(policy) = in_force(connection).await? else { return Ok(Vec::new()) };
    let last = last(connection, &policy).await?;
    let due = last + TimeDelta::hours(i64::from(policy.within_hours));
    if due > now {
        return Ok(Vec::new());
    }
    Ok(vec![Alert {
        kind: "audit log not countersigned",
        urgency: Urgency::Now,
        subject_kind: "audit",
        subject: Uuid::nil(),
        code: "audit log".to_owned(),
        message: format!(
            "{} of the witnesses must countersign; the last head that they did is {} h old: see whether they are reached, and \
             whether one refuses",
            policy.needed,
            (now - last).num_hours()
        ),
        due_at: Some(due),
    }])
}

/// What was countersigned last, witness by witness.
pub(super) async fn countersigned(db: &Db) -> Result<Vec<CosignatureRow>, Refusal> {
    db.read(async |connection| {
        let mut newest: Vec<CosignatureRow> = Vec::new();
        for policy in store::policies(connection, 1).await? {
            for witness in policy.witnesses {
                let size = store::countersigned_by(connection, &witness).await?;
                let rows = store::cosignatures_of(connection, &[size]).await?;
                newest.extend(rows.into_iter().filter(|row| row.witness == witness));
            }
        }
        Ok(newest)
    })
    .await
}
