//! What waits for a manager's decision, all of it in one list, and decisions on several things at once: each by the rules of the thing it is
//! of, all of them or none.

mod handlers;
pub mod pages;
pub mod service;
mod waiting;
pub mod what;
pub mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount.service(handlers::list_waiting_decisions).service(handlers::decide_several);
}
