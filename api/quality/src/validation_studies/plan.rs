//! The plan: written by one person, approved by another with a signature, frozen from then on; late changes are amendments.

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, ValidationAmendmentId, ValidationCharacteristicId, ValidationStudyId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::{code, words};
use ferrotitre_base::web::json::Json;
use ferrotitre_bench::methods;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::validation::DataUnit;
use ferrotitre_ledger::accounts::signing;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::validation_studies::answer::CharacteristicAnswer;
use crate::validation_studies::kinds::{Limit, check_limits};
use crate::validation_studies::store::{self, AmendmentRow, CharacteristicRow, StudyRow};
use crate::validation_studies::wire::{NewAmendment, NewCharacteristic, NewStudy};
use crate::validation_studies::{data, reading};

pub(super) const STUDY: EntityKind = EntityKind::ValidationStudy;
pub(super) const AMENDMENT: EntityKind = EntityKind::ValidationAmendment;
pub(super) const EXCLUSION: EntityKind = EntityKind::ValidationExclusion;

/// The unit of the data of a characteristic.
pub(super) fn unit_of(row: &CharacteristicRow) -> Result<DataUnit, Refusal> {
    DataUnit::of(&row.unit)
        .ok_or_else(|| Refusal::new(Code::Internal, "the data of a characteristic have no known unit"))
}

fn check_characteristic(new: &NewCharacteristic, at: &str, errors: &mut FieldErrors) {
    words(errors, &format!("{at}.title"), &new.title);
    let units = DataUnit::ALL.map(DataUnit::symbol);
    let known = units.contains(&new.unit.as_str());
    errors.require(known, &format!("{at}.unit"), "one_of", format!("must be one of {}", units.join(", ")), &new.unit);
    let some = (1..=10_000).contains(&new.planned_n);
    errors.require(some, &format!("{at}.planned_n"), "range", "must be from 1 to 10000", new.planned_n);
    new.design.check(new.kind, &format!("{at}.design"), errors);
    check_limits(new.kind, &new.unit, &new.limits, &format!("{at}.limits"), errors);
}

fn check(new: &NewStudy) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    code(&mut errors, "code", &new.code);
    words(&mut errors, "title", &new.title);
    words(&mut errors, "purpose", &new.purpose);
    let some = (1..=50).contains(&new.characteristics.len());
    let message = "a plan has 1 to 50 characteristics";
    errors.require(some, "characteristics", "length", message, new.characteristics.len());
    for (i, characteristic) in new.characteristics.iter().enumerate() {
        check_characteristic(characteristic, &format!("characteristics[{i}]"), &mut errors);
    }
    errors.check()
}

fn characteristic_row(
    study: ValidationStudyId,
    position: i32,
    new: NewCharacteristic,
    by: AccountId,
) -> CharacteristicRow {
    CharacteristicRow {
        id: ValidationCharacteristicId::new(),
        study_id: study,
        position,
        kind: new.kind.text().to_owned(),
        title: new.title,
        unit: new.unit,
        planned_n: new.planned_n,
        design: Json(new.design),
        limits: Json(new.limits),
        recorded_by: by,
    }
}

/// Records a plan, whole.
pub async fn record(db: &Db, act: &Act, new: NewStudy) -> Result<Answer, Refusal> {
    check(&new)?;
    let by = author(act)?;
    db.write(act, async |connection| {
        methods::service::known(connection, "method", new.method).await?;
        let row = StudyRow {
            id: ValidationStudyId::new(),
            code: new.code,
            title: new.title,
            purpose: new.purpose,
            method_id: new.method,
            recorded_at: DateTime::<Utc>::UNIX_EPOCH,
            recorded_by: by,
        };
        let row = store::insert_study(connection, &row).await?;
        let rows: Vec<CharacteristicRow> = new
            .characteristics
            .into_iter()
            .zip(1..)
            .map(|(characteristic, position)| characteristic_row(row.id, position, characteristic, by))
            .collect();
        store::insert_characteristics(connection, &rows).await?;
        reading::view(connection, row).await
    })
    .await
}

/// SHA-256 as text.
pub(super) fn digest_of(text: &str) -> String {
    hex::encode(Sha256::digest(text.as_bytes()))
}

/// Digest of what a signature on a plan covers: everything that was planned.
pub(super) fn digest(study: &StudyRow, plan: &[CharacteristicRow]) -> Result<String, Refusal> {
    let mut text = format!(
        "ferrotitre validation plan 1\n{} {} {}\n{}\n{}\n",
        study.id, study.code, study.method_id, study.title, study.purpose
    );
    for row in plan {
        let design = serde_json::to_string(&row.design).map_err(Refusal::internal)?;
        let limits = serde_json::to_string(&row.limits).map_err(Refusal::internal)?;
        text.push_str(&format!(
            "{} {} {} {} {}\n{}\n{design}\n{limits}\n",
            row.id, row.position, row.kind, row.unit, row.planned_n, row.title
        ));
    }
    Ok(digest_of(&text))
}

/// Approves or rejects a plan, signed by someone other than its author.
pub async fn decide(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    (id, approve): (Uuid, bool),
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| {
        let row = store::study(connection, id).await?;
        let detail = "a plan is decided on by someone other than its author";
        signing::not_a_party(connection, user.account, &[row.recorded_by], detail).await?;
        let state = states::present(connection, STUDY, id).await?.state;
        if state != "planned" {
            let detail = format!("the plan was decided on already: the study is {state}");
            return Err(Refusal::new(Code::StateConflict, detail));
        }
        let digest = digest(&row, &store::plan(connection, row.id).await?)?;
        let (to, meaning) = if approve { ("running", Meaning::Approved) } else { ("rejected", Meaning::Rejected) };
        let asked = NewMove { to: to.to_owned(), reason: signature.reason.clone() };
        states::advance(connection, act, STUDY, id, &asked, None).await?;
        let content = Content { kind: STUDY, id, digest: &digest, evaluation: None };
        sign_offs::sign(connection, user, meaning, content, &signature).await?;
        reading::view(connection, row).await
    })
    .await
}

/// Limits of a characteristic in force: those planned, or of the last approved amendment.
pub(super) fn in_force(
    characteristic: &CharacteristicRow,
    amendments: &[AmendmentRow],
    approved: impl Fn(ValidationAmendmentId) -> bool,
) -> Vec<Limit> {
    let last = amendments.iter().rfind(|row| row.characteristic_id == characteristic.id && approved(row.id));
    last.map_or_else(|| characteristic.limits.0.clone(), |row| row.limits.0.clone())
}

async fn present_limits(connection: &Connection, row: &CharacteristicRow) -> Result<(Vec<Limit>, i32), Refusal> {
    let before = store::amendments(connection, &[row.id]).await?;
    let ids: Vec<Uuid> = before.iter().map(|row| row.id.0).collect();
    let known = states::present_many(connection, AMENDMENT, &ids).await?;
    if known.values().any(|state| state == "proposed") {
        return Err(Refusal::new(Code::StateConflict, "an amendment is proposed already: it is decided on first"));
    }
    let approved = |id: ValidationAmendmentId| known.get(&id.0).is_some_and(|state| state == "approved");
    let number = before.last().map_or(1, |row| row.number + 1);
    Ok((in_force(row, &before, approved), number))
}

/// Proposes other limits; what was planned stays beside them for good.
pub async fn amend(db: &Db, act: &Act, id: Uuid, new: NewAmendment) -> Result<Answer, Refusal> {
    let by = author(act)?;
    states::reason_given("reason", Some(&new.reason))?;
    db.write(act, async |connection| {
        let characteristic = store::characteristic(connection, id).await?;
        data::running(connection, &characteristic).await?;
        let kind = crate::validation_studies::kinds::Kind::of(&characteristic.kind)?;
        let mut errors = FieldErrors::default();
        check_limits(kind, &characteristic.unit, &new.limits, "limits", &mut errors);
        errors.check()?;
        let (old, number) = present_limits(connection, &characteristic).await?;
        if old == new.limits {
            return Err(Refusal::invalid("limits", "changed", "are the limits in force", ""));
        }
        let row = AmendmentRow {
            id: ValidationAmendmentId::new(),
            characteristic_id: characteristic.id,
            number,
            old_limits: Json(old),
            limits: Json(new.limits),
            reason: new.reason,
            recorded_at: DateTime::<Utc>::UNIX_EPOCH,
            recorded_by: by,
        };
        store::insert_amendment(connection, &row).await?;
        data::answered(connection, characteristic.id).await
    })
    .await
}

/// Digest of what a signature on an amendment covers: the limits before and after, and why.
pub(super) fn amendment_digest(row: &AmendmentRow) -> Result<String, Refusal> {
    let limits = serde_json::to_string(&(&row.old_limits, &row.limits)).map_err(Refusal::internal)?;
    Ok(digest_of(&format!(
        "ferrotitre validation amendment 1\n{} {} {}\n{limits}\n{}\n",
        row.id, row.characteristic_id, row.number, row.reason
    )))
}

/// Approves or rejects an amendment, signed by someone other than its proposer.
pub async fn decide_amendment(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    (id, approve): (Uuid, bool),
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| {
        let row = store::amendment(connection, id).await?;
        let characteristic = store::characteristic(connection, row.characteristic_id.0).await?;
        data::running(connection, &characteristic).await?;
        let study = store::study(connection, characteristic.study_id.0).await?;
        let detail = "an amendment is decided on by someone other than its proposer and than the author of the plan";
        signing::not_a_party(connection, user.account, &[row.recorded_by, study.recorded_by], detail).await?;
        let digest = amendment_digest(&row)?;
        let (to, meaning) = if approve { ("approved", Meaning::Approved) } else { ("rejected", Meaning::Rejected) };
        let asked = NewMove { to: to.to_owned(), reason: signature.reason.clone() };
        states::advance(connection, act, AMENDMENT, id, &asked, None).await?;
        let content = Content { kind: AMENDMENT, id, digest: &digest, evaluation: None };
        sign_offs::sign(connection, user, meaning, content, &signature).await?;
        data::answered(connection, characteristic.id).await
    })
    .await
}

/// The characteristic that an amendment concerns, with its answer.
pub async fn characteristic_of(db: &Db, amendment: Uuid) -> Result<CharacteristicAnswer, Refusal> {
    db.read(async |connection| {
        let amendment = store::amendment(connection, amendment).await?;
        reading::one_answer(connection, amendment.characteristic_id.0).await
    })
    .await
}
