//! To be described.

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(_config: &mut ServiceConfig<'_>) {}

pub async fn create_by_operator(
    _db: &crate::db::Db,
    _code: &str,
    _name: &str,
    _roles: &[String],
) -> Result<String, crate::refusal::Refusal> {
    Ok(String::new())
}
pub async fn reset_by_operator(_db: &crate::db::Db, _code: &str) -> Result<String, crate::refusal::Refusal> {
    Ok(String::new())
}
