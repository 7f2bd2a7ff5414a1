//! Proof away from the service: bundles, receipts, heads that others read, witnesses.

mod bundles;
mod certificates;
mod charts;
mod forged;
mod heads;
pub(crate) mod receipts;
mod studies;
mod witnesses;

use ferrotitre_check::bundle::Brought;
use ferrotitre_check::note::NamedKey;
use ferrotitre_tests::Client;

/// The log's key as its own page gives it.
pub(crate) async fn log_key(client: &Client) -> NamedKey {
    NamedKey::read(client.get("/audit-tree/verifier-key").await.text.trim()).unwrap()
}

/// The fingerprint an auditor would bring.
pub(crate) fn brought(key: &NamedKey) -> Brought {
    Brought::read(&key.fingerprint()).unwrap()
}
