//! The one list of what is mounted where.

use ferrotitre_base::web::mount::{Describe, Mount};
use ferrotitre_bench::{
    certificate_files, concessions, equipment, impacts, importing, instrument_readings, methods, nonconformities,
    samples, specifications, standards, titrants,
};
use ferrotitre_ledger::{accounts, audit, imports, laboratory, set_up};
use ferrotitre_quality::{proficiency_rounds, reading_habits, validation_studies};
use ferrotitre_results::{
    budgets, certificates, conformity, control_charts, control_materials, decisions, determinations, drift, lookback,
    runs,
};
use {
    ferrotitre_calc as calculations, ferrotitre_exports as exports, ferrotitre_html as html,
    ferrotitre_messages as messages,
};

use crate::{alerts, day, find, first_result, operations, printed};

/// Mounts the pages.
pub fn pages(config: &mut actix_web::web::ServiceConfig) {
    config
        .service(html::assets::read_asset)
        .configure(accounts::pages::routes)
        .configure(set_up::pages::routes)
        .configure(messages::pages::routes)
        .configure(day::routes)
        .configure(first_result::routes)
        .configure(find::routes)
        .configure(importing::pages::routes)
        .configure(equipment::pages::routes)
        .configure(instrument_readings::pages::routes)
        .configure(standards::pages::routes)
        .configure(titrants::pages::routes)
        .configure(drift::pages::routes)
        .configure(methods::pages::routes)
        .configure(budgets::pages::routes)
        .configure(validation_studies::pages::routes)
        .configure(samples::pages::routes)
        .configure(specifications::pages::routes)
        .configure(conformity::pages::routes)
        .configure(laboratory::pages::routes)
        .configure(certificates::pages::routes)
        .configure(runs::pages::routes)
        .configure(control_charts::pages::routes)
        .configure(control_materials::pages::routes)
        .configure(nonconformities::pages::routes)
        .configure(impacts::pages::routes)
        .configure(lookback::pages::routes)
        .configure(calculations::pages::routes)
        .configure(printed::routes)
        .configure(determinations::pages::routes)
        .configure(concessions::pages::routes)
        .configure(decisions::pages::routes)
        .configure(proficiency_rounds::pages::routes)
        .configure(reading_habits::pages::routes)
        .configure(exports::pages::routes)
        .configure(imports::pages::routes)
        .configure(audit::pages::routes);
}

/// Mounts the operations of the API.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount.configure(operations::routes).scope("/api/v1", |mount| {
        mount
            .configure(accounts::routes)
            .configure(equipment::routes)
            .configure(certificate_files::routes)
            .configure(instrument_readings::routes)
            .configure(standards::routes)
            .configure(titrants::routes)
            .configure(drift::routes)
            .configure(methods::routes)
            .configure(budgets::routes)
            .configure(samples::routes)
            .configure(specifications::routes)
            .configure(conformity::routes)
            .configure(laboratory::routes)
            .configure(certificates::routes)
            .configure(runs::routes)
            .configure(determinations::routes)
            .configure(decisions::routes)
            .configure(alerts::routes)
            .configure(messages::routes)
            .configure(control_materials::routes)
            .configure(control_charts::routes)
            .configure(nonconformities::routes)
            .configure(impacts::routes)
            .configure(lookback::routes)
            .configure(proficiency_rounds::routes)
            .configure(reading_habits::routes)
            .configure(exports::routes)
            .configure(imports::routes)
            .configure(importing::routes)
            .configure(validation_studies::routes)
            .configure(calculations::routes)
            .configure(audit::routes);
    });
}
