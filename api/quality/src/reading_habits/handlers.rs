//! Reading habits over HTTP.

use actix_web::{get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadReadingHabits;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;

use crate::reading_habits::service;
use crate::reading_habits::wire::{HabitsQuestion, HabitsView};

/// Reads what titrations of a time look like by person: counts, last digits, identical titres, ranges just inside the limit.
/// Who is an analyst and nothing else sees their own.
#[utoipa::path(tag = "reading habits", params(HabitsQuestion), responses((status = 200, description = "Counts and signs by person", body = HabitsView)))]
#[get("/reading-habits")]
pub(super) async fn read_reading_habits(
    who: Allowed<ReadReadingHabits>,
    db: web::Data<Db>,
    question: Params<HabitsQuestion>,
) -> Result<web::Json<HabitsView>, Problem> {
    Ok(web::Json(service::of(&db, who.user(), &question.0).await?))
}
