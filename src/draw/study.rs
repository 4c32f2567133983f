//! The draws of a study: how margins and lags are distributed, and the value that decides.

use super::chart::{Chart, Figure, LineStyle, Mark, Series};
use crate::study::{DrawOutcome, StudyResult, VariedValue};

/// Colours: of draws that pass, of those that fail, and of limits.
const PASSES: usize = 0;
const FAILS: usize = 1;
const LIMIT: usize = 3;
/// Lag (electrical degrees) beyond which a rotor falls into the next equilibrium.
const LOST: f64 = 180.0;
/// Margins below this are drawn as this (%), so that what passes can be seen.
const LEAST: f64 = -100.0;
/// Lags above this are drawn as this (electrical degrees): a turn of the current.
const MOST: f64 = 360.0;

impl Figure {
    /// The draws of a study.
    pub fn study(title: String, result: &StudyResult, outcomes: &[DrawOutcome]) -> Self {
        let margin = |one: &DrawOutcome| Some((100.0 * one.torque_margin?).max(LEAST));
        let lag = |one: &DrawOutcome| Some(one.peak_lag_electrical_deg?.min(MOST));
        let limit = |label: &str, at| Mark {
            label: label.to_owned(),
            at,
            colour: LIMIT,
        };
        let across = [
            (
                "torque margin (%)",
                values(outcomes, margin),
                limit("nothing left", 0.0),
            ),
            (
                "peak lag (electrical degrees)",
                values(outcomes, lag),
                limit("a step lost", LOST),
            ),
        ];
        let mut charts: Vec<Chart> = across
            .into_iter()
            .filter(|(_, values, _)| !values.is_empty())
            .map(|(what, values, mark)| distribution(what, values, mark))
            .collect();
        let deciding = [
            (
                "torque margin (%)",
                result.decide_margin(),
                margin as fn(&_) -> _,
            ),
            (
                "peak lag (electrical degrees)",
                result.decide_lag(),
                lag as fn(&_) -> _,
            ),
        ];
        charts.extend(deciding.into_iter().filter_map(|(what, deciding, of)| {
            let (value, _) = deciding.first()?;
            let place = result.study.varied.iter().position(|one| one == *value)?;
            Some(scatter(what, value, place, outcomes, of))
        }));
        Self { title, charts }
    }
}

fn values(outcomes: &[DrawOutcome], of: impl Fn(&DrawOutcome) -> Option<f64>) -> Vec<f64> {
    let mut values: Vec<f64> = outcomes.iter().filter_map(of).collect();
    values.sort_by(f64::total_cmp);
    values
}

/// Which share of the draws lies below a value.
fn distribution(what: &str, sorted: Vec<f64>, limit: Mark) -> Chart {
    let count = sorted.len() as f64;
    let steps = sorted.iter().enumerate().flat_map(|(place, value)| {
        let share = |below: usize| 100.0 * below as f64 / count;
        [(*value, share(place)), (*value, share(place + 1))]
    });
    Chart {
        title: format!(
            "Draws with less {}",
            what.split(" (").next().unwrap_or(what)
        ),
        x_label: what.to_owned(),
        y_label: "share of the draws (%)".to_owned(),
        series: vec![Series {
            label: String::new(),
            points: steps.collect(),
            colour: PASSES,
            style: LineStyle::Solid,
        }],
        marks: vec![limit],
        upward: Some((0.0, 100.0)),
        ..Chart::default()
    }
}

/// Each draw by the value that decides.
fn scatter(
    what: &str,
    value: &VariedValue,
    place: usize,
    outcomes: &[DrawOutcome],
    of: fn(&DrawOutcome) -> Option<f64>,
) -> Chart {
    let points = |ok: bool| {
        let those = outcomes.iter().filter(|one| one.ok == ok);
        those
            .filter_map(|one| Some((value.kind.shown(one.values[place]), of(one)?)))
            .collect()
    };
    let series = |label: &str, ok, colour| Series {
        label: label.to_owned(),
        points: points(ok),
        colour,
        style: LineStyle::Dots,
    };
    Chart {
        title: format!("What decides: {}", value.name(value.axis.is_some())),
        x_label: format!("{} ({})", value.kind.words(), value.kind.unit()),
        y_label: what.to_owned(),
        series: vec![
            series("passes", true, PASSES),
            series("fails", false, FAILS),
        ],
        ..Chart::default()
    }
}
