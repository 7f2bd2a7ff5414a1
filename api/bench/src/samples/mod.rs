//! Samples, and what was taken of them.

mod handlers;
pub mod listing;
pub mod pages;
pub mod portions;
#[expect(clippy::module_inception, reason = "the feature is named after its main thing")]
pub mod samples;
pub mod with_portions;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::record_sample)
        .service(handlers::record_sample_with_portions)
        .service(handlers::list_samples)
        .service(handlers::read_sample)
        .service(handlers::correct_sample)
        .service(handlers::move_sample)
        .service(handlers::record_test_portion)
        .service(handlers::list_test_portions)
        .service(handlers::correct_test_portion);
}
