//! Analytical runs, the unit of acceptance, and their blanks.

pub mod approval;
pub mod blanks;
pub mod due;
mod handlers;
pub mod next;
pub mod pages;
pub mod quality;
mod repeats;
pub mod service;
pub mod together;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::open_run)
        .service(handlers::open_runs)
        .service(handlers::list_runs)
        .service(handlers::read_run)
        .service(handlers::close_run)
        .service(handlers::release_run)
        .service(handlers::reject_run)
        .service(handlers::record_blank)
        .service(handlers::list_blanks)
        .service(handlers::correct_blank)
        .service(handlers::judge_blank);
}
