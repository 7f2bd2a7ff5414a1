//! Equipment over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{CheckEquipment, ReadRecords, RecordEquipment};
use ferrotitre_base::db::Db;
use ferrotitre_base::states::{NewMove, StateMove};
use ferrotitre_base::web::answer::{Answer, Versioned};
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, History, VersionView};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::equipment::service::{self, Corrigible};
use crate::equipment::stated::StatedUncertainty;
use crate::equipment::store::{Calibration, Check, EquipmentFacts, NewCalibration, NewCheck};

type View = VersionView<EquipmentFacts>;

/// A row with what it corrects and what corrects it, under a name of its own in the document.
macro_rules! corrigible {
    ($name:ident, $row:ty, $what:literal, { $($(#[$about:meta])* $field:ident: $kind:ty,)* }) => {
        #[doc = $what]
        #[derive(Debug, Serialize, ToSchema)]
        pub(super) struct $name {
            /// As recorded.
            #[serde(flatten)]
            row: $row,
            $($(#[$about])* $field: $kind,)*
            /// The one that this one corrects.
            #[serde(skip_serializing_if = "Option::is_none")]
            corrects: Option<Uuid>,
            /// Why.
            #[serde(skip_serializing_if = "Option::is_none")]
            reason: Option<String>,
            /// The one that corrects this one, which then no longer counts.
            #[serde(skip_serializing_if = "Option::is_none")]
            corrected_by: Option<Uuid>,
        }

        impl $name {
            fn of(one: Corrigible<$row>, $($field: $kind)*) -> Self {
                Self { row: one.row, $($field,)* corrects: one.corrects, reason: one.reason, corrected_by: one.corrected_by }
            }
        }
    };
}

corrigible!(
    CorrigibleCalibration,
    Calibration,
    "A calibration with what the certificate states, what it corrects and what corrects it.",
    {
        /// What the certificate or the mark states, where the standard uncertainty follows from that.
        #[serde(skip_serializing_if = "Option::is_none")]
        stated: Option<StatedUncertainty>,
    }
);
corrigible!(CorrigibleCheck, Check, "A check with what it corrects and what corrects it.", {});

/// Records a piece of equipment.
#[utoipa::path(tag = "equipment", request_body = EquipmentFacts, responses((status = 201, description = "Recorded", body = View)))]
#[post("/equipment")]
pub(super) async fn record_equipment(
    who: Allowed<RecordEquipment>,
    db: web::Data<Db>,
    body: Body<EquipmentFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(service::record(&db, &act, facts).await?)
}

/// Lists equipment, newest first.
#[utoipa::path(tag = "equipment", params(Listing), responses((status = 200, description = "A page", body = Page<View>)))]
#[get("/equipment")]
pub(super) async fn list_equipment(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<View>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads a piece of equipment with all its versions.
#[utoipa::path(tag = "equipment", params(("id" = Uuid, Path, description = "Equipment")), responses((status = 200, description = "All versions", body = History<EquipmentFacts>)))]
#[get("/equipment/{id}")]
pub(super) async fn read_equipment(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Versioned<History<EquipmentFacts>>, Problem> {
    Ok(service::read(&db, *id).await?)
}

/// Corrects a piece of equipment; the version corrected is named in If-Match.
#[utoipa::path(tag = "equipment", params(("id" = Uuid, Path, description = "Equipment"), ("If-Match" = String, Header, description = "ETag of the version corrected")), request_body = Correction<EquipmentFacts>, responses((status = 201, description = "The new version", body = View)))]
#[post("/equipment/{id}/corrections")]
pub(super) async fn correct_equipment(
    who: Allowed<RecordEquipment>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<EquipmentFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(service::correct(&db, &act, *id, who.if_match(), correction).await?)
}

/// Moves a piece of equipment into or out of service, or retires it.
#[utoipa::path(tag = "equipment", params(("id" = Uuid, Path, description = "Equipment")), request_body = NewMove, responses((status = 201, description = "Moved", body = StateMove)))]
#[post("/equipment/{id}/moves")]
pub(super) async fn move_equipment(
    who: Allowed<RecordEquipment>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewMove>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(service::advance(&db, &act, *id, asked).await?)
}

/// Records a calibration.
#[utoipa::path(tag = "equipment", params(("id" = Uuid, Path, description = "Equipment")), request_body = NewCalibration, responses((status = 201, description = "Recorded", body = Calibration)))]
#[post("/equipment/{id}/calibrations")]
pub(super) async fn record_calibration(
    who: Allowed<RecordEquipment>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewCalibration>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::record_calibration(&db, &act, *id, new, None).await?)
}

/// Corrects a calibration: the whole as it should be, and why. Both stay; the corrected one no longer counts.
#[utoipa::path(tag = "equipment", params(("id" = Uuid, Path, description = "Calibration")), request_body = Correction<NewCalibration>, responses((status = 201, description = "The calibration as it should be", body = Calibration)))]
#[post("/calibrations/{id}/corrections")]
pub(super) async fn correct_calibration(
    who: Allowed<RecordEquipment>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<NewCalibration>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(service::correct_calibration(&db, &act, *id, correction).await?)
}

/// Corrects a check: the whole as it should be, and why. Both stay.
#[utoipa::path(tag = "equipment", params(("id" = Uuid, Path, description = "Check")), request_body = Correction<NewCheck>, responses((status = 201, description = "The check as it should be", body = Check)))]
#[post("/equipment-checks/{id}/corrections")]
pub(super) async fn correct_equipment_check(
    who: Allowed<RecordEquipment>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<NewCheck>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(service::correct_check(&db, &act, *id, correction).await?)
}

/// Lists the calibrations of a piece of equipment, newest first.
#[utoipa::path(tag = "equipment", params(("id" = Uuid, Path, description = "Equipment")), responses((status = 200, description = "Calibrations", body = Vec<CorrigibleCalibration>)))]
#[get("/equipment/{id}/calibrations")]
pub(super) async fn list_calibrations(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<Vec<CorrigibleCalibration>>, Problem> {
    let stated = service::stated(&db, *id).await?;
    let of = |id: Uuid| stated.iter().find(|(calibration, _)| *calibration == id).map(|(_, stated)| stated.clone());
    let with = |one: Corrigible<Calibration>| {
        let stated = of(one.row.id.0);
        CorrigibleCalibration::of(one, stated)
    };
    Ok(web::Json(service::calibrations(&db, *id).await?.into_iter().map(with).collect()))
}

/// Records a check; a failed one takes the equipment out of service.
#[utoipa::path(tag = "equipment", params(("id" = Uuid, Path, description = "Equipment")), request_body = NewCheck, responses((status = 201, description = "Recorded", body = Check)))]
#[post("/equipment/{id}/checks")]
pub(super) async fn record_equipment_check(
    who: Allowed<CheckEquipment>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewCheck>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::record_check(&db, &act, *id, new).await?)
}

/// Lists the latest 200 checks of a piece of equipment, newest first.
#[utoipa::path(tag = "equipment", params(("id" = Uuid, Path, description = "Equipment")), responses((status = 200, description = "Checks", body = Vec<CorrigibleCheck>)))]
#[get("/equipment/{id}/checks")]
pub(super) async fn list_equipment_checks(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<Vec<CorrigibleCheck>>, Problem> {
    Ok(web::Json(service::checks(&db, *id).await?.into_iter().map(CorrigibleCheck::of).collect()))
}
