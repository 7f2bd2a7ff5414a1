//! Look-backs as files over HTTP.

use actix_web::{get, web};
use chrono::{DateTime, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ExportLookBacks;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::impacts::uses::UseListing;
use ferrotitre_results::lookback::wire::WhatIf;
use serde::Deserialize;
use serde_json::{Map, Value};
use utoipa::IntoParams;
use uuid::Uuid;

use crate::lookback;
use crate::service::Handed;
use crate::spool::Format;

/// Which signatures, in which form.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct UseExport {
    /// json, csv or xlsx; json if not given.
    #[serde(default)]
    #[param(inline)]
    pub format: Format,
    /// Only what was signed at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only what was signed before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only what it was used for at or after this time, bench time.
    pub used_from: Option<DateTime<Utc>>,
    /// Only what it was last used for before this time, bench time.
    pub used_until: Option<DateTime<Utc>>,
}

impl UseExport {
    fn listing(&self) -> (UseListing, Format) {
        let listing = UseListing {
            from: self.from,
            until: self.until,
            used_from: self.used_from,
            used_until: self.used_until,
            ..UseListing::default()
        };
        (listing, self.format)
    }
}

/// Exports where a thing was used, or what a person took part in: every signature with its result's state and dates, and the
/// count that shows that nothing is missing. For managers and auditors.
///
/// The digest is made as that of the determinations.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "The thing, or a person's account"), UseExport), responses((status = 200, description = "The export", content((String = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")))))]
#[get("/exports/where-used/{id}")]
pub(crate) async fn export_uses(
    who: Allowed<ExportLookBacks>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<UseExport>,
) -> Result<Handed, Problem> {
    let by = (&who.act_without_body(), who.user());
    Ok(lookback::uses_table(&db, by, Some(*id), asked.0.listing()).await?)
}

/// Exports the signed results of a stretch of time. For managers and auditors.
#[utoipa::path(tag = "exports", params(UseExport), responses((status = 200, description = "The export", content((String = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")))))]
#[get("/exports/where-used")]
pub(crate) async fn export_uses_of_a_time(
    who: Allowed<ExportLookBacks>,
    db: web::Data<Db>,
    asked: Params<UseExport>,
) -> Result<Handed, Problem> {
    let by = (&who.act_without_body(), who.user());
    Ok(lookback::uses_table(&db, by, None, asked.0.listing()).await?)
}

/// In which form; the hypothesis stands beside it.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct WhatIfForm {
    /// json, csv or xlsx; json if not given.
    #[serde(default)]
    #[param(inline)]
    pub format: Format,
}

/// Exports what a hypothesis comes to: a row for every signed result that it reaches, and the counts that show that the list is
/// complete. For managers and auditors; evaluated as `/what-if` is.
#[utoipa::path(tag = "exports", params(WhatIfForm, WhatIf), responses((status = 200, description = "The export", content((String = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")))))]
#[get("/exports/what-if")]
pub(crate) async fn export_what_if(
    who: Allowed<ExportLookBacks>,
    db: web::Data<Db>,
    asked: Params<Map<String, Value>>,
) -> Result<Handed, Problem> {
    let mut asked = asked.0;
    let wrong = |error: serde_json::Error| Refusal::invalid("query", "form", error.to_string(), "");
    let form: WhatIfForm = match asked.remove("format") {
        Some(format) => serde_json::from_value(serde_json::json!({ "format": format })).map_err(wrong)?,
        None => WhatIfForm::default(),
    };
    let hypothesis: WhatIf = serde_json::from_value(Value::Object(asked)).map_err(wrong)?;
    let by = (&who.act_without_body(), who.user());
    Ok(lookback::what_if_table(&db, by, &hypothesis, form.format).await?)
}
