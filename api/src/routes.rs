//! The one list of what is mounted where.

use utoipa_actix_web::scope;
use utoipa_actix_web::service_config::ServiceConfig;

use crate::{
    accounts, alerts, audit, calculations, control_charts, control_materials, determinations, equipment, exports,
    imports, methods, nonconformities, operations, pages, proficiency_rounds, reading_habits, runs, samples,
    specifications, standards, titrants, validation_studies,
};

/// Mounts the pages.
pub(crate) fn pages(config: &mut actix_web::web::ServiceConfig) {
    config
        .service(pages::assets::read_asset)
        .configure(accounts::pages::routes)
        .configure(pages::day::routes)
        .configure(equipment::pages::routes)
        .configure(standards::pages::routes)
        .configure(titrants::pages::routes)
        .configure(methods::pages::routes)
        .configure(validation_studies::pages::routes)
        .configure(samples::pages::routes)
        .configure(specifications::pages::routes)
        .configure(runs::pages::routes)
        .configure(control_charts::pages::routes)
        .configure(control_materials::pages::routes)
        .configure(nonconformities::pages::routes)
        .configure(calculations::pages::routes)
        .configure(pages::printed::routes)
        .configure(determinations::pages::routes)
        .configure(pages::concessions::routes)
        .configure(proficiency_rounds::pages::routes)
        .configure(reading_habits::pages::routes)
        .configure(exports::pages::routes)
        .configure(imports::pages::routes)
        .configure(audit::pages::routes);
}

/// Mounts the operations of the API.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config.configure(operations::routes).service(
        scope::scope("/api/v1")
            .configure(accounts::routes)
            .configure(equipment::routes)
            .configure(standards::routes)
            .configure(titrants::routes)
            .configure(methods::routes)
            .configure(samples::routes)
            .configure(specifications::routes)
            .configure(runs::routes)
            .configure(determinations::routes)
            .configure(alerts::routes)
            .configure(control_materials::routes)
            .configure(control_charts::routes)
            .configure(nonconformities::routes)
            .configure(proficiency_rounds::routes)
            .configure(reading_habits::routes)
            .configure(exports::routes)
            .configure(imports::routes)
            .configure(validation_studies::routes)
            .configure(calculations::routes)
            .configure(audit::routes),
    );
}
