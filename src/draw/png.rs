//! Figures as PNG: the SVG, painted with the font that comes along.

use std::sync::Arc;

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::fontdb::Database;
use resvg::usvg::{Options, Tree};

use super::DrawError;

/// A subset of Noto Sans (SIL Open Font License, see `font/OFL.txt`), so that plots
/// look the same on a machine without fonts.
const FONT: &[u8] = include_bytes!("font/NotoSans-Subset.ttf");

/// Pixels of the picture in a pixel of the figure, sharp enough to print.
const SCALE: f32 = 2.0;

/// The SVG document as a PNG file's bytes.
///
/// # Errors
/// The text is no SVG, or the picture is too large to paint.
pub fn png(svg: &str) -> Result<Vec<u8>, DrawError> {
    let error = |error: &dyn std::fmt::Display| DrawError::Picture(error.to_string());
    let mut fonts = Database::new();
    fonts.load_font_data(FONT.to_vec());
    fonts.set_sans_serif_family("Noto Sans");
    let options = Options {
        fontdb: Arc::new(fonts),
        ..Options::default()
    };
    let tree = Tree::from_str(svg, &options).map_err(|e| error(&e))?;
    let size = tree
        .size()
        .to_int_size()
        .scale_by(SCALE)
        .ok_or_else(|| error(&"it has no size"))?;
    let mut picture =
        Pixmap::new(size.width(), size.height()).ok_or_else(|| error(&"it is too large"))?;
    resvg::render(
        &tree,
        Transform::from_scale(SCALE, SCALE),
        &mut picture.as_mut(),
    );
    picture.encode_png().map_err(|e| error(&e))
}
