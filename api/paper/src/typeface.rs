//! The typefaces, and text as glyphs.

use std::collections::{BTreeSet, HashMap};
use std::rc::Rc;
use std::sync::{Arc, LazyLock};

use harfrust::{Direction, FontRef, ShapeOptions, Shaper, ShaperData, UnicodeBuffer};
use krilla::text::Font;
use usvg::fontdb;

use crate::PaperError;

const REGULAR: &[u8] = include_bytes!("../../assets/fonts/DejaVuSans.ttf");
const BOLD: &[u8] = include_bytes!("../../assets/fonts/DejaVuSans-Bold.ttf");

/// A typeface of the service.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Face {
    /// Ordinary letters.
    Regular,
    /// Bold letters.
    Bold,
}

struct Typeface {
    font: FontRef<'static>,
    data: ShaperData,
    written: Font,
}

/// Both typefaces, read once.
pub(crate) struct Typefaces {
    regular: Typeface,
    bold: Typeface,
    /// The same for pictures, with what each is called there.
    pictures: Arc<fontdb::Database>,
    named: Vec<(fontdb::ID, Face)>,
}

static TYPEFACES: LazyLock<Option<Typefaces>> = LazyLock::new(|| {
    let read = |bytes: &'static [u8]| {
        let font = FontRef::new(bytes).ok()?;
        Some(Typeface { data: ShaperData::new(&font), font, written: Font::new(bytes.into(), 0)? })
    };
    let mut pictures = fontdb::Database::new();
    let mut named = Vec::new();
    for (face, bytes) in [(Face::Regular, REGULAR), (Face::Bold, BOLD)] {
        let ids = pictures.load_font_source(fontdb::Source::Binary(Arc::new(bytes)));
        named.extend(ids.into_iter().map(|id| (id, face)));
    }
    pictures.set_sans_serif_family("DejaVu Sans");
    Some(Typefaces { regular: read(REGULAR)?, bold: read(BOLD)?, pictures: Arc::new(pictures), named })
});

impl Typefaces {
    /// The typefaces of the service.
    ///
    /// # Errors
    /// If one cannot be read, which a test would see.
    pub(crate) fn get() -> Result<&'static Self, PaperError> {
        TYPEFACES.as_ref().ok_or_else(|| PaperError("a typeface cannot be read".to_owned()))
    }

    fn face(&self, face: Face) -> &Typeface {
        match face {
            Face::Regular => &self.regular,
            Face::Bold => &self.bold,
        }
    }

    /// A typeface as it is written into a document.
    pub(crate) fn written(&self, face: Face) -> Font {
        self.face(face).written.clone()
    }

    /// The typefaces for pictures.
    pub(crate) fn for_pictures(&self) -> Arc<fontdb::Database> {
        Arc::clone(&self.pictures)
    }

    /// What a picture's typeface is here.
    pub(crate) fn named(&self, id: fontdb::ID) -> Face {
        self.named.iter().find(|(one, _)| *one == id).map_or(Face::Regular, |(_, face)| *face)
    }
}

/// A glyph; lengths are shares of the letters' size.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Glyph {
    pub(crate) id: u32,
    /// The bytes of the text that it shows.
    pub(crate) start: u32,
    pub(crate) end: u32,
    pub(crate) advance: f32,
    pub(crate) dx: f32,
    pub(crate) dy: f32,
}

/// A piece of text as glyphs, in the order in which they are seen.
#[derive(Debug)]
pub(crate) struct Shaped {
    pub(crate) text: Box<str>,
    pub(crate) glyphs: Box<[Glyph]>,
    /// As a share of the letters' size.
    pub(crate) width: f32,
}

/// Makes glyphs of text and remembers words, of which tables hold the same ones many times.
pub(crate) struct Shapers {
    regular: (Shaper<'static>, Known),
    bold: (Shaper<'static>, Known),
}

type Known = HashMap<Box<str>, Rc<Shaped>>;

impl Shapers {
    pub(crate) fn new(typefaces: &'static Typefaces) -> Self {
        let of = |face: &'static Typeface| (face.data.shaper(&face.font).build(), HashMap::new());
        Self { regular: of(&typefaces.regular), bold: of(&typefaces.bold) }
    }

    /// A word as glyphs.
    pub(crate) fn shape(&mut self, face: Face, text: &str, leftward: bool) -> Rc<Shaped> {
        let (shaper, known) = match face {
            Face::Regular => &mut self.regular,
            Face::Bold => &mut self.bold,
        };
        if leftward {
            return Rc::new(shaped(shaper, text, Direction::RightToLeft));
        }
        if let Some(one) = known.get(text) {
            return Rc::clone(one);
        }
        let one = Rc::new(shaped(shaper, text, Direction::LeftToRight));
        known.insert(text.into(), Rc::clone(&one));
        one
    }
}

fn shaped(shaper: &Shaper<'static>, text: &str, direction: Direction) -> Shaped {
    let mut buffer = UnicodeBuffer::new();
    buffer.push_str(text);
    buffer.set_direction(direction);
    buffer.guess_segment_properties();
    let output = shaper.shape(buffer, ShapeOptions::new());
    let starts: BTreeSet<u32> = output.glyph_infos().iter().map(|info| info.cluster).collect();
    // A word of four gigabytes does not come here.
    let whole = u32::try_from(text.len()).unwrap_or(u32::MAX);
    let em = shaper.units_per_em().max(1) as f32;
    let share = |units: i32| units as f32 / em;
    let glyphs: Box<[Glyph]> = output
        .glyph_infos()
        .iter()
        .zip(output.glyph_positions())
        .map(|(info, position)| Glyph {
            id: info.glyph_id,
            start: info.cluster,
            end: starts.range(info.cluster + 1..).next().copied().unwrap_or(whole),
            advance: share(position.x_advance),
            dx: share(position.x_offset),
            dy: share(position.y_offset),
        })
        .collect();
    let width = glyphs.iter().map(|glyph| glyph.advance).sum();
    Shaped { text: text.into(), glyphs, width }
}
