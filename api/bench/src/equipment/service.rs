//! Use cases of equipment.

use chrono::{DateTime, Utc};
use ferrotitre_base::alert::{Alert, Urgency, ending};
use ferrotitre_base::bench_times::{self, Observed};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{CalibrationId, EquipmentCheckId};
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::versions::{Correction, VersionView};
use uuid::Uuid;

use crate::certificate_files::service::{self as certificate_files, NewCertificateFile};
use crate::equipment::stated::StatedUncertainty;
use crate::equipment::store::corrections::{self, Corrected};
use crate::equipment::store::statements;
use crate::equipment::store::{self, Calibration, Check, EquipmentFacts, KIND, NewCalibration, NewCheck, versions};
use crate::impacts;
use crate::nonconformities::service::{Opening, open_because};
pub use store::versions::{advance, list, read, record};

/// Corrects equipment, with what that touches.
pub async fn correct(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<EquipmentFacts>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let present = versions::current(connection, id).await?;
        let row = versions::insert(connection, &versions::next(act, &present, if_match, correction)?).await?;
        impacts::follow_up(connection, act, row.id.0).await?;
        let state = states::present(connection, KIND, id).await?.state;
        Ok(row.view(state))
    })
    .await
}

fn calibration_row(
    act: &Act,
    (equipment, facts): (Uuid, &EquipmentFacts),
    new: NewCalibration,
) -> Result<Calibration, Refusal> {
    Ok(Calibration {
        calibrated_value: new.volume(facts),
        standard_uncertainty: new.uncertainty(facts)?,
        id: CalibrationId::new(),
        equipment_id: equipment,
        certificate: new.certificate,
        certificate_digest: new.certificate_digest,
        calibrated_on: new.calibrated_on,
        due_on: new.due_on,
        corrections: serde_json::to_value(&new.corrections).map_err(Refusal::internal)?,
        degrees_of_freedom: new.degrees_of_freedom,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    })
}

/// Records a calibration, with the file of its certificate if that came with it.
pub async fn record_calibration(
    db: &Db,
    act: &Act,
    equipment: Uuid,
    mut new: NewCalibration,
    file: Option<NewCertificateFile>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        if let Some(file) = &file {
            new.certificate_digest = Some(certificate_files::keep(connection, act, file).await?.digest);
        }
        record_calibration_in(connection, act, equipment, new).await
    })
    .await
}

/// Records a calibration in a transaction that does more.
pub async fn record_calibration_in(
    connection: &Connection,
    act: &Act,
    equipment: Uuid,
    new: NewCalibration,
) -> Result<Calibration, Refusal> {
    let present = versions::current(connection, equipment).await?;
    new.check(&present.facts)?;
    let stated = new.stated.clone();
    let row = calibration_row(act, (equipment, &present.facts), new)?;
    let row = store::insert_calibration(connection, &row).await?;
    if let Some(stated) = stated {
        statements::insert(connection, row.id, &stated, row.recorded_by).await?;
    }
    impacts::follow_up(connection, act, row.id.0).await?;
    Ok(row)
}

/// Corrects a calibration: a new one with the reason takes its place, and both stay.
pub async fn correct_calibration(
    db: &Db,
    act: &Act,
    id: Uuid,
    correction: Correction<NewCalibration>,
) -> Result<Answer, Refusal> {
    states::reason_given("reason", Some(&correction.reason))?;
    db.write(act, async |connection| {
        let wrong = store::calibration(connection, id).await?;
        let present = versions::current(connection, wrong.equipment_id).await?;
        correction.facts.check(&present.facts)?;
        let stated = correction.facts.stated.clone();
        let row = calibration_row(act, (wrong.equipment_id, &present.facts), correction.facts)?;
        let why = (wrong.id, correction.reason.as_str());
        corrections::insert_calibration_correction(connection, row.id, why, row.recorded_by).await?;
        let row = store::insert_calibration(connection, &row).await?;
        if let Some(stated) = stated {
            statements::insert(connection, row.id, &stated, row.recorded_by).await?;
        }
        impacts::follow_up(connection, act, row.id.0).await?;
        Ok(row)
    })
    .await
}

fn check_outcome(new: &NewCheck) -> Result<(), Refusal> {
    not_in_the_future("observed_at", new.observed_at)?;
    if matches!(new.outcome.as_str(), "passed" | "failed") {
        return Ok(());
    }
    Err(Refusal::invalid("outcome", "one_of", "must be passed or failed", &new.outcome))
}

/// Records a check; a failed one takes the equipment out of service at once.
pub async fn record_check(db: &Db, act: &Act, equipment: Uuid, new: NewCheck) -> Result<Answer, Refusal> {
    check_outcome(&new)?;
    db.write(act, async |connection| checked(connection, act, equipment, new, None).await).await
}

/// Corrects a check: a new one with the reason takes its place, and both stay. One that is found to have failed takes the
/// equipment out of service.
pub async fn correct_check(db: &Db, act: &Act, id: Uuid, correction: Correction<NewCheck>) -> Result<Answer, Refusal> {
    states::reason_given("reason", Some(&correction.reason))?;
    check_outcome(&correction.facts)?;
    db.write(act, async |connection| {
        let wrong = store::check(connection, id).await?;
        let why = Some((wrong.id, correction.reason.as_str()));
        checked(connection, act, wrong.equipment_id, correction.facts, why).await
    })
    .await
}

async fn checked(
    connection: &Connection,
    act: &Act,
    equipment: Uuid,
    new: NewCheck,
    corrects: Option<(EquipmentCheckId, &str)>,
) -> Result<Check, Refusal> {
    let present = versions::current(connection, equipment).await?;
    let row = Check {
        id: EquipmentCheckId::new(),
        equipment_id: equipment,
        outcome: new.outcome,
        reading: new.reading,
        reference: new.reference,
        note: new.note,
        observed_at: new.observed_at,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    let since = store::there_since(connection, equipment).await?;
    bench_times::there_since(row.observed_at, since, "observed_at", &present.facts.code)?;
    let late = Observed::new("equipment_checks", row.id.0, row.observed_at, new.late_reason.as_deref());
    bench_times::accept(connection, act, late).await?;
    if let Some(why) = corrects {
        corrections::insert_check_correction(connection, row.id, why, row.recorded_by).await?;
    }
    let check = store::insert_check(connection, &row).await?;
    if check.outcome == "failed" && states::present(connection, KIND, equipment).await?.state == "in service" {
        let asked = NewMove { to: "out of service".to_owned(), reason: Some("failed check".to_owned()) };
        states::advance(connection, act, KIND, equipment, &asked, None).await?;
    }
    if check.outcome == "failed" {
        let code = &present.facts.code;
        let opening = Opening {
            source: "failed equipment check",
            severity: "major",
            title: format!("{code} failed its check"),
            scope: format!("everything measured with {code} since its last good check"),
            owner: None,
            observed_at: check.observed_at,
            links: vec![(KIND.table(), equipment, "affected"), ("equipment_checks", check.id.0, "origin")],
        };
        open_because(connection, act, opening).await?;
    }
    Ok(check)
}

/// A calibration or check with what it corrects and what corrects it.
#[derive(Debug)]
pub struct Corrigible<R> {
    /// As recorded.
    pub row: R,
    /// The one that this one corrects.
    pub corrects: Option<Uuid>,
    /// Why.
    pub reason: Option<String>,
    /// The one that corrects this one, which then no longer counts.
    pub corrected_by: Option<Uuid>,
}

fn corrigible<R>(rows: Vec<R>, corrected: &[Corrected], id: impl Fn(&R) -> Uuid) -> Vec<Corrigible<R>> {
    let with = rows.into_iter().map(|row| {
        let own = id(&row);
        let corrects = corrected.iter().find(|one| one.by == own);
        Corrigible {
            corrects: corrects.map(|one| one.corrects),
            reason: corrects.map(|one| one.reason.clone()),
            corrected_by: corrected.iter().find(|one| one.corrects == own).map(|one| one.by),
            row,
        }
    });
    with.collect()
}

pub async fn calibrations(db: &Db, equipment: Uuid) -> Result<Vec<Corrigible<Calibration>>, Refusal> {
    db.read(async |connection| {
        versions::current(connection, equipment).await?;
        let corrected = corrections::calibration_corrections_of(connection, &[equipment]).await?;
        Ok(corrigible(store::calibrations(connection, equipment).await?, &corrected, |row| row.id.0))
    })
    .await
}

pub async fn checks(db: &Db, equipment: Uuid) -> Result<Vec<Corrigible<Check>>, Refusal> {
    db.read(async |connection| {
        versions::current(connection, equipment).await?;
        let corrected = corrections::check_corrections_of(connection, equipment).await?;
        Ok(corrigible(store::checks(connection, equipment).await?, &corrected, |row| row.id.0))
    })
    .await
}

/// What certificates state of the calibrations of a piece of equipment.
pub async fn stated(db: &Db, equipment: Uuid) -> Result<Vec<(Uuid, StatedUncertainty)>, Refusal> {
    db.read(async |connection| statements::of(connection, equipment).await).await
}

/// A calibration by its identity.
pub async fn calibration(db: &Db, id: Uuid) -> Result<Calibration, Refusal> {
    db.read(async |connection| store::calibration(connection, id).await).await
}

/// A check by its identity.
pub async fn check(db: &Db, id: Uuid) -> Result<Check, Refusal> {
    db.read(async |connection| store::check(connection, id).await).await
}

/// Calibrations of equipment in service that have ended or end soon.
pub async fn alerts(connection: &Connection, now: DateTime<Utc>, until: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let due = store::calibrations_ending(connection, until.date_naive()).await?;
    let ids: Vec<Uuid> = due.iter().map(|(id, _)| *id).collect();
    let (facts, states) =
        futures_util::try_join!(store::present_facts(connection, &ids), states::present_many(connection, KIND, &ids))?;
    let codes: std::collections::HashMap<Uuid, String> =
        facts.into_iter().map(|(id, facts)| (id, facts.code)).collect();
    let in_service = |id: &Uuid| states.get(id).is_some_and(|state| state == "in service");
    Ok(due
        .into_iter()
        .filter(|(id, _)| in_service(id))
        .filter_map(|(id, due)| {
            let code = codes.get(&id).cloned().unwrap_or_default();
            // The last day of validity still counts.
            let end = due.succ_opt().unwrap_or(due).and_time(chrono::NaiveTime::MIN).and_utc();
            ending((now, until + chrono::Duration::days(1)), end, |urgency| Alert {
                kind: if urgency == Urgency::Now { "calibration overdue" } else { "calibration due" },
                urgency,
                subject_kind: "equipment",
                subject: id,
                message: format!("the calibration of {code} is valid until {due}"),
                code,
                due_at: Some(end),
            })
        })
        .collect())
}

/// A piece of equipment with the day its calibration ends.
#[derive(Debug)]
pub struct Piece {
    pub view: VersionView<EquipmentFacts>,
    /// Last day of the newest calibration; none if there is no calibration.
    pub due_on: Option<chrono::NaiveDate>,
}

impl Piece {
    /// Its state, or what keeps it from being used although it is in service.
    pub fn stands(&self) -> String {
        match self.due_on {
            _ if self.view.state != "in service" || self.ready() => self.view.state.clone(),
            Some(_) => "overdue".to_owned(),
            None => "not calibrated".to_owned(),
        }
    }

    /// In service, with a calibration that has not ended.
    pub fn ready(&self) -> bool {
        self.view.state == "in service" && self.due_on.is_some_and(|due| due >= Utc::now().date_naive())
    }
}

/// All equipment that is not retired, newest first.
pub async fn pieces(db: &Db) -> Result<Vec<Piece>, Refusal> {
    let mut listing = Listing { limit: Some(200), ..Listing::default() };
    let mut views = Vec::new();
    loop {
        let page = list(db, &listing).await?;
        views.extend(page.items.into_iter().filter(|view| view.state != "retired"));
        listing.after = page.next;
        if listing.after.is_none() {
            break;
        }
    }
    let ids: Vec<Uuid> = views.iter().map(|view| view.id).collect();
    let (calibrations, corrected) = db
        .read(async |connection| {
            let both =
                (store::calibrations_of(connection, &ids), corrections::calibration_corrections_of(connection, &ids));
            futures_util::try_join!(both.0, both.1)
        })
        .await?;
    let newest = |id: Uuid| {
        let counts = |one: &&Calibration| !corrected.iter().any(|correction| correction.corrects == one.id.0);
        let own = calibrations.iter().filter(|calibration| calibration.equipment_id == id).filter(counts);
        own.max_by_key(|calibration| calibration.calibrated_on).map(|calibration| calibration.due_on)
    };
    Ok(views.into_iter().map(|view| Piece { due_on: newest(view.id), view }).collect())
}

/// Equipment that may be used at a time: of one of the kinds, in service, calibrated and not overdue.
#[derive(Debug)]
pub struct Usable {
    pub facts: EquipmentFacts,
    pub calibration: Calibration,
    /// Set when its use rests on a concession.
    pub overdue: bool,
}

/// Looks equipment up for use.
///
/// # Errors
/// Unknown; of another kind; out of service; not calibrated at that time. Overdue is left to the caller, who may know of a
/// concession.
pub async fn usable(
    connection: &Connection,
    field: &str,
    equipment: Uuid,
    kinds: &[&str],
    at: DateTime<Utc>,
) -> Result<Usable, Refusal> {
    let row = versions::current(connection, equipment).await.map_err(|refusal| match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", equipment),
        _ => refusal,
    })?;
    let facts = row.facts;
    if !kinds.contains(&facts.kind.as_str()) {
        let message = format!("must be a {}, but {} is a {}", kinds.join(" or "), facts.code, facts.kind);
        return Err(Refusal::invalid(field, "kind", message, &facts.code));
    }
    let state = states::present(connection, KIND, equipment).await?.state;
    if state != "in service" {
        return Err(Refusal::new(Code::NotReleased, format!("{} is {state}", facts.code)).at(
            field,
            "in_service",
            &facts.code,
        ));
    }
    let calibration = store::calibration_on(connection, equipment, at.date_naive()).await?.ok_or_else(|| {
        Refusal::new(Code::Overdue, format!("{} had no calibration on {}", facts.code, at.date_naive())).at(
            field,
            "calibrated",
            &facts.code,
        )
    })?;
    let overdue = calibration.due_on < at.date_naive();
    Ok(Usable { facts, calibration, overdue })
}

impl Usable {
    /// Refuses equipment whose calibration was overdue.
    ///
    /// # Errors
    /// [`Code::Overdue`].
    pub fn not_overdue(self, field: &str) -> Result<Self, Refusal> {
        if self.overdue {
            let detail = format!("the calibration of {} was due on {}", self.facts.code, self.calibration.due_on);
            return Err(Refusal::new(Code::Overdue, detail).at(field, "not_overdue", &self.facts.code));
        }
        Ok(self)
    }
}
