//! Paints figures with the drawing library, as SVG or bitmap.
//!
//! The library works in whole pixels. Everything is therefore painted [`FINE`] times as
//! large as it is shown, and shrunk afterwards.

use std::sync::OnceLock;

use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::{Color, FontStyle, register_font as register};

use super::chart::{COLOURS, Chart, Figure, LineStyle, Series, decimate};
use crate::units::{magnitude, short};

/// Painted pixels in a pixel of the figure.
pub(super) const FINE: u32 = 4;
/// Width of a figure (pixels).
pub(super) const WIDTH: u32 = 960;
/// Height of one chart (pixels).
pub(super) const CHART_HEIGHT: u32 = 360;
/// Height of the title (pixels).
pub(super) const TITLE_HEIGHT: u32 = 36;

/// A subset of Noto Sans (SIL Open Font License, see `font/OFL.txt`), so that plots
/// look the same on a machine without fonts.
const FONT: &[u8] = include_bytes!("font/NotoSans-Subset.ttf");

/// Why a figure could not be drawn.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the figure could not be drawn: {0}")]
pub struct DrawError(pub(super) String);

impl<E: std::error::Error + Send + Sync> From<DrawingAreaErrorKind<E>> for DrawError {
    fn from(error: DrawingAreaErrorKind<E>) -> Self {
        Self(error.to_string())
    }
}

/// Height of the figure (pixels).
pub(super) fn height(figure: &Figure) -> u32 {
    TITLE_HEIGHT + CHART_HEIGHT * figure.charts.len().max(1) as u32
}

/// Makes the embedded font the one that texts are measured and painted with.
pub(super) fn register_font() -> Result<(), DrawError> {
    static REGISTERED: OnceLock<bool> = OnceLock::new();
    if *REGISTERED.get_or_init(|| register("sans-serif", FontStyle::Normal, FONT).is_ok()) {
        Ok(())
    } else {
        Err(DrawError("its font cannot be read".to_owned()))
    }
}

/// Paints the ground and the title at the top of `sheet`; gives the area below the title.
pub(super) fn paint_title<DB: DrawingBackend>(
    figure: &Figure,
    sheet: &Area<DB>,
) -> Result<Area<DB>, DrawError> {
    sheet.fill(&WHITE)?;
    let (head, charts) = sheet.split_vertically(px(TITLE_HEIGHT));
    let style = ("sans-serif", px(20)).into_font().color(&INK);
    head.margin(px(8), 0, 0, 0).titled(&figure.title, style)?;
    Ok(charts)
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

/// What is painted on.
pub(super) type Area<DB> = DrawingArea<DB, Shift>;

/// Paints a chart over the whole of `area`.
pub(super) fn paint_chart<DB: DrawingBackend>(
    chart: &Chart,
    area: &Area<DB>,
) -> Result<(), DrawError> {
    let ((left, right), (low, high)) = chart.ranges_with_legend();
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
            entry.label(roomy(&band.label)).legend(move |(x, y)| {
                Rectangle::new([(x, y - px_i(5)), (x + px_i(24), y + px_i(5))], tint)
            });
        }
    }
    for belt in &chart.belts {
        let Some((from, to)) = belt.within(low, high) else {
            continue;
        };
        let tint = colour(belt.colour).mix(0.22).filled();
        let entry = plot.draw_series([Rectangle::new([(left, from), (right, to)], tint)])?;
        if !named.contains(&belt.label.as_str()) {
            named.push(&belt.label);
            entry.label(roomy(&belt.label)).legend(move |(x, y)| {
                Rectangle::new([(x, y - px_i(5)), (x + px_i(24), y + px_i(5))], tint)
            });
        }
    }
    plot.configure_mesh()
        .x_desc(&chart.x_label)
        .y_desc(&chart.y_label)
        .x_labels(11)
        .y_labels(8)
        .set_tick_mark_size(LabelAreaPosition::Left, px(4))
        .set_tick_mark_size(LabelAreaPosition::Bottom, px(4))
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
        .label(roomy(&mark.label))
        .legend(move |(x, y)| {
            EmptyElement::at((x, y))
                + PathElement::new([(0, 0), (px_i(4), 0)], style)
                + PathElement::new([(px_i(10), 0), (px_i(14), 0)], style)
                + PathElement::new([(px_i(20), 0), (px_i(24), 0)], style)
        });
    }
    for series in &chart.series {
        paint_series(series, (left, right), &mut plot)?;
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

type PlotArea<'a, DB> = ChartContext<'a, DB, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

fn paint_series<'a, DB: DrawingBackend + 'a>(
    series: &Series,
    (left, right): (f64, f64),
    plot: &mut PlotArea<'a, DB>,
) -> Result<(), DrawError> {
    let columns = (WIDTH * 2) as usize;
    let points = decimate(&series.points, left, right, columns);
    let line = colour(series.colour).stroke_width(2 * FINE);
    let tint = colour(series.colour);
    let edge = tint.mix(0.5).stroke_width(FINE);
    let mut label = series.label.as_str();
    let runs = points
        .split(|(x, y)| !(x.is_finite() && y.is_finite()))
        .filter(|run| !run.is_empty());
    for run in runs {
        let run = run.iter().copied();
        let entry = match series.style {
            LineStyle::Solid => plot.draw_series(LineSeries::new(run, line))?,
            LineStyle::Edge => plot.draw_series(LineSeries::new(run, edge))?,
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
        let entry = entry.label(roomy(label));
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
            LineStyle::Edge => {
                entry.legend(move |(x, y)| PathElement::new([(x, y), (x + px_i(24), y)], edge));
            }
            LineStyle::Solid | LineStyle::Filled => {
                entry.legend(move |(x, y)| PathElement::new([(x, y), (x + px_i(24), y)], line));
            }
        }
    }
    Ok(())
}

/// A text of the legend with room behind it: whoever shows an SVG measures it with a font of
/// their own, which may be a fifth wider than ours.
fn roomy(label: &str) -> String {
    let spaces = label.chars().count() / 3;
    format!("{label}{:spaces$}", "")
}

const fn px_i(pixels: i32) -> i32 {
    pixels * FINE as i32
}

/// A number beside a tick, with as many decimals as the span of the axis calls for.
fn tick_label(value: f64, span: f64) -> String {
    short(value, (2 - magnitude(span)).clamp(0, 9) as usize)
}
