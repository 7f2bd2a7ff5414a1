//! What balances and piston burettes showed, sent by the connector; a person accepts a reading, and what is recorded of it keeps
//! which one it was.

mod handlers;
pub mod offers;
pub mod pages;
pub mod service;
pub mod shown;
mod store;
pub mod uses;
pub mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::record_instrument_reading)
        .service(handlers::list_instrument_readings)
        .service(handlers::read_instrument_reading);
}
