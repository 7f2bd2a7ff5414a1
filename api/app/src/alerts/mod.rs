//! What needs somebody's attention: rule hits, open nonconformities, lots near their exit, calibrations due, things about
//! to expire.
//!
//! Nothing is stored: an alert is computed from the records whenever somebody asks, so it ends by itself when its reason
//! does. Each feature names its own; this one puts them in order, streams them and counts them for the metrics.

mod handlers;
mod places;
mod service;
mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

pub use places::place;
pub use service::{Stopping, counts, list, told};
pub use wire::Horizon;

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount.service(handlers::list_alerts).service(handlers::stream_alerts);
}
