//! Files that go with the pages, compiled into the program: addressed by a fingerprint, kept by browsers for ever.

use std::io::Write as _;
use std::sync::LazyLock;

use actix_web::http::header::{CACHE_CONTROL, CONTENT_ENCODING, VARY};
use actix_web::{HttpRequest, HttpResponse, get, web};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use flate2::Compression;
use flate2::write::GzEncoder;
use sha2::{Digest, Sha256};

struct File {
    name: &'static str,
    kind: &'static str,
    bytes: &'static [u8],
}

macro_rules! files {
    ($($name:literal as $kind:literal in $path:literal),+ $(,)?) => {
        const FILES: &[File] = &[$(File { name: $name, kind: $kind, bytes: include_bytes!(concat!("../../assets/", $path)) }),+];
    };
}

files! {
    "ferrotitre.css" as "text/css; charset=utf-8" in "ferrotitre.css",
    "ferrotitre.js" as "text/javascript; charset=utf-8" in "ferrotitre.js",
    "mark.svg" as "image/svg+xml" in "mark.svg",
    "text-400.woff2" as "font/woff2" in "fonts/text-400.woff2",
    "text-700.woff2" as "font/woff2" in "fonts/text-700.woff2",
    "figures-400.woff2" as "font/woff2" in "fonts/figures-400.woff2",
}

struct Prepared {
    /// One fingerprint over all files, so that a style sheet names its fonts by plain relative names.
    fingerprint: String,
    /// Compressed once; absent where the format is compressed already.
    compressed: Vec<Option<Vec<u8>>>,
}

static PREPARED: LazyLock<Prepared> = LazyLock::new(|| {
    let mut digest = Sha256::new();
    for file in FILES {
        digest.update(file.name.as_bytes());
        digest.update(file.bytes);
    }
    let fingerprint = hex::encode(&digest.finalize()[..8]);
    let compressed = FILES.iter().map(|file| (!file.kind.starts_with("font/")).then(|| compress(file.bytes)).flatten());
    Prepared { fingerprint, compressed: compressed.collect() }
});

fn compress(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(bytes).ok()?;
    encoder.finish().ok()
}

/// Address of a file.
pub fn address(name: &str) -> String {
    format!("/assets/{}/{name}", PREPARED.fingerprint)
}

/// Serves a file.
#[get("/assets/{fingerprint}/{name}")]
pub async fn read_asset(request: HttpRequest, path: web::Path<(String, String)>) -> Result<HttpResponse, Problem> {
    let (fingerprint, name) = path.into_inner();
    let found = FILES.iter().zip(&PREPARED.compressed).find(|(file, _)| file.name == name);
    let (file, compressed) = found.ok_or_else(|| Refusal::not_found("file", &name))?;
    let mut response = HttpResponse::Ok();
    response.content_type(file.kind);
    // A page of an earlier program may still ask: it gets the present file, but must not keep it under the old address.
    let keep = if fingerprint == PREPARED.fingerprint { "public, max-age=31536000, immutable" } else { "no-store" };
    response.insert_header((CACHE_CONTROL, keep));
    let takes = request.headers().get("accept-encoding").and_then(|value| value.to_str().ok()).unwrap_or_default();
    match compressed {
        Some(compressed) if takes.contains("gzip") => {
            response.insert_header((CONTENT_ENCODING, "gzip")).insert_header((VARY, "accept-encoding"));
            Ok(response.body(compressed.as_slice()))
        }
        _ => Ok(response.body(file.bytes)),
    }
}
