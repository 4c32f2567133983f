//! The torque plane of each axis: what the motor can give, and what the moves ask for.

use super::page::{Cell, Column, Live, PageBlock, PagePlot, PageTable};
use super::timeline::FAR_BELOW;
use crate::check::AxisAbility;
use crate::draw::chart::{Chart, LineStyle, Series};
use crate::draw::plots::{ASKED, TorquePlane};
use crate::units::Rounded;

/// Rows of the table beside a torque plane.
const CURVE_ROWS: usize = 12;

pub(super) fn blocks(planes: Vec<PagePlot>) -> Vec<PageBlock> {
    let mut blocks = vec![PageBlock::Text(
        "The pull-out torque is the most the motor gives at its shaft, turning steadily. The curve is typical; the check uses its low edge. \
         In an unstable band the oscillation grows until the rotor loses synchronism; in a forced band the steps excite it near its natural frequency."
            .into(),
    )];
    blocks.extend(
        planes
            .into_iter()
            .map(|plane| PageBlock::Plot(Box::new(plane))),
    );
    blocks
}

/// The plane; and once more what the moves ask for, where that lies far below the rest.
pub(super) fn plots(plane: &TorquePlane<'_>, ability: &AxisAbility, path: &Live) -> Vec<PagePlot> {
    let plot = plot(plane, ability, path.clone());
    let enlarged = enlarged(&plot, path.clone());
    [plot].into_iter().chain(enlarged).collect()
}

/// What the moves ask for alone, over the same speeds; none where it is legible as it is.
fn enlarged(plot: &PagePlot, path: Live) -> Option<PagePlot> {
    let chart = &plot.chart;
    let asked = chart.series.iter().filter(|series| series.colour == ASKED);
    let mut asked: Vec<Series> = asked.cloned().collect();
    let torques = asked.iter().flat_map(|series| &series.points);
    let most = torques.map(|(_, torque)| torque.abs()).fold(0.0, f64::max);
    let (across, (_, high)) = chart.ranges();
    if asked.is_empty() || most >= FAR_BELOW * high {
        return None;
    }
    for series in &mut asked {
        series.style = LineStyle::Solid;
    }
    Some(PagePlot {
        description: format!("{}, enlarged: the paths of the moves alone.", chart.title),
        note: String::new(),
        chart: Chart {
            title: format!("{}, enlarged", chart.title),
            y_label: "asked for, at the motor (mN·m)".to_owned(),
            series: asked,
            across: Some(across),
            ..chart.clone()
        },
        tall: false,
        live: vec![Live { series: 0, ..path }],
        over_time: false,
        rescales: false,
        table: None,
    })
}

fn plot(plane: &TorquePlane<'_>, ability: &AxisAbility, path: Live) -> PagePlot {
    let chart = plane.chart();
    let asked = chart
        .series
        .iter()
        .position(|series| series.label.starts_with("asked"))
        .unwrap_or(0);
    let table = plane_table(&chart, ability);
    PagePlot {
        description: format!(
            "{}: pull-out torque less the reserve, critical speeds, and the paths of the moves.",
            chart.title
        ),
        chart,
        note: String::new(),
        tall: true,
        live: vec![Live {
            series: asked,
            ..path
        }],
        over_time: false,
        rescales: false,
        table: Some(table),
    }
}

/// Places of a curve that stand in its table, the closer together the slower.
fn finer_when_slow(points: usize) -> impl Iterator<Item = usize> {
    let last = points.saturating_sub(1) as f64;
    (0..CURVE_ROWS).map(move |row| {
        let share = row as f64 / (CURVE_ROWS - 1) as f64;
        (last * share * share).round() as usize
    })
}

/// The pull-out curve and the bands in numbers.
fn plane_table(chart: &Chart, ability: &AxisAbility) -> PageTable {
    let curve = chart
        .series
        .first()
        .map(|series| series.points.as_slice())
        .unwrap_or_default();
    let usable = chart
        .series
        .get(1)
        .map(|series| series.points.as_slice())
        .unwrap_or_default();
    let band_at = |x: f64| {
        let inside = chart
            .bands
            .iter()
            .filter(|band| band.from <= x && x <= band.to);
        let names: Vec<&str> = inside.map(|band| band.label.as_str()).collect();
        if names.is_empty() {
            "–".to_owned()
        } else {
            names.join(", ")
        }
    };
    let source = if ability.pull_out.measured() {
        "measured"
    } else {
        "computed"
    };
    PageTable {
        caption: format!("{}; pull-out torque {source}", chart.title),
        columns: vec![
            Column::numbers(chart.x_label.clone()),
            Column::numbers("pull-out torque (mN·m)"),
            Column::numbers("low edge less reserve (mN·m)"),
            Column::words("band"),
        ],
        rows: finer_when_slow(curve.len())
            .filter_map(|place| curve.get(place).zip(usable.get(place)))
            .map(|(full, less)| {
                let cells: [Cell; 4] = [
                    Rounded(full.0).to_string().into(),
                    Rounded(full.1).to_string().into(),
                    Rounded(less.1).to_string().into(),
                    band_at(full.0).into(),
                ];
                cells.into()
            })
            .collect(),
        follows: Vec::new(),
    }
}
