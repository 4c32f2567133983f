//! Figures as SVG documents.
//!
//! The drawing library works in whole pixels, so a figure is drawn [`FINE`] times as
//! large and shrunk by its `viewBox`.

use plotters::prelude::{IntoDrawingArea, SVGBackend};

use super::chart::Figure;
use super::paint::{DrawError, FINE, WIDTH, height, paint_chart, paint_title, register_font};

/// The figure as a stand-alone SVG document.
///
/// # Errors
/// Only what the drawing library cannot do.
pub(super) fn svg(figure: &Figure) -> Result<String, DrawError> {
    register_font()?;
    let (width, height) = (WIDTH * FINE, height(figure) * FINE);
    let mut drawn = String::new();
    {
        let sheet = SVGBackend::with_string(&mut drawn, (width, height)).into_drawing_area();
        let charts = paint_title(figure, &sheet)?;
        let parts = charts.split_evenly((figure.charts.len().max(1), 1));
        for (chart, part) in figure.charts.iter().zip(&parts) {
            paint_chart(chart, part)?;
        }
        sheet.present()?;
    }
    Ok(finish(&drawn, figure))
}

/// Shrinks the drawing to its real size and tells screen readers what it is.
fn finish(drawn: &str, figure: &Figure) -> String {
    let (width, height) = (WIDTH, height(figure));
    let Some(body) = drawn
        .find("<svg")
        .and_then(|at| drawn[at..].find('>').map(|end| at + end + 1))
    else {
        return drawn.to_owned();
    };
    let titles: Vec<&str> = figure
        .charts
        .iter()
        .map(|chart| chart.title.as_str())
        .collect();
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" \
         viewBox=\"0 0 {} {}\" role=\"img\">\n<title>{}</title>\n<desc>{}</desc>{}",
        width * FINE,
        height * FINE,
        escaped(&figure.title),
        escaped(&titles.join("; ")),
        visible(&drawn[body..])
    )
}

/// Text as it may stand in XML.
pub(crate) fn escaped(text: &str) -> String {
    visible(text)
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// Text with what turns the direction of writing round shown instead of obeyed, so that no name
/// reads as another one: the bidirectional controls of Unicode Standard Annex 9, as `[U+202E]`.
pub(crate) fn visible(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '\u{61c}'
            | '\u{200e}'
            | '\u{200f}'
            | '\u{202a}'..='\u{202e}'
            | '\u{2066}'..='\u{2069}' => {
                shown.push_str(&format!("[U+{:04X}]", u32::from(letter)));
            }
            other => shown.push(other),
        }
    }
    shown
}
