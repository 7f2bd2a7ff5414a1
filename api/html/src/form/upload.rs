//! Forms with a file: its text takes the place of what could have been pasted.

use actix_multipart::{Multipart, MultipartError};
use actix_web::dev::Payload;
use actix_web::error::PayloadError;
use actix_web::http::header::{CONTENT_TYPE, HeaderMap};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::bounds::Bounds;
use futures_util::{StreamExt, TryStreamExt};

use super::{CERTIFICATE, FILE, TABLE};

/// Fields of one form; more than any has.
const MOST_FIELDS: usize = 1000;

/// Whether a form announces parts, of which one may be a file.
pub(super) fn announced(headers: &HeaderMap) -> bool {
    let kind = headers.get(CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    kind.trim_start().to_ascii_lowercase().starts_with("multipart/form-data")
}

/// Fields of a form; a file becomes `text`, and its name `file_name` unless another was typed. One of any kind becomes `content`, in
/// base64, in place of the one that the form carried.
pub(super) async fn read(
    headers: &HeaderMap,
    payload: Payload,
    bounds: Bounds,
) -> Result<Vec<(String, String)>, Refusal> {
    bounds.announced()?;
    let _place = bounds.place().await?;
    // Counted as they come: the parser keeps what precedes the first part until it finds that, and that may be never.
    let counted = payload.scan(0_usize, move |taken, piece| {
        *taken += piece.as_ref().map_or(0, |bytes| bytes.len());
        std::future::ready(Some(if *taken > bounds.limit { Err(PayloadError::Overflow) } else { piece }))
    });
    let unreadable = |error| match error {
        MultipartError::Payload(PayloadError::Overflow) => bounds.too_large(),
        error => Refusal::new(Code::Unreadable, format!("the form cannot be read: {error}")),
    };
    let mut parts = Multipart::new(headers, counted);
    let mut pairs: Vec<(String, String)> = Vec::new();
    let mut file = None;
    while let Some(mut part) = bounds.in_time(parts.try_next()).await?.map_err(unreadable)? {
        let name = part.name().unwrap_or_default().to_owned();
        let file_name = part.content_disposition().and_then(|said| said.get_filename()).map(str::to_owned);
        let mut bytes = Vec::new();
        while let Some(chunk) = bounds.in_time(part.next()).await? {
            bytes.extend_from_slice(&chunk.map_err(unreadable)?);
        }
        if [FILE, TABLE, CERTIFICATE].contains(&name.as_str()) {
            // A browser sends an empty file without a name where none was chosen; a file may come without its name.
            let chosen = !bytes.is_empty() || file_name.as_ref().is_some_and(|name| !name.is_empty());
            file = chosen.then(|| (name != FILE, file_name.unwrap_or_default(), bytes)).or(file);
        } else if pairs.len() < MOST_FIELDS {
            // Lines of a form end as the network's do; a file's own ends are kept.
            pairs.push((name, String::from_utf8(bytes).unwrap_or_default()));
        }
    }
    match file {
        None => {}
        Some((true, name, bytes)) => {
            pairs.retain(|(field, _)| field != "content" && field != "file_name");
            pairs.push(("file_name".to_owned(), name));
            pairs.push(("content".to_owned(), STANDARD.encode(&bytes)));
        }
        Some((false, name, bytes)) => {
            let text = decoded(&bytes).ok_or_else(|| {
                Refusal::invalid("text", "encoding", "the file must be text in UTF-8 or UTF-16", &name)
            })?;
            pairs.retain(|(field, value)| field != "text" && (field != "file_name" || !value.trim().is_empty()));
            if !pairs.iter().any(|(field, _)| field == "file_name") {
                pairs.push(("file_name".to_owned(), name));
            }
            pairs.push(("text".to_owned(), text));
        }
    }
    Ok(pairs)
}

/// Text of a file: UTF-16 by its mark, else UTF-8.
pub fn decoded(bytes: &[u8]) -> Option<String> {
    let pairs = |rest: &[u8], join: fn([u8; 2]) -> u16| {
        let whole = rest.chunks_exact(2);
        let complete = whole.remainder().is_empty();
        let units: Vec<u16> = whole.map(|pair| join([pair[0], pair[1]])).collect();
        String::from_utf16(&units).ok().filter(|_| complete)
    };
    match bytes {
        [0xFF, 0xFE, rest @ ..] => pairs(rest, u16::from_le_bytes),
        [0xFE, 0xFF, rest @ ..] => pairs(rest, u16::from_be_bytes),
        _ => String::from_utf8(bytes.to_vec()).ok().filter(|text| !text.contains('\0')),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spreadsheets_that_write_utf_16_are_understood_and_anything_else_is_refused() {
        assert_eq!(decoded("a;µ".as_bytes()).unwrap(), "a;µ");
        // U+0061 U+00B5, least significant byte first and last (Unicode 15, 2.6).
        assert_eq!(decoded(&[0xFF, 0xFE, 0x61, 0x00, 0xB5, 0x00]).unwrap(), "aµ");
        assert_eq!(decoded(&[0xFE, 0xFF, 0x00, 0x61, 0x00, 0xB5]).unwrap(), "aµ");
        // Latin-1 for µ alone is no UTF-8.
        assert_eq!(decoded(&[0x61, 0xB5]), None);
        assert_eq!(decoded(&[0xFF, 0xFE, 0x61]), None);
        assert_eq!(decoded(b"PK\x03\x04\0"), None);
    }
}
