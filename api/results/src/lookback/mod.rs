//! What signed results would come to under a hypothesis: another certificate, another calibration or factor, a lot, a burette or a
//! person left out. Every result that it reaches is evaluated as it was signed and as the hypothesis has it, or said why not.

mod handlers;
mod lots;
pub mod pages;
pub mod question;
pub mod run;
pub mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount.service(handlers::suppose);
}
