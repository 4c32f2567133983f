//! What a plot shows, without how it is drawn: series, shaded bands, marked places.

/// Colours that stay apart for colour-blind readers: the set of Okabe and Ito (from
/// memory), darkest first; the line style differs as well.
pub(crate) const COLOURS: [(u8, u8, u8); 6] = [
    (0, 114, 178),
    (213, 94, 0),
    (0, 158, 115),
    (204, 121, 167),
    (230, 159, 0),
    (86, 180, 233),
];

/// Several charts, one above the other, on one sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// What the figure shows.
    pub(crate) title: String,
    /// The charts from top to bottom.
    pub(crate) charts: Vec<Chart>,
}

/// One pair of axes with what is drawn in it.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Chart {
    /// What the chart shows.
    pub title: String,
    /// What runs to the right, with its unit.
    pub x_label: String,
    /// What runs upwards, with its unit.
    pub y_label: String,
    /// Curves, the first one drawn first.
    pub series: Vec<Series>,
    /// Shaded stretches of the horizontal axis.
    pub bands: Vec<Shade>,
    /// Marked places on the horizontal axis.
    pub marks: Vec<Mark>,
    /// Shaded stretches of the vertical axis.
    pub belts: Vec<Belt>,
    /// What is shown of the horizontal axis; none: all that is drawn.
    pub across: Option<(f64, f64)>,
    /// What is shown of the vertical axis; none: all that is drawn, and zero.
    pub upward: Option<(f64, f64)>,
}

/// A curve.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Series {
    /// Its name in the legend; empty: not in the legend.
    pub label: String,
    /// Its points. A point that is not finite breaks the line.
    pub points: Vec<(f64, f64)>,
    /// Which of [`COLOURS`].
    pub colour: usize,
    /// How it is drawn.
    pub style: LineStyle,
}

/// How a curve is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum LineStyle {
    /// A full line.
    Solid,
    /// A dashed line.
    Dashed,
    /// A full line with the area below it tinted.
    Filled,
    /// Dots alone.
    Dots,
    /// A thin, pale line: the edge of a range.
    Edge,
}

/// A shaded stretch of the horizontal axis.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Shade {
    /// Its name in the legend; stretches of one name share an entry.
    pub label: String,
    /// Where it begins.
    pub from: f64,
    /// Where it ends.
    pub to: f64,
    /// Which of [`COLOURS`].
    pub colour: usize,
}

/// A shaded stretch of the vertical axis.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Belt {
    /// Its name in the legend; stretches of one name share an entry.
    pub label: String,
    /// Where it begins; minus infinity: at the lower end of the chart.
    pub from: f64,
    /// Where it ends; infinity: at the upper end.
    pub to: f64,
    /// Which of [`COLOURS`].
    pub colour: usize,
}

impl Belt {
    /// What of it lies between `low` and `high`; none where that is nothing.
    pub(crate) fn within(&self, low: f64, high: f64) -> Option<(f64, f64)> {
        let (from, to) = (self.from.max(low), self.to.min(high));
        (from < to).then_some((from, to))
    }
}

/// A marked place on the horizontal axis.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Mark {
    /// Its name in the legend.
    pub label: String,
    /// Where it is.
    pub at: f64,
    /// Which of [`COLOURS`].
    pub colour: usize,
}

impl Chart {
    /// The ranges that are shown: of all that is drawn, zero included upwards, with a little
    /// room above, unless the chart names others.
    pub(crate) fn ranges(&self) -> ((f64, f64), (f64, f64)) {
        self.ranges_with_room(0)
    }

    /// The same with room above for the legend.
    pub(crate) fn ranges_with_legend(&self) -> ((f64, f64), (f64, f64)) {
        self.ranges_with_room(self.legend_entries())
    }

    fn ranges_with_room(&self, entries: usize) -> ((f64, f64), (f64, f64)) {
        let finite = || {
            self.series
                .iter()
                .flat_map(|series| &series.points)
                .filter(|(x, y)| x.is_finite() && y.is_finite())
        };
        let (mut left, mut right) = bounds(finite().map(|(x, _)| *x));
        for mark in &self.marks {
            (left, right) = (left.min(mark.at), right.max(mark.at));
        }
        let edges = self.belts.iter().flat_map(|belt| [belt.from, belt.to]);
        let edges = edges.filter(|edge| edge.is_finite());
        let (low, high) = bounds(finite().map(|(_, y)| *y).chain(edges));
        let (low, high) = (low.min(0.0), high.max(0.0));
        let room = 0.06 * (high - low);
        let below = if low < 0.0 { room } else { 0.0 };
        let above = room + 0.075 * entries as f64 * (high - low);
        (
            self.across.unwrap_or_else(|| widened(left, right)),
            self.upward
                .unwrap_or_else(|| widened(low - below, high + above)),
        )
    }

    /// How many entries the legend has.
    pub(crate) fn legend_entries(&self) -> usize {
        let mut names: Vec<&str> = self.bands.iter().map(|band| band.label.as_str()).collect();
        names.extend(self.belts.iter().map(|belt| belt.label.as_str()));
        names.extend(self.marks.iter().map(|mark| mark.label.as_str()));
        names.extend(self.series.iter().map(|series| series.label.as_str()));
        names.retain(|name| !name.is_empty());
        names.sort_unstable();
        names.dedup();
        names.len()
    }
}

/// The least and greatest of some numbers; 0 and 1 where there are none.
fn bounds(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let found = values.fold(None, |range: Option<(f64, f64)>, value| {
        let (low, high) = range.unwrap_or((value, value));
        Some((low.min(value), high.max(value)))
    });
    found.unwrap_or((0.0, 1.0))
}

/// The range, made wider where it has no width.
fn widened(low: f64, high: f64) -> (f64, f64) {
    if high > low {
        (low, high)
    } else {
        (low, low + low.abs().max(1.0))
    }
}

/// At most about two points for each of `columns` columns between `from` and `to`,
/// the least and the greatest of each in their order, so that a long trace keeps its
/// peaks. Points that are not finite are kept as breaks.
pub(crate) fn decimate(
    points: &[(f64, f64)],
    from: f64,
    to: f64,
    columns: usize,
) -> Vec<(f64, f64)> {
    if points.len() <= 2 * columns {
        return points.to_vec();
    }
    let width = (to - from) / columns as f64;
    let column_of = |x: f64| ((x - from) / width).floor();
    let mut kept = Vec::with_capacity(2 * columns + 2);
    for run in points.chunk_by(|a, b| column_of(a.0) == column_of(b.0)) {
        let finite = || {
            run.iter()
                .enumerate()
                .filter(|(_, (x, y))| x.is_finite() && y.is_finite())
        };
        let least = finite().min_by(|a, b| a.1.1.total_cmp(&b.1.1));
        let greatest = finite().max_by(|a, b| a.1.1.total_cmp(&b.1.1));
        let (Some(least), Some(greatest)) = (least, greatest) else {
            kept.push((run[0].0, f64::NAN));
            continue;
        };
        let (first, second) = if least.0 <= greatest.0 {
            (least, greatest)
        } else {
            (greatest, least)
        };
        kept.push(*first.1);
        if second.0 != first.0 {
            kept.push(*second.1);
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimation_keeps_the_peaks() {
        let mut points: Vec<(f64, f64)> = (0..100_000)
            .map(|i| (f64::from(i), f64::from(i % 7)))
            .collect();
        points[54_321].1 = 500.0;
        points[54_322].1 = -500.0;
        let kept = decimate(&points, 0.0, 1e5, 800);
        assert!(kept.len() <= 1602, "{}", kept.len());
        assert!(kept.iter().any(|(_, y)| *y == 500.0));
        assert!(kept.iter().any(|(_, y)| *y == -500.0));
        assert!(kept.is_sorted_by(|a, b| a.0 <= b.0));
    }

    #[test]
    fn ranges_leave_room_and_never_collapse() {
        let flat = Chart {
            series: vec![Series {
                label: String::new(),
                points: vec![(2.0, 0.0), (f64::NAN, 9.0)],
                colour: 0,
                style: LineStyle::Solid,
            }],
            ..Chart::default()
        };
        assert_eq!(flat.ranges(), ((2.0, 4.0), (0.0, 1.0)));
    }
}
