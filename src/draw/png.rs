//! Figures as PNG files.
//!
//! Title and charts are painted one after the other, [`FINE`] times as large as the
//! figure, shrunk to [`SCALE`] times by averaging squares of pixels, and compressed at
//! once: memory does not grow with the number of charts.

use plotters::prelude::{BitMapBackend, IntoDrawingArea, WHITE};
use std::io::Write;

use super::chart::Figure;
use super::paint::{
    Area, CHART_HEIGHT, DrawError, FINE, TITLE_HEIGHT, WIDTH, height, paint_chart, paint_title,
    register_font,
};

/// Pixels of the picture in a pixel of the figure, sharp enough to print.
const SCALE: u32 = 2;
/// Side of the squares of painted pixels that become one of the picture.
const SQUARE: usize = (FINE / SCALE) as usize;
/// Bytes of a pixel: red, green, blue.
const RGB: usize = 3;

/// The figure as the bytes of a PNG file.
///
/// # Errors
/// Only what the drawing library cannot do.
pub(super) fn png(figure: &Figure) -> Result<Vec<u8>, DrawError> {
    register_font()?;
    let mut file = Vec::new();
    let size = (WIDTH * SCALE, height(figure) * SCALE);
    let mut encoder = png::Encoder::new(&mut file, size.0, size.1);
    encoder.set_color(png::ColorType::Rgb);
    let mut writer = encoder.write_header().map_err(unwritable)?;
    let mut picture = writer.stream_writer().map_err(unwritable)?;
    let title = painted(TITLE_HEIGHT, |sheet| paint_title(figure, sheet).map(drop))?;
    write_shrunk(&title, &mut picture)?;
    for chart in &figure.charts {
        let pixels = painted(CHART_HEIGHT, |sheet| {
            sheet.fill(&WHITE)?;
            paint_chart(chart, sheet)
        })?;
        write_shrunk(&pixels, &mut picture)?;
    }
    picture.finish().map_err(unwritable)?;
    drop(writer);
    Ok(file)
}

/// The pixels of a strip of `height` pixels of the figure.
fn painted(
    height: u32,
    paint: impl FnOnce(&Area<BitMapBackend<'_>>) -> Result<(), DrawError>,
) -> Result<Vec<u8>, DrawError> {
    let size = (WIDTH * FINE, height * FINE);
    let mut pixels = vec![0; size.0 as usize * size.1 as usize * RGB];
    let sheet = BitMapBackend::with_buffer(&mut pixels, size).into_drawing_area();
    paint(&sheet)?;
    sheet.present()?;
    drop(sheet);
    Ok(pixels)
}

/// Writes the mean of every square of pixels.
fn write_shrunk(pixels: &[u8], picture: &mut impl Write) -> Result<(), DrawError> {
    let width = (WIDTH * FINE) as usize * RGB;
    let mut row = Vec::with_capacity(width / SQUARE);
    for rows in pixels.chunks_exact(width * SQUARE) {
        row.clear();
        for left in (0..width).step_by(SQUARE * RGB) {
            for colour in 0..RGB {
                let square = (0..SQUARE * SQUARE)
                    .map(|at| rows[at / SQUARE * width + left + at % SQUARE * RGB + colour]);
                let sum: usize = square.map(usize::from).sum();
                row.push((sum / (SQUARE * SQUARE)) as u8);
            }
        }
        picture
            .write_all(&row)
            .map_err(|error| DrawError(error.to_string()))?;
    }
    Ok(())
}

fn unwritable(error: png::EncodingError) -> DrawError {
    DrawError(error.to_string())
}
