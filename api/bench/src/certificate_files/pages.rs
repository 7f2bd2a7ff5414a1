//! The file of a certificate in forms that take one, and where it is named.

use std::collections::HashSet;

use ferrotitre_html::form::{CERTIFICATE, Field, Kind, Sent};
use ferrotitre_html::sheet::Cell;

use super::service::NewCertificateFile;

/// The field, for forms whose records name a digest.
#[must_use]
pub fn field() -> Field {
    Field::new(CERTIFICATE, "The certificate's file", Kind::File)
        .optional()
        .help("PDF, PNG or JPEG, at most 8 MiB. It is kept, and its SHA-256 becomes part of the record. A form that comes back needs it chosen again.")
}

/// The file that came with a form.
#[must_use]
pub fn of(sent: &Sent) -> Option<NewCertificateFile> {
    let content = sent.get("content");
    (!content.is_empty())
        .then(|| NewCertificateFile { file_name: sent.get("file_name").to_owned(), content: content.to_owned() })
}

/// The number of a certificate; a way to its file where that is kept.
#[must_use]
pub fn cell(number: &str, digest: Option<&str>, known: &HashSet<String>) -> Cell {
    match digest.filter(|digest| known.contains(*digest)) {
        Some(digest) => Cell::link(number.to_owned(), format!("/api/v1/certificate-files/{digest}")),
        None => Cell::text(number.to_owned()),
    }
}
