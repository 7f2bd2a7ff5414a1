//! Documents as PDF: blocks in, bytes out.
//!
//! A caller says what a document holds (headings, facts, tables, pictures, signatures); this crate decides how it looks on
//! A4 and writes it as PDF/A-2a (ISO 19005-2): typefaces embedded, text searchable, structure tagged for those who listen
//! to it. Text is data: there is no markup, so nothing a person has entered can change the layout. Nothing is read from the
//! machine, nothing is fetched, and the same document made at the same time is the same file, byte for byte.
//!
//! - `document`: what a caller builds.
//! - `typeface`, `lines`: text becomes glyphs, glyphs become lines.
//! - `blocks`, `tables`, `contents`: blocks become strips, pieces of a page that are never torn.
//! - `flow`: strips are put on pages.
//! - `picture`, `write`: pages become a PDF.
#![warn(missing_docs)]

mod blocks;
mod contents;
mod document;
mod flow;
mod lines;
mod picture;
mod strip;
mod tables;
mod typeface;
mod write;

#[cfg(test)]
mod tests;

pub use document::{Align, Block, Cell, Column, Document, Fact, Level, Picture, Step, Table, Width, Words};

/// A document that could not be made.
#[derive(Debug, thiserror::Error)]
#[error("the document could not be made: {0}")]
pub struct PaperError(pub(crate) String);

impl Document {
    /// Lays the document out and writes it.
    ///
    /// It is PDF/A-2a, unless it shows a character that the typefaces lack or the standard forbids; then it is an ordinary
    /// PDF, which has no such rule.
    ///
    /// # Errors
    /// A picture that cannot be read, or that holds what paper does not show (gradients, masks, filters, images).
    pub fn pdf(&self) -> Result<Vec<u8>, PaperError> {
        let laid = flow::Laid::out(self)?;
        write::written(self, &laid)
    }
}
