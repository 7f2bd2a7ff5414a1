//! What signed results would come to under a hypothesis: another certificate, another calibration or factor, a lot, a burette or a
//! person left out. Every result that it reaches is evaluated as it was signed and as the hypothesis has it, or said why not.

mod handlers;
mod lots;
pub mod pages;
pub mod question;
pub mod run;
pub mod wire;

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config.service(handlers::suppose);
}
