//! Figures drawn as SVG.
//!
//! The drawing library works in whole pixels, so a figure is drawn [`FINE`] times as
//! large and shrunk by its `viewBox`.

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::Color;

use super::chart::{COLOURS, Chart, Figure, LineStyle, Series, decimate};

/// Drawing units in a pixel.
const FINE: u32 = 4;
/// Width of a figure in pixels.
pub const WIDTH: u32 = 960;
/// Height of one chart in pixels.
pub const CHART_HEIGHT: u32 = 360;
/// Height of the figure's title in pixels.
const TITLE_HEIGHT: u32 = 48;

/// Why a figure could not be drawn; only an error of the drawing libraries.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DrawError {
    /// As SVG.
    #[error("the figure could not be drawn: {0}")]
    Figure(String),
    /// In pixels.
    #[error("the picture could not be painted: {0}")]
    Picture(String),
}

impl<E: std::error::Error + Send + Sync> From<DrawingAreaErrorKind<E>> for DrawError {
    fn from(error: DrawingAreaErrorKind<E>) -> Self {
        Self::Figure(error.to_string())
    }
}

/// The figure as a stand-alone SVG document.
///
/// # Errors
/// Only what the drawing library cannot do.
pub fn svg(figure: &Figure) -> Result<String, DrawError> {
    let (width, height) = size(figure);
    let mut drawn = String::new();
    {
        let sheet =
            SVGBackend::with_string(&mut drawn, (width * FINE, height * FINE)).into_drawing_area();
        sheet.fill(&WHITE)?;
        let style = ("sans-serif", px(20)).into_font().color(&INK);
        let sheet = sheet.margin(px(8), 0, 0, 0).titled(&figure.title, style)?;
        let parts = sheet.split_evenly((figure.charts.len().max(1), 1));
        for (chart, part) in figure.charts.iter().zip(&parts) {
            draw(chart, part)?;
        }
        sheet.present()?;
    }
    Ok(finish(&drawn, figure, width, height))
}

/// Width and height of the figure in pixels.
pub fn size(figure: &Figure) -> (u32, u32) {
    (
        WIDTH,
        TITLE_HEIGHT + CHART_HEIGHT * figure.charts.len().max(1) as u32,
    )
}

/// Shrinks the drawing to its real size and tells screen readers what it is.
fn finish(drawn: &str, figure: &Figure, width: u32, height: u32) -> String {
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
        &drawn[body..]
    )
}

/// Text as it may stand in XML.
pub(crate) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

const INK: RGBColor = RGBColor(34, 34, 34);
const FAINT: RGBColor = RGBColor(221, 221, 221);

const fn px(pixels: u32) -> u32 {
    pixels * FINE
}

fn colour(index: usize) -> RGBColor {
    let (red, green, blue) = COLOURS[index % COLOURS.len()];
    RGBColor(red, green, blue)
}

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

fn draw(chart: &Chart, area: &Area<'_>) -> Result<(), DrawError> {
    let ((left, right), (low, high)) = chart.ranges();
    let text = |size: u32| ("sans-serif", px(size)).into_font().color(&INK);
    let mut plot = ChartBuilder::on(area)
        .caption(&chart.title, text(15))
        .margin_top(px(4))
        .margin_right(px(28))
        .margin_bottom(px(6))
        .margin_left(px(8))
        .x_label_area_size(px(44))
        .y_label_area_size(px(58))
        .build_cartesian_2d(left..right, low..high)?;
    let mut named: Vec<&str> = Vec::new();
    for band in &chart.bands {
        let (from, to) = (band.from.max(left), band.to.min(right));
        if from >= to {
            continue;
        }
        let tint = colour(band.colour).mix(0.22).filled();
        let entry = plot.draw_series([Rectangle::new([(from, low), (to, high)], tint)])?;
        if !named.contains(&band.label.as_str()) {
            named.push(&band.label);
            entry.label(&band.label).legend(move |(x, y)| {
                Rectangle::new([(x, y - px_i(5)), (x + px_i(24), y + px_i(5))], tint)
            });
        }
    }
    plot.configure_mesh()
        .x_desc(&chart.x_label)
        .y_desc(&chart.y_label)
        .x_labels(11)
        .y_labels(8)
        .label_style(text(12))
        .axis_desc_style(text(13))
        .axis_style(INK.stroke_width(FINE))
        .bold_line_style(FAINT.stroke_width(FINE))
        .light_line_style(TRANSPARENT)
        .x_label_formatter(&|value| tick_label(*value, right - left))
        .y_label_formatter(&|value| tick_label(*value, high - low))
        .draw()?;
    for mark in &chart.marks {
        let style = colour(mark.colour).stroke_width(2 * FINE);
        plot.draw_series(DashedLineSeries::new(
            [(mark.at, low), (mark.at, high)],
            px(3),
            px(4),
            style,
        ))?
        .label(&mark.label)
        .legend(move |(x, y)| {
            EmptyElement::at((x, y))
                + PathElement::new([(0, 0), (px_i(4), 0)], style)
                + PathElement::new([(px_i(10), 0), (px_i(14), 0)], style)
                + PathElement::new([(px_i(20), 0), (px_i(24), 0)], style)
        });
    }
    for series in &chart.series {
        draw_series(series, (left, right), &mut plot)?;
    }
    if chart.legend_entries() > 0 {
        plot.configure_series_labels()
            .position(SeriesLabelPosition::UpperRight)
            .margin(px(8))
            .legend_area_size(px(32))
            .background_style(WHITE.mix(0.85))
            .border_style(FAINT.stroke_width(FINE))
            .label_font(text(12))
            .draw()?;
    }
    Ok(())
}

type Plot<'a, 'b> = ChartContext<
    'a,
    SVGBackend<'b>,
    Cartesian2d<plotters::coord::types::RangedCoordf64, plotters::coord::types::RangedCoordf64>,
>;

fn draw_series<'a, 'b: 'a>(
    series: &Series,
    (left, right): (f64, f64),
    plot: &mut Plot<'a, 'b>,
) -> Result<(), DrawError> {
    let columns = (WIDTH * 2) as usize;
    let points = decimate(&series.points, left, right, columns);
    let line = colour(series.colour).stroke_width(2 * FINE);
    let tint = colour(series.colour);
    let mut label = series.label.as_str();
    let runs = points
        .split(|(x, y)| !(x.is_finite() && y.is_finite()))
        .filter(|run| !run.is_empty());
    for run in runs {
        let run = run.iter().copied();
        let entry = match series.style {
            LineStyle::Solid => plot.draw_series(LineSeries::new(run, line))?,
            LineStyle::Dashed => {
                plot.draw_series(DashedLineSeries::new(run, px(7), px(4), line))?
            }
            LineStyle::Filled => {
                plot.draw_series(AreaSeries::new(run, 0.0, tint.mix(0.12)).border_style(line))?
            }
            LineStyle::Dots => {
                plot.draw_series(run.map(|point| Circle::new(point, px_i(3), tint.filled())))?
            }
        };
        // One entry in the legend, however often the line breaks.
        if label.is_empty() {
            continue;
        }
        let entry = entry.label(label);
        label = "";
        match series.style {
            LineStyle::Dots => {
                entry.legend(move |(x, y)| Circle::new((x + px_i(12), y), px_i(4), tint.filled()));
            }
            LineStyle::Dashed => {
                entry.legend(move |(x, y)| {
                    EmptyElement::at((x, y))
                        + PathElement::new([(0, 0), (px_i(9), 0)], line)
                        + PathElement::new([(px_i(14), 0), (px_i(24), 0)], line)
                });
            }
            LineStyle::Solid | LineStyle::Filled => {
                entry.legend(move |(x, y)| PathElement::new([(x, y), (x + px_i(24), y)], line));
            }
        }
    }
    Ok(())
}

const fn px_i(pixels: i32) -> i32 {
    pixels * FINE as i32
}

/// A number beside a tick, with as many decimals as the span of the axis calls for.
fn tick_label(value: f64, span: f64) -> String {
    let decimals = (2.0 - span.abs().log10().floor()).clamp(0.0, 9.0) as usize;
    let text = format!("{value:.decimals$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    };
    if text == "-0" { "0".to_owned() } else { text }
}
