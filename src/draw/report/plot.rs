//! A plot of the page as inline SVG.
//!
//! Positions are percentages of the plane and curves are stretched to it, so text and
//! strokes keep their size on a phone and on paper, and the page's script can place a
//! cursor without knowing any pixels.

use std::fmt::Write as _;

use maud::{Markup, html};
use serde_json::{Value, json};

use super::html::with_code;
use super::page::{Live, PagePlot};
use super::table::table;
use super::ticks::Ticks;
use crate::draw::chart::{Belt, Chart, LineStyle, Series, Shade, decimate};

/// Curves are drawn in a square of this side and stretched.
const SIDE: f64 = 1000.0;
/// Curves with more points than this are drawn with a finer pen.
const CROWDED: usize = 1000;
/// What arithmetic may leave between two equal places to the right.
const SAME: f64 = 1e-9;
/// Ticks at most, to the right and upwards.
const TICKS: (usize, usize) = (9, 6);

/// The plot with its legend and its table; `number` tells it from the others.
pub(super) fn figure(plot: &PagePlot, number: usize) -> Markup {
    let chart = &plot.chart;
    html! {
        figure.plot.time[plot.over_time] {
            figcaption { h3 { (chart.title) } @if !plot.note.is_empty() { p { (with_code(&plot.note)) } } }
            (legend(chart, number))
            div.stage.tall[plot.tall] id=(stage_id(number)) role="img" aria-label=(plot.description) {
                (drawing(chart, number))
            }
            @if let Some(numbers) = &plot.table {
                details.long {
                    summary { "Data table" }
                    (table(numbers))
                }
            }
        }
    }
}

/// What the page's script has to know of the plot.
pub(super) fn data(plot: &PagePlot, number: usize) -> Value {
    let (x, y) = plot.chart.ranges();
    let kind = match (plot.over_time, plot.live.is_empty()) {
        (true, _) => "time",
        (false, false) => "plane",
        (false, true) => "still",
    };
    let curves: Vec<Value> = plot
        .live
        .iter()
        .map(|live| curve_data(plot, live, number))
        .collect();
    json!({
        "stage": stage_id(number),
        "kind": kind,
        "x": [x.0, x.1],
        "y": [y.0, y.1],
        "rescales": plot.rescales,
        "curves": curves,
    })
}

fn curve_data(plot: &PagePlot, live: &Live, number: usize) -> Value {
    let column = |value: fn(&(f64, f64, f64)) -> f64, digits| -> Vec<Value> {
        live.samples
            .iter()
            .map(|sample| rounded(value(sample), digits))
            .collect()
    };
    let mut data = json!({
        "name": live.name,
        "unit": live.unit,
        "across": live.across,
        "colour": live.colour,
        "output": output_id(number, live.series),
        "curve": curve_id(number, live.series),
        "t": column(|sample| sample.0, 8),
        "y": column(|sample| sample.2, if plot.rescales { 8 } else { 5 }),
    });
    if !plot.over_time {
        data["x"] = column(|sample| sample.1, 5).into();
    }
    data
}

/// The number with so many significant digits; null where it is not finite.
pub(super) fn rounded(value: f64, digits: usize) -> Value {
    if !value.is_finite() {
        return Value::Null;
    }
    let text = format!("{value:.*e}", digits - 1);
    let near: f64 = text.parse().unwrap_or(value);
    if near == near.trunc() && near.abs() < 1e9 {
        json!(near as i64)
    } else {
        json!(near)
    }
}

fn stage_id(number: usize) -> String {
    format!("plot-{number}")
}

fn output_id(number: usize, series: usize) -> String {
    format!("value-{number}-{series}")
}

fn curve_id(number: usize, series: usize) -> String {
    format!("curve-{number}-{series}")
}

fn legend(chart: &Chart, number: usize) -> Markup {
    let mut named: Vec<(&str, usize)> = Vec::new();
    let ((left, right), (low, high)) = chart.ranges();
    let bands = chart.bands.iter();
    let bands = bands.filter(|Shade { from, to, .. }| *from < right && *to > left);
    let bands = bands.map(|band| (band.label.as_str(), band.colour));
    let belts = chart.belts.iter();
    let belts = belts.filter(|belt| belt.within(low, high).is_some());
    let belts = belts.map(|belt| (belt.label.as_str(), belt.colour));
    for entry in bands.chain(belts) {
        if !named.contains(&entry) {
            named.push(entry);
        }
    }
    html! {
        ul.legend {
            @for (index, series) in chart.series.iter().enumerate() {
                @if !series.label.is_empty() {
                    li {
                        (swatch(series))
                        (series.label)
                        output id=(output_id(number, index)) aria-live="off" {}
                    }
                }
            }
            @for (label, colour) in named {
                li {
                    svg class=(palette(colour)) viewBox="0 0 24 12" aria-hidden="true" { rect class="band" width="24" height="12" {} }
                    (with_code(label))
                }
            }
            @for mark in &chart.marks {
                li {
                    svg class=(palette(mark.colour)) viewBox="0 0 24 12" aria-hidden="true" { line class="mark" x1="12" x2="12" y2="12" {} }
                    (mark.label)
                }
            }
        }
    }
}

fn swatch(series: &Series) -> Markup {
    html! {
        svg class=(palette(series.colour)) viewBox="0 0 24 12" aria-hidden="true" {
            @if series.style == LineStyle::Filled { rect class="area" y="6" width="24" height="6" {} }
            path class=(curve_class(series.style)) d=(if series.style == LineStyle::Dots { "M12 6h0" } else { "M0 6h24" }) {}
        }
    }
}

fn drawing(chart: &Chart, number: usize) -> Markup {
    let ((left, right), (low, high)) = chart.ranges();
    let across = |x: f64| percent((x - left) / (right - left));
    let up = |y: f64| percent(1.0 - (y - low) / (high - low));
    let (x_ticks, y_ticks) = (
        Ticks::new(left, right, TICKS.0),
        Ticks::new(low, high, TICKS.1),
    );
    html! {
        svg aria-hidden="true" {
            @for band in &chart.bands {
                @let (from, to) = (band.from.max(left), band.to.min(right));
                @if to > from {
                    rect class={ "band " (palette(band.colour)) } x=(across(from)) width=(percent((to - from) / (right - left))) height="100%" {}
                }
            }
            @for belt in &chart.belts { (drawn_belt(belt, (low, high), up)) }
            g.grid.across { @for (x, _) in x_ticks.labels() { line x1=(across(x)) x2=(across(x)) y2="100%" {} } }
            g.grid.up {
                @for (y, _) in y_ticks.labels() { line x2="100%" y1=(up(y)) y2=(up(y)) {} }
            }
            rect.frame width="100%" height="100%" {}
            @if low < 0.0 && high > 0.0 { line.zero x2="100%" y1=(up(0.0)) y2=(up(0.0)) {} }
            svg viewBox={ "0 0 " (SIDE) " " (SIDE) } preserveAspectRatio="none" width="100%" height="100%" {
                @for (index, series) in chart.series.iter().enumerate() {
                    g class=(palette(series.colour)) id=(curve_id(number, index)) { (curve(series, (left, right), (low, high))) }
                }
            }
            @for mark in &chart.marks {
                line class={ "mark " (palette(mark.colour)) } x1=(across(mark.at)) x2=(across(mark.at)) y2="100%" {}
            }
            g.numbers {
                @for (number, (x, label)) in x_ticks.labels().enumerate() {
                    text class=(tick_class("middle", number)) x=(across(x)) y="100%" dy="17" { (label) }
                }
            }
            g.levels {
                @for (y, label) in y_ticks.labels() {
                    text.end x="0" dx="-8" y=(up(y)) dy="4" { (label) }
                }
            }
            text.end x="100%" y="100%" dy="35" { (chart.x_label) }
            text x="0" dx="-50" y="0" dy="-11" { (chart.y_label) }
        }
    }
}

fn drawn_belt(belt: &Belt, (low, high): (f64, f64), up: impl Fn(f64) -> String) -> Markup {
    html! {
        @if let Some((from, to)) = belt.within(low, high) {
            rect class={ "band " (palette(belt.colour)) } y=(up(to)) width="100%" height=(percent((to - from) / (high - low))) {}
        }
    }
}

/// On a narrow screen every other label is left out.
fn tick_class(base: &str, number: usize) -> String {
    if number % 2 == 1 {
        format!("{base} odd")
    } else {
        base.to_owned()
    }
}

fn curve(series: &Series, (left, right): (f64, f64), (low, high): (f64, f64)) -> Markup {
    let points = decimate(
        seen(&series.points, left, right),
        left,
        right,
        SIDE as usize,
    );
    let place = |(x, y): (f64, f64)| {
        (
            SIDE * (x - left) / (right - left),
            SIDE * (high - y) / (high - low),
        )
    };
    let mut line = String::new();
    let mut area = String::new();
    let floor = place((left, 0.0)).1;
    for run in points
        .split(|(x, y)| !(x.is_finite() && y.is_finite()))
        .filter(|run| !run.is_empty())
    {
        let begins = line.len();
        // Writing to a String cannot fail.
        for (index, point) in run.iter().enumerate() {
            let (x, y) = place(*point);
            let letter = if index == 0 { 'M' } else { 'L' };
            let _ = match series.style {
                LineStyle::Dots => write!(line, "M{x:.1} {y:.1}h0"),
                LineStyle::Solid | LineStyle::Dashed | LineStyle::Filled | LineStyle::Edge => {
                    write!(line, "{letter}{x:.1} {y:.1}")
                }
            };
        }
        if series.style == LineStyle::Filled {
            let (first, last) = (place(run[0]).0, place(run[run.len() - 1]).0);
            let _ = write!(
                area,
                "{}L{last:.1} {floor:.1}L{first:.1} {floor:.1}Z",
                &line[begins..]
            );
        }
    }
    let pen = if points.len() > CROWDED { " fine" } else { "" };
    html! {
        @if series.style == LineStyle::Filled { path.area d=(area) {} }
        path class={ (curve_class(series.style)) (pen) } d=(line) {}
    }
}

/// The points between `left` and `right` and one more on either side, where they come from left
/// to right; else all of them.
fn seen(points: &[(f64, f64)], left: f64, right: f64) -> &[(f64, f64)] {
    if !points.is_sorted_by(|one, next| one.0 <= next.0 + SAME) {
        return points;
    }
    let first = points.partition_point(|(x, _)| *x < left).saturating_sub(1);
    let last = points.partition_point(|(x, _)| *x <= right) + 1;
    &points[first..last.min(points.len()).max(first)]
}

const fn curve_class(style: LineStyle) -> &'static str {
    match style {
        LineStyle::Solid | LineStyle::Filled => "curve",
        LineStyle::Dashed => "curve dashed",
        LineStyle::Dots => "curve dots",
        LineStyle::Edge => "curve edge",
    }
}

fn palette(colour: usize) -> String {
    format!("k{}", colour % 6)
}

fn percent(share: f64) -> String {
    format!("{:.3}%", 100.0 * share)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_for_the_script_are_short_and_close() {
        assert_eq!(rounded(1.0 / 3.0, 5).to_string(), "0.33333");
        assert_eq!(rounded(120.0, 5).to_string(), "120");
        assert_eq!(rounded(12_345_678.0, 8).to_string(), "12345678");
        assert_eq!(rounded(f64::NAN, 5), Value::Null);
    }
}
