//! Calculations: every public result of core by itself, at the command line and over HTTP, without a store.
//!
//! [`table`] is the one list of subjects. A subject is a typed input with its result; [`subject`] says what belongs to it.

pub mod command;
pub mod csv;
pub mod figures;
mod handlers;
pub mod pages;
mod service;
pub mod subject;
pub mod subjects;
pub mod table;
pub mod wire;

use ferrotitre_base::web::body::BodyLimit;
use ferrotitre_base::web::mount::{Describe, Mount};

/// Largest input over HTTP, bytes: about 400 000 values.
const LARGEST_INPUT: usize = 4 * 1024 * 1024;

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount.scope("/calculations", |mount| {
        mount
            .app_data(BodyLimit(LARGEST_INPUT))
            .service(handlers::list_calculations)
            .service(handlers::describe_calculation)
            .service(handlers::calculate);
    });
}
