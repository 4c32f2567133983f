//! The errors of stops as bars, in inline SVG: outwards from a circle, or upwards from a line,
//! where the load stops at a greater angle or place than the one asked for.

use maud::{Markup, html};

use super::page::{PageStops, StopBar};
use super::table::table;
use crate::units::Rounded;

/// The square in which a circle is drawn, and the sheet of a line.
const SIDE: f64 = 390.0;
const SHEET: (f64, f64) = (390.0, 190.0);
/// Radius of the circle, and length of the longest bar.
const RADIUS: f64 = 112.0;
const LONGEST: f64 = 44.0;
/// Distance of the numbers from the circle.
const NUMBERS: f64 = LONGEST + 20.0;
/// Between the bars of one stop.
const APART: f64 = 5.0;
/// Stops whose places are all written beside them; of more, some are.
const WRITTEN: usize = 12;

/// What a bar shows of its stop.
type BarOf = fn(&StopBar) -> Option<f64>;

/// The kinds of bars: name, place in the palette, length.
const KINDS: [(&str, usize, BarOf); 3] = [
    ("rounded to a step", 0, |bar| Some(bar.rounded)),
    ("the same on half steps", 2, |bar| bar.on_half_steps),
    ("at rest in the motor model", 1, |bar| bar.at_rest),
];

/// The bars with their legend and their table.
pub(super) fn figure(stops: &PageStops) -> Markup {
    let errors = |of: BarOf| stops.bars.iter().filter_map(of);
    // Nothing is drawn of what is zero everywhere.
    let kinds = || {
        let known = KINDS.into_iter();
        known.filter(|(.., of)| errors(*of).any(|error| error != 0.0))
    };
    let zeros = KINDS.into_iter();
    let zeros =
        zeros.filter(|(.., of)| errors(*of).count() > 0 && errors(*of).all(|error| error == 0.0));
    html! {
        figure.plot.stops {
            figcaption { h3 { (stops.title) } p { (stops.says) } }
            ul.legend {
                @for (name, colour, _) in kinds() {
                    li { svg class={ "k" (colour) } viewBox="0 0 24 12" aria-hidden="true" { line class="bar" x1="12" x2="12" y1="1" y2="11" {} } (name) }
                }
                @for (name, ..) in zeros { li { (name) ": none" } }
                @if stops.most > 0.0 { li { "the longest bar is " (Rounded(stops.most)) " " (stops.unit) } }
            }
            div.bars.round[stops.round] role="img" aria-label={ (stops.says) " The data table lists them." } {
                @let kinds: Vec<_> = kinds().map(|(_, colour, of)| (colour, of)).collect();
                @if stops.round { (circle(stops, &kinds)) } @else { (line(stops, &kinds)) }
            }
            details.long { summary { "Data table" } (table(&stops.table)) }
        }
    }
}

/// The length of a bar, and how far it stands beside its stop.
fn lengths<'a>(
    stops: &'a PageStops,
    kinds: &'a [(usize, BarOf)],
    bar: &'a StopBar,
) -> impl Iterator<Item = (usize, f64, f64)> + 'a {
    let middle = 0.5 * (kinds.len() as f64 - 1.0);
    let scale = if stops.most > 0.0 {
        LONGEST / stops.most
    } else {
        0.0
    };
    let each = kinds.iter().enumerate();
    each.filter_map(move |(index, (colour, of))| {
        Some((*colour, of(bar)? * scale, APART * (index as f64 - middle)))
    })
}

/// Every so many stops have their place written beside them.
fn every(stops: &PageStops) -> usize {
    let most = if stops.round { WRITTEN } else { WRITTEN / 2 };
    stops.bars.len().div_ceil(most).max(1)
}

fn circle(stops: &PageStops, kinds: &[(usize, BarOf)]) -> Markup {
    let every = every(stops);
    let middle = 0.5 * SIDE;
    html! {
        svg viewBox={ "0 0 " (SIDE) " " (SIDE) } aria-hidden="true" {
            circle.frame cx=(middle) cy=(middle) r=(RADIUS) {}
            @for (index, bar) in stops.bars.iter().enumerate() {
                @let (sin, cos) = bar.place.to_radians().sin_cos();
                // From the middle of the circle, upwards and along the tangent.
                @let at = |radius: f64, beside: f64| (
                    place(middle + radius * cos - beside * sin),
                    place(middle - radius * sin - beside * cos),
                );
                @let ((x1, y1), (x2, y2)) = (at(RADIUS - 4.0, 0.0), at(RADIUS + 4.0, 0.0));
                line.tick x1=(x1) y1=(y1) x2=(x2) y2=(y2) {}
                @for (colour, length, beside) in lengths(stops, kinds, bar) {
                    @let ((x1, y1), (x2, y2)) = (at(RADIUS, beside), at(RADIUS + length, beside));
                    line class={ "bar k" (colour) } x1=(x1) y1=(y1) x2=(x2) y2=(y2) {}
                }
                @if index % every == 0 {
                    @let (x, y) = at(RADIUS + NUMBERS, 0.0);
                    text.middle x=(x) y=(y) dy="4" { (Rounded(bar.place)) @if stops.unit == "deg" { "°" } }
                }
            }
            @for (number, words) in ["outwards: stops", "counterclockwise", "of the place asked for"].into_iter().enumerate() {
                text.middle x=(middle) y=(middle - 12.0 + 17.0 * number as f64) { (words) }
            }
        }
    }
}

fn line(stops: &PageStops, kinds: &[(usize, BarOf)]) -> Markup {
    let every = every(stops);
    let places = || stops.bars.iter().map(|bar| bar.place);
    let (low, high) = (
        places().fold(f64::INFINITY, f64::min),
        places().fold(f64::NEG_INFINITY, f64::max),
    );
    let (width, height) = SHEET;
    let edge = 40.0;
    let across = |place: f64| match high > low {
        true => edge + (width - 2.0 * edge) * (place - low) / (high - low),
        false => 0.5 * width,
    };
    let floor = 0.5 * height - 12.0;
    html! {
        svg viewBox={ "0 0 " (width) " " (height) } aria-hidden="true" {
            line.zero x1="0" x2=(width) y1=(floor) y2=(floor) {}
            @for (index, bar) in stops.bars.iter().enumerate() {
                @let x = across(bar.place);
                line.tick x1=(place(x)) x2=(place(x)) y1=(floor - 4.0) y2=(floor + 4.0) {}
                @for (colour, length, beside) in lengths(stops, kinds, bar) {
                    line class={ "bar k" (colour) } x1=(place(x + beside)) x2=(place(x + beside)) y1=(floor) y2=(place(floor - length)) {}
                }
                @if index % every == 0 {
                    text.middle x=(place(x)) y=(floor + LONGEST + 20.0) { (Rounded(bar.place)) }
                }
            }
            text x="0" y="12" { "upwards: stops at more than asked for" }
            text.end x=(width) y=(height - 6.0) { "place (" (stops.unit) ")" }
        }
    }
}

fn place(value: f64) -> String {
    format!("{value:.1}")
}
