//! A curve of squared acceleration over speed, replaced by straight lines below it.
//!
//! Cells of speed are halved until their line lies close to the curve; then every point is
//! lowered by as much as the lines beside it rise above the curve anywhere.

use super::line::along;

/// Cells that the range of speeds is cut into at least: chosen, so that no kink of the curve is
/// passed over.
const CELLS: usize = 48;
/// How often a cell is halved at most: chosen, 1/24,576 of the range.
const HALVINGS: u32 = 9;
/// Points of a cell at which the curve is looked at: chosen.
const LOOKS: usize = 16;
/// How far a line may lie from the curve of squared acceleration: chosen, which costs an eighth
/// of a per cent of the time.
const CLOSE: f64 = 2.5e-3;
/// What is given away of the squared acceleration, so that neither rounding nor a kink of
/// the curve between two looks exceeds the torque (chosen).
const RESERVE: f64 = 2e-4;

/// The corners, by rising speed up to `top` (microsteps/s), of lines that lie below the
/// square of the acceleration `curve`.
pub(super) fn fitted(curve: &dyn Fn(f64) -> f64, top: f64) -> Vec<(f64, f64)> {
    let squared = |speed: f64| {
        let acceleration = curve(speed).max(0.0);
        acceleration * acceleration * (1.0 - RESERVE)
    };
    let mut points = vec![(0.0, squared(0.0))];
    for cell in 1..=CELLS {
        // Finer towards rest: there the pull-out curve has its narrowest bends.
        let share = cell as f64 / CELLS as f64;
        let to = top * share * share;
        divide(&squared, (to, squared(to)), HALVINGS, &mut points);
    }
    lower(&squared, &mut points);
    points
}

/// Speeds inside a cell at which the curve is looked at.
fn looks(from: f64, to: f64) -> impl Iterator<Item = f64> {
    (1..LOOKS).map(move |look| from + (to - from) * look as f64 / LOOKS as f64)
}

/// Adds points from the last one to `to`, as many as keep the lines close to the curve.
fn divide(curve: &dyn Fn(f64) -> f64, to: (f64, f64), halvings: u32, points: &mut Vec<(f64, f64)>) {
    let from = points[points.len() - 1];
    let far = looks(from.0, to.0).any(|speed| {
        let value = curve(speed);
        (along(from, to, speed) - value).abs() > CLOSE * value
    });
    if far && halvings > 0 {
        let middle = from.0 / 2.0 + to.0 / 2.0;
        divide(curve, (middle, curve(middle)), halvings - 1, points);
        divide(curve, to, halvings - 1, points);
    } else {
        points.push(to);
    }
}

/// Lowers the points until no line lies above the curve.
fn lower(curve: &dyn Fn(f64) -> f64, points: &mut [(f64, f64)]) {
    let excess: Vec<f64> = points
        .windows(2)
        .map(|pair| excess(curve, pair[0], pair[1]))
        .collect();
    for (at, point) in points.iter_mut().enumerate() {
        let before = at.checked_sub(1).map_or(0.0, |before| excess[before]);
        let after = excess.get(at).copied().unwrap_or(0.0);
        point.1 -= before.max(after);
    }
}

/// How far the line between two points rises above the curve at most: around the look at which it
/// comes closest or rises most, ever closer, since a bend of the curve may lie beside a look.
fn excess(curve: &dyn Fn(f64) -> f64, from: (f64, f64), to: (f64, f64)) -> f64 {
    let above = |speed: f64| along(from, to, speed) - curve(speed);
    let worse = |a: (f64, f64), b: (f64, f64)| if b.1 > a.1 { b } else { a };
    let mut worst = looks(from.0, to.0)
        .map(|speed| (speed, above(speed)))
        .fold((from.0, f64::NEG_INFINITY), worse);
    let mut spacing = (to.0 - from.0) / LOOKS as f64;
    for _ in 0..3 {
        spacing /= 4.0;
        worst = [-3.0, -2.0, -1.0, 1.0, 2.0, 3.0]
            .into_iter()
            .map(|away| (worst.0 + away * spacing).clamp(from.0, to.0))
            .map(|speed| (speed, above(speed)))
            .fold(worst, worse);
    }
    worst.1.max(0.0)
}

/// Lowers the points until no line is steeper than `slope`.
pub(super) fn limit_slope(points: &mut [(f64, f64)], slope: f64) {
    if slope.is_infinite() {
        return;
    }
    for at in 1..points.len() {
        let reach = points[at - 1].1 + slope * (points[at].0 - points[at - 1].0);
        points[at].1 = points[at].1.min(reach);
    }
    for at in (1..points.len()).rev() {
        let reach = points[at].1 + slope * (points[at].0 - points[at - 1].0);
        points[at - 1].1 = points[at - 1].1.min(reach);
    }
}
