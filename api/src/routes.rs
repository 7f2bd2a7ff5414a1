//! The one list of what is mounted where.

use utoipa_actix_web::scope;
use utoipa_actix_web::service_config::ServiceConfig;

use crate::{
    accounts, alerts, audit, calculations, control_charts, control_materials, determinations, equipment, methods,
    nonconformities, operations, runs, samples, standards, titrants,
};

/// Mounts everything.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config.configure(operations::routes).service(
        scope::scope("/api/v1")
            .configure(accounts::routes)
            .configure(equipment::routes)
            .configure(standards::routes)
            .configure(titrants::routes)
            .configure(methods::routes)
            .configure(samples::routes)
            .configure(runs::routes)
            .configure(determinations::routes)
            .configure(alerts::routes)
            .configure(control_materials::routes)
            .configure(control_charts::routes)
            .configure(nonconformities::routes)
            .configure(calculations::routes)
            .configure(audit::routes),
    );
}
