//! Data: recorded by a person, taken from determinations, or imported from a table; left out only with a cause and two people.

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{
    AccountId, DeterminationId, IronResultId, ValidationCharacteristicId, ValidationDatumId, ValidationExclusionId,
    ValidationIronDatumId,
};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::{Answer, Located};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::json::Json;
use ferrotitre_bench::readings;
use ferrotitre_ledger::accounts::signing;
use ferrotitre_results::determinations::{iron_results, measured};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::validation_studies::answer::CharacteristicAnswer;
use crate::validation_studies::kinds::Kind;
pub use crate::validation_studies::labels::Labels;
use crate::validation_studies::plan::{EXCLUSION, STUDY};
use crate::validation_studies::reading;
use crate::validation_studies::store::{self, CharacteristicRow, DatumRow, ExclusionRow, IronDatumRow};

/// Data of one request.
const MOST: usize = 1000;

/// A datum as sent: a value, or a determination or iron result whose evaluation gives it.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewDatum {
    /// Value in the unit of the characteristic; left out where the record gives it.
    #[schema(example = "52.41")]
    pub value: Option<Decimal>,
    /// Standard uncertainty, if known.
    pub standard_uncertainty: Option<Decimal>,
    /// Determination of the record.
    pub determination: Option<Uuid>,
    /// Iron result of the record, for detection by difference: its iron(III) is the value, with its standard uncertainty. Its
    /// total iron puts it to the planned level it is near to, where `taken` is left out.
    pub iron_result: Option<Uuid>,
    /// Where it belongs in the design.
    #[serde(default)]
    pub labels: Labels,
}

/// Data as sent.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewData {
    /// Data, at most 1000.
    pub data: Vec<NewDatum>,
}

/// A datum to be left out.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = NewDatumExclusion)]
pub struct NewExclusion {
    /// Assigned cause; an outlier test is none.
    #[schema(example = "grey precipitate")]
    pub cause: String,
    /// What shows it, at least 5 characters.
    #[schema(example = "bench book 9, page 14: precipitate grey, portion poured away afterwards")]
    pub evidence: String,
}

/// An exclusion as shown.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = DatumExclusionView)]
pub struct ExclusionView {
    /// Identity.
    pub id: ValidationExclusionId,
    /// Datum.
    pub datum: ValidationDatumId,
    /// Cause.
    pub cause: String,
    /// What shows it.
    pub evidence: String,
    /// proposed, approved or rejected.
    pub state: String,
    /// SHA-256 of what a signature covers.
    pub content_digest: String,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// Who proposed it.
    pub recorded_by: AccountId,
}

impl Located for ExclusionView {
    fn location(&self) -> String {
        format!("/api/v1/validation-exclusions/{}", self.id)
    }
}

/// Answer to a write of data: the characteristic as it stands then.
#[derive(Debug, Serialize, ToSchema)]
pub struct Recorded(pub CharacteristicAnswer);

impl Located for Recorded {
    fn location(&self) -> String {
        format!("/api/v1/validation-characteristics/{}/answer", self.0.characteristic)
    }
}

/// Refuses data unless the study is running.
pub(super) async fn running(connection: &Connection, characteristic: &CharacteristicRow) -> Result<(), Refusal> {
    let state = states::present(connection, STUDY, characteristic.study_id.0).await?.state;
    if state == "running" {
        return Ok(());
    }
    let detail = match state.as_str() {
        "planned" => "the plan is not approved yet: limits are set and approved before the first datum".to_owned(),
        other => format!("the study is {other}; it takes data while it is running"),
    };
    Err(Refusal::new(Code::StateConflict, detail).with_facts(serde_json::json!({ "state": state })))
}

/// What the record gives.
struct Drawn {
    value: Decimal,
    u: Option<Decimal>,
    digest: String,
}

impl Drawn {
    fn of((value, u): (f64, f64), digest: String) -> Result<Self, Refusal> {
        Ok(Self { value: figure(value)?, u: Decimal::of(u), digest })
    }
}

fn figure(value: f64) -> Result<Decimal, Refusal> {
    Decimal::of(value).ok_or_else(|| Refusal::new(Code::Internal, "a result is not a number"))
}

fn unknown(refusal: Refusal, field: &str, id: Uuid) -> Refusal {
    match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", id),
        _ => refusal,
    }
}

fn in_another_unit(code: &str, unit: &str, (field, id): (&str, Uuid)) -> Refusal {
    Refusal::invalid(field, "unit", format!("{code} has no result in {unit}"), id)
}

/// A determination's present result as a datum.
async fn of_determination(
    connection: &Connection,
    characteristic: &CharacteristicRow,
    id: Uuid,
    field: &str,
) -> Result<Drawn, Refusal> {
    let found = measured::one(connection, id).await.map_err(|refusal| unknown(refusal, field, id))?;
    if let Some(why) = found.incomplete {
        return Err(Refusal::new(Code::NotEnoughData, format!("{} has no result yet: {why}", found.code))
            .at(field, "complete", id));
    }
    let unit = &characteristic.unit;
    let result = found.in_unit(unit).ok_or_else(|| in_another_unit(&found.code, unit, (field, id)))?;
    Drawn::of(result, found.digest)
}

/// An iron result's present difference as a datum, with its total iron; the datum gets its level if it has none.
async fn of_iron_result(
    connection: &Connection,
    characteristic: &CharacteristicRow,
    id: Uuid,
    (at, labels): (&str, &mut Labels),
) -> Result<(Drawn, Decimal), Refusal> {
    let field = format!("{at}.iron_result");
    let found = iron_results::difference(connection, id).await.map_err(|refusal| unknown(refusal, &field, id))?;
    let (Some(iron3), Some(total)) = (found.iron3, found.total) else {
        let detail = format!("{} has no result yet: both its determinations must be complete", found.code);
        return Err(Refusal::new(Code::NotEnoughData, detail).at(&field, "complete", id));
    };
    let unit = &characteristic.unit;
    if found.unit != unit {
        return Err(in_another_unit(&found.code, unit, (&field, id)));
    }
    if labels.taken.is_none() {
        let design = &characteristic.design.0;
        labels.taken = design.level_near(total).and_then(|level| level.parse().ok());
        if labels.taken.is_none() {
            let planned = if design.levels.is_empty() { "none".to_owned() } else { design.levels.join(", ") };
            let message = format!(
                "total iron of {} is {total:.6} {unit}, near no planned level ({planned}): say which it was made at",
                found.code
            );
            return Err(Refusal::invalid(&format!("{at}.labels.taken"), "level", message, total));
        }
    }
    Ok((Drawn::of(iron3, found.digest)?, figure(total)?))
}

async fn row_of(
    connection: &Connection,
    characteristic: &CharacteristicRow,
    (index, position): (usize, i32),
    new: NewDatum,
    by: AccountId,
) -> Result<(DatumRow, Option<IronDatumRow>), Refusal> {
    let field = format!("data[{index}]");
    let (mut labels, id, mut from) = (new.labels, ValidationDatumId::new(), None);
    let (source, value, standard_uncertainty, content_digest) = match (new.value, new.determination, new.iron_result) {
        (Some(value), None, None) => ("person", value, new.standard_uncertainty, None),
        (None, Some(determination), None) => {
            let at = format!("{field}.determination");
            let drawn = of_determination(connection, characteristic, determination, &at).await?;
            ("determination", drawn.value, drawn.u, Some(drawn.digest))
        }
        (None, None, Some(result)) => {
            let at = (field.as_str(), &mut labels);
            let (drawn, total) = of_iron_result(connection, characteristic, result, at).await?;
            from = Some(IronDatumRow {
                id: ValidationIronDatumId::new(),
                datum_id: id,
                characteristic_id: characteristic.id,
                iron_result_id: IronResultId(result),
                total,
                recorded_by: by,
            });
            ("iron result", drawn.value, drawn.u, Some(drawn.digest))
        }
        _ => {
            let message = "give either a value, or a determination or iron result that has it";
            return Err(Refusal::invalid(&format!("{field}.value"), "one_of", message, ""));
        }
    };
    let row = DatumRow {
        id,
        characteristic_id: characteristic.id,
        position,
        value,
        standard_uncertainty,
        labels: Json(labels),
        source: source.to_owned(),
        determination_id: new.determination.map(DeterminationId),
        content_digest,
        file_id: None,
        line: None,
        recorded_at: DateTime::<Utc>::UNIX_EPOCH,
        recorded_by: by,
    };
    Ok((row, from))
}

fn check(kind: Kind, new: &NewData) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    let some = (1..=MOST).contains(&new.data.len());
    errors.require(some, "data", "length", "send 1 to 1000 data", new.data.len());
    for (i, datum) in new.data.iter().enumerate() {
        for (label, rule, message, value) in datum.labels.faults(kind) {
            // An iron result knows its total iron.
            if (label, rule) == ("taken", "required") && datum.iron_result.is_some() {
                continue;
            }
            errors.add(&format!("data[{i}].labels.{label}"), rule, message, value);
        }
        if let Some(u) = datum.standard_uncertainty.as_ref().filter(|u| u.value() < 0.0) {
            errors.add(&format!("data[{i}].standard_uncertainty"), "range", "must not be negative", u);
        }
        match (kind, datum.determination, datum.iron_result) {
            (Kind::DetectionByDifference, Some(id), _) => {
                let message = "a determination is no difference: give an iron result";
                errors.add(&format!("data[{i}].determination"), "kind", message, id);
            }
            (Kind::DetectionByDifference, ..) | (_, _, None) => {}
            (_, _, Some(id)) => {
                let message = format!("iron results are data of detection by difference, not of {}", kind.text());
                errors.add(&format!("data[{i}].iron_result"), "kind", message, id);
            }
        }
    }
    errors.check()
}

/// Records data of a characteristic of a running study.
pub async fn record(db: &Db, act: &Act, id: Uuid, new: NewData) -> Result<Answer, Refusal> {
    let by = author(act)?;
    db.write(act, async |connection| {
        let characteristic = store::characteristic(connection, id).await?;
        running(connection, &characteristic).await?;
        check(Kind::of(&characteristic.kind)?, &new)?;
        let last = store::last_position(connection, characteristic.id).await?;
        let (mut rows, mut iron) = (Vec::with_capacity(new.data.len()), Vec::new());
        for ((index, datum), position) in new.data.into_iter().enumerate().zip(last + 1..) {
            let (row, from) = row_of(connection, &characteristic, (index, position), datum, by).await?;
            rows.push(row);
            iron.extend(from);
        }
        store::insert_data(connection, &rows).await?;
        if !iron.is_empty() {
            store::insert_iron_data(connection, &iron).await?;
        }
        answered(connection, characteristic.id).await
    })
    .await
}

/// The characteristic after a write.
pub(super) async fn answered(connection: &Connection, id: ValidationCharacteristicId) -> Result<Recorded, Refusal> {
    reading::one_answer(connection, id.0).await.map(Recorded)
}

/// Proposes to leave a datum out.
pub async fn exclude(db: &Db, act: &Act, id: Uuid, new: NewExclusion) -> Result<Answer, Refusal> {
    let by = author(act)?;
    readings::cause(&new.cause).map_err(|refusal| Refusal {
        detail: format!("{}; an outlier test alone is no cause", refusal.detail),
        ..refusal
    })?;
    states::reason_given("evidence", Some(&new.evidence))?;
    db.write(act, async |connection| {
        let datum = store::datum(connection, id).await?;
        let characteristic = store::characteristic(connection, datum.characteristic_id.0).await?;
        running(connection, &characteristic).await?;
        let before: Vec<ExclusionRow> = store::exclusions(connection, &[datum.id]).await?;
        let ids: Vec<Uuid> = before.iter().map(|row| row.id.0).collect();
        let known = states::present_many(connection, EXCLUSION, &ids).await?;
        if known.values().any(|state| state != "rejected") {
            return Err(Refusal::new(Code::StateConflict, "the datum is left out already, or proposed to be"));
        }
        let row = ExclusionRow {
            id: ValidationExclusionId::new(),
            datum_id: datum.id,
            cause: new.cause,
            evidence: new.evidence,
            recorded_at: DateTime::<Utc>::UNIX_EPOCH,
            recorded_by: by,
        };
        let row = store::insert_exclusion(connection, &row).await?;
        Ok(exclusion_view(row, EXCLUSION.first_state().to_owned()))
    })
    .await
}

fn exclusion_view(row: ExclusionRow, state: String) -> ExclusionView {
    ExclusionView {
        content_digest: exclusion_digest(&row),
        id: row.id,
        datum: row.datum_id,
        cause: row.cause,
        evidence: row.evidence,
        state,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    }
}

/// Digest of what a signature on an exclusion covers.
pub(super) fn exclusion_digest(row: &ExclusionRow) -> String {
    crate::validation_studies::plan::digest_of(&format!(
        "ferrotitre validation exclusion 1\n{} {}\n{}\n{}\n",
        row.id, row.datum_id, row.cause, row.evidence
    ))
}

/// Signs an exclusion, or refuses it; someone other than whoever proposed it and whoever recorded the datum.
pub async fn decide_exclusion(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    (id, approve): (Uuid, bool),
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| {
        let row = store::exclusion(connection, id).await?;
        let datum = store::datum(connection, row.datum_id.0).await?;
        let characteristic = store::characteristic(connection, datum.characteristic_id.0).await?;
        running(connection, &characteristic).await?;
        let detail = "an exclusion is signed by someone other than its proposer and than who recorded the datum";
        signing::not_a_party(connection, user.account, &[row.recorded_by, datum.recorded_by], detail).await?;
        let digest = exclusion_digest(&row);
        let (to, meaning) = if approve { ("approved", Meaning::Approved) } else { ("rejected", Meaning::Rejected) };
        let asked = NewMove { to: to.to_owned(), reason: signature.reason.clone() };
        states::advance(connection, act, EXCLUSION, id, &asked, Some(&row.cause)).await?;
        let content = Content { kind: EXCLUSION, id, digest: &digest, evaluation: None };
        sign_offs::sign(connection, user, meaning, content, &signature).await?;
        Ok(exclusion_view(row, to.to_owned()))
    })
    .await
}

/// The characteristic that a datum belongs to, with its answer.
pub async fn characteristic_of(db: &Db, datum: Uuid) -> Result<CharacteristicAnswer, Refusal> {
    db.read(async |connection| {
        let datum = store::datum(connection, datum).await?;
        reading::one_answer(connection, datum.characteristic_id.0).await
    })
    .await
}

/// The characteristic that an exclusion concerns, with its answer.
pub async fn characteristic_of_exclusion(db: &Db, exclusion: Uuid) -> Result<CharacteristicAnswer, Refusal> {
    let datum = db.read(async |connection| Ok(store::exclusion(connection, exclusion).await?.datum_id)).await?;
    characteristic_of(db, datum.0).await
}
