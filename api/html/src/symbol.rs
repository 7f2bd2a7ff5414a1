//! Symbols that scanners read: Data Matrix, ECC 200, and QR codes, which is what authenticators read.

use std::fmt::Write as _;

use datamatrix::{DataMatrix, SymbolList};
use ferrotitre_base::refusal::Refusal;
use qrcode::{Color, EcLevel, QrCode};

/// Modules of light around a symbol; the standard asks for one.
const QUIET: usize = 2;

/// Modules of light around a QR code (ISO/IEC 18004, 5.3.8).
const QR_QUIET: usize = 4;

/// A drawn symbol.
pub struct Symbol {
    /// Modules on a side, with the quiet zone.
    pub side: usize,
    /// Dark modules as a path, a unit each.
    pub path: String,
}

impl Symbol {
    /// Draws a text as a square symbol.
    ///
    /// # Errors
    /// A text that is longer than the largest symbol holds, which is a mistake of ours.
    pub fn of(text: &str) -> Result<Self, Refusal> {
        let code = DataMatrix::encode(text.as_bytes(), SymbolList::default().enforce_square())
            .map_err(|error| Refusal::internal(std::io::Error::other(format!("{error:?}"))))?;
        let bitmap = code.bitmap();
        let mut path = String::new();
        let mut run: Option<(usize, usize, usize)> = None;
        let mut close = |(x, y, length): (usize, usize, usize)| {
            // Writing to a String cannot fail.
            let _ = write!(path, "M{} {}h{length}v1h-{length}z", x + QUIET, y + QUIET);
        };
        for (x, y) in bitmap.pixels() {
            run = match run {
                Some((from, line, length)) if line == y && from + length == x => Some((from, line, length + 1)),
                Some(before) => {
                    close(before);
                    Some((x, y, 1))
                }
                None => Some((x, y, 1)),
            };
        }
        if let Some(last) = run {
            close(last);
        }
        Ok(Self { side: bitmap.width() + 2 * QUIET, path })
    }

    /// As a picture by itself.
    pub fn svg(&self) -> String {
        let Self { side, path } = self;
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" width=\"{side}\" height=\"{side}\">\
             <path d=\"{path}\" fill=\"#000000\"/></svg>"
        )
    }
}

/// Draws a text as a QR code: a picture by itself, dark on light whatever the look of the page.
///
/// # Errors
/// A text that is longer than the largest code holds, which is a mistake of ours.
pub fn qr_code(text: &str, words: &str) -> Result<String, Refusal> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M).map_err(Refusal::internal)?;
    let width = code.width();
    let side = width + 2 * QR_QUIET;
    let mut path = String::new();
    for (at, _) in code.to_colors().iter().enumerate().filter(|(_, color)| **color == Color::Dark) {
        // Writing to a String cannot fail.
        let _ = write!(path, "M{} {}h1v1h-1z", at % width + QR_QUIET, at / width + QR_QUIET);
    }
    let size = side * 4;
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" width=\"{size}\" height=\"{size}\" \
         shape-rendering=\"crispEdges\" role=\"img\" aria-label=\"{words}\"><rect width=\"{side}\" height=\"{side}\" \
         fill=\"#ffffff\"/><path d=\"{path}\" fill=\"#000000\"/></svg>"
    ))
}
