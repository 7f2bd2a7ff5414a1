//! Documents as PDF: a layout, the data it shows and its pictures are typeset with the typefaces of the service.
//!
//! The layout is a file in the typesetter's language; what it shows is data, never markup, so nothing a person has
//! entered can change the layout. Nothing is read from the machine and nothing is fetched.
#![warn(missing_docs)]

use std::sync::LazyLock;

use typst::diag::{FileError, FileResult, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards, Timestamp};

/// Name of the data for the layout.
const DATA: &str = "/data.json";
/// Name of the layout.
const LAYOUT: &str = "/layout.typ";
/// How many documents what was computed for one is kept for: the same report asked for again is quicker, and memory is
/// given back.
const REMEMBERED: usize = 4;

static LIBRARY: LazyLock<LazyHash<Library>> = LazyLock::new(|| LazyHash::new(Library::default()));

static FONTS: LazyLock<(Vec<Font>, LazyHash<FontBook>)> = LazyLock::new(|| {
    let files: [&'static [u8]; 2] =
        [include_bytes!("../../assets/fonts/DejaVuSans.ttf"), include_bytes!("../../assets/fonts/DejaVuSans-Bold.ttf")];
    let fonts: Vec<Font> = files.into_iter().flat_map(|file| Font::iter(Bytes::new(file))).collect();
    let book = FontBook::from_fonts(&fonts);
    (fonts, LazyHash::new(book))
});

/// A document to be typeset.
#[derive(Debug)]
pub struct Paper<'a> {
    /// The layout, which reads `/data.json`.
    pub layout: &'static str,
    /// What it shows, as JSON.
    pub data: String,
    /// Pictures as SVG; the layout knows the first as `/0.svg`.
    pub pictures: &'a [String],
    /// What the document is the report of, the same at every printing.
    pub identity: String,
    /// When it is made: year, month, day, hour, minute, second; UTC.
    pub made: [i32; 6],
}

/// A document that could not be made, in the typesetter's words.
#[derive(Debug, thiserror::Error)]
#[error("the document could not be made: {0}")]
pub struct PaperError(String);

impl PaperError {
    fn of(diagnostics: &[SourceDiagnostic]) -> Self {
        Self(diagnostics.iter().map(|diagnostic| diagnostic.message.as_str()).collect::<Vec<_>>().join("; "))
    }
}

impl Paper<'_> {
    /// Typesets the document.
    ///
    /// It is PDF/A-2a (ISO 19005-2: fonts embedded, text searchable, structure tagged), unless it shows a character that
    /// the typefaces lack; then it is an ordinary PDF, which has no such rule.
    ///
    /// # Errors
    /// A layout that does not fit the data, or a picture that cannot be read.
    pub fn pdf(&self) -> Result<Vec<u8>, PaperError> {
        let desk = Desk::of(self)?;
        let document =
            typst::compile::<PagedDocument>(&desk).output.map_err(|diagnostics| PaperError::of(&diagnostics))?;
        typst::comemo::evict(REMEMBERED);
        let archive =
            PdfStandards::new(&[PdfStandard::A_2a]).map_err(|error| PaperError(error.message().to_string()))?;
        let written = typst_pdf::pdf(&document, &self.options(archive))
            .or_else(|_| typst_pdf::pdf(&document, &self.options(PdfStandards::default())));
        written.map_err(|diagnostics| PaperError::of(&diagnostics))
    }

    fn options(&self, standards: PdfStandards) -> PdfOptions {
        PdfOptions {
            ident: Smart::Custom(self.identity.clone()),
            creator: Smart::Custom(Some("ferrotitre".into())),
            timestamp: moment(self.made).map(Timestamp::new_utc),
            standards,
            ..PdfOptions::default()
        }
    }
}

fn moment([year, month, day, hour, minute, second]: [i32; 6]) -> Option<Datetime> {
    let small = |number: i32| u8::try_from(number).ok();
    Datetime::from_ymd_hms(year, small(month)?, small(day)?, small(hour)?, small(minute)?, small(second)?)
}

/// What the typesetter sees: the layout, the data, the pictures, two typefaces, no clock.
struct Desk {
    layout: Source,
    files: Vec<(FileId, Bytes)>,
}

impl Desk {
    fn of(paper: &Paper<'_>) -> Result<Self, PaperError> {
        let named = |name: &str| {
            let path = VirtualPath::new(name).map_err(|error| PaperError(error.to_string()))?;
            Ok(RootedPath::new(VirtualRoot::Project, path).intern())
        };
        let mut files = vec![(named(DATA)?, Bytes::from_string(paper.data.clone()))];
        for (number, picture) in paper.pictures.iter().enumerate() {
            files.push((named(&format!("/{number}.svg"))?, Bytes::from_string(picture.clone())));
        }
        Ok(Self { layout: Source::new(named(LAYOUT)?, paper.layout.to_owned()), files })
    }
}

impl World for Desk {
    fn library(&self) -> &LazyHash<Library> {
        &LIBRARY
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &FONTS.1
    }

    fn main(&self) -> FileId {
        self.layout.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == self.layout.id() { Ok(self.layout.clone()) } else { Err(FileError::AccessDenied) }
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        self.files.iter().find(|(one, _)| *one == id).map(|(_, file)| file.clone()).ok_or(FileError::AccessDenied)
    }

    fn font(&self, index: usize) -> Option<Font> {
        FONTS.0.get(index).cloned()
    }

    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LINES: &str =
        "#set text(font: \"DejaVu Sans\")\n#set document(title: \"t\")\n#for line in json(\"/data.json\") [#line\\ ]";

    fn paper(data: &str) -> Paper<'static> {
        Paper {
            layout: LINES,
            data: data.to_owned(),
            pictures: &[],
            identity: "one".to_owned(),
            made: [2026, 11, 25, 17, 0, 0],
        }
    }

    #[test]
    fn the_same_document_at_the_same_time_is_the_same_file() {
        let one = paper(r#"["23.10 mL"]"#).pdf().unwrap();
        assert!(one.starts_with(b"%PDF-1.7"));
        assert_eq!(one, paper(r#"["23.10 mL"]"#).pdf().unwrap());
        assert_ne!(one, paper(r#"["23.1 mL"]"#).pdf().unwrap());
    }

    #[test]
    fn what_looks_like_markup_is_text_and_a_foreign_character_does_no_harm() {
        let archived = paper(r##"["plain"]"##).pdf().unwrap();
        let says = |pdf: &[u8], words: &[u8]| pdf.windows(words.len()).any(|window| window == words);
        assert!(says(&archived, b"pdfaid:part"));
        paper(r##"["#panic() $x$ *a* #read(\"/etc/passwd\")"]"##).pdf().unwrap();
        let foreign = paper(r#"["\u6eb6\u6db2"]"#).pdf().unwrap();
        assert!(!says(&foreign, b"pdfaid:part"));
    }

    #[test]
    fn nothing_outside_the_document_can_be_read() {
        let layout = "#read(\"/etc/passwd\")";
        let refused = Paper { layout, ..paper("[]") }.pdf().unwrap_err();
        assert!(refused.to_string().starts_with("the document could not be made: "), "{refused}");
    }
}
