//! Pages of specifications.
pub(crate) fn routes(_: &mut actix_web::web::ServiceConfig) {}
