//! Pictures as pixels, for where SVG cannot go.

use std::sync::{Arc, LazyLock};

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};

use crate::pictures::PictureError;
use crate::pictures::letters::TYPEFACE;

/// Pixels for each unit of the SVG: sharp in print at a hand's breadth.
const SCALE: f32 = 2.0;

/// The typeface of all letters: the machine's own may differ, or be none.
pub(super) static FONTS: LazyLock<Arc<fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(TYPEFACE.to_vec());
    fonts.set_sans_serif_family("DejaVu Sans");
    Arc::new(fonts)
});

/// Draws an SVG of ours as PNG, twice its size in pixels.
///
/// # Errors
/// An SVG that cannot be read, or one too large for memory.
pub fn png(svg: &str) -> Result<Vec<u8>, PictureError> {
    let failed = |error: &dyn std::fmt::Display| PictureError(error.to_string());
    let options = Options { fontdb: Arc::clone(&FONTS), ..Options::default() };
    let tree = Tree::from_str(svg, &options).map_err(|error| failed(&error))?;
    let size = tree.size().to_int_size();
    let pixels = |length: u32| (length as f32 * SCALE).ceil() as u32;
    let mut pixmap = Pixmap::new(pixels(size.width()), pixels(size.height()))
        .ok_or_else(|| PictureError("the picture has no size".to_owned()))?;
    resvg::render(&tree, Transform::from_scale(SCALE, SCALE), &mut pixmap.as_mut());
    pixmap.encode_png().map_err(|error| failed(&error))
}
