//! Alerts that are told rather than looked for: by e-mail to whom wants them so, and signed to programs of others.
//!
//! A look compares the alerts of the moment with those of the look before and makes a row of every message; the courier sends what
//! is due and makes a row of every try. What is sent and not yet noted when the process dies is sent again with the same identity.

pub mod choices;
mod courier;
pub mod endpoints;
mod handlers;
mod look;
pub mod mail;
pub mod outbox;
pub mod pages;
mod smtp;
mod store;
mod telling;
mod text;
mod webhook;
pub mod wire;

use ferrotitre_base::alert::Alert;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::web::mount::{Describe, Mount};

pub use courier::{Courier, CourierError};
pub use look::{look, run};
pub use outbox::alerts;

/// An alert, with where it is looked at.
#[derive(Debug, Clone)]
pub struct Told {
    /// The alert.
    pub alert: Alert,
    /// Path of the page, with its slash.
    pub page: String,
    /// What somebody must be allowed to do to open it.
    pub needs: Action,
}

/// Mounts the operations.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::read_own_message_choice)
        .service(handlers::choose_messages)
        .service(handlers::read_mail_settings)
        .service(handlers::record_mail_settings)
        .service(handlers::send_test_message)
        .service(handlers::list_webhook_endpoints)
        .service(handlers::record_webhook_endpoint)
        .service(handlers::end_webhook_endpoint)
        .service(handlers::list_messages)
        .service(handlers::read_message);
}
