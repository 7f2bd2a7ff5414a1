//! To be described.

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(_config: &mut ServiceConfig<'_>) {}
