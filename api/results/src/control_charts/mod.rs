//! Control charts: phases with signed limits, values judged once, statistics, and the plan of what a run needs.

pub mod begin;
mod causes;
mod handlers;
mod history;
mod import;
mod judging;
mod lot_step;
pub mod pages;
pub mod phases;
mod picture;
pub mod record;
mod rule_sets;
pub mod rules;
mod run_lengths;
pub mod service;
mod sources;
pub mod statistics;
pub mod store;
pub mod taking;
pub mod values;
pub mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::begin_control)
        .service(handlers::list_rule_sets)
        .service(handlers::record_control_chart)
        .service(handlers::list_control_charts)
        .service(handlers::draw_control_chart)
        .service(handlers::draw_control_chart_pixels)
        .service(handlers::read_lot_step)
        .service(handlers::read_control_chart)
        .service(handlers::move_control_chart)
        .service(handlers::list_control_points)
        .service(handlers::record_control_value)
        .service(handlers::read_control_value)
        .service(handlers::read_control_import_template)
        .service(handlers::preview_control_values)
        .service(handlers::import_control_values)
        .service(handlers::read_control_table_template)
        .service(handlers::preview_control_table)
        .service(handlers::import_control_table)
        .service(handlers::dispose_control_value)
        .service(handlers::review_control_chart)
        .service(handlers::propose_chart_phase)
        .service(handlers::read_chart_phase)
        .service(handlers::approve_chart_phase)
        .service(handlers::reject_chart_phase)
        .service(handlers::compute_run_lengths)
        .service(handlers::record_qc_plan)
        .service(handlers::list_qc_plans)
        .service(handlers::read_qc_plan)
        .service(handlers::correct_qc_plan);
}
