//! Logs of a bench with the curves that were fitted to them.

use super::chart::{Chart, Figure, LineStyle, Series};
use crate::identify::fits::Fit;

/// Colours: of the log and of the curve.
const LOG: usize = 5;
const CURVE: usize = 1;

impl Figure {
    /// Each log with its curve.
    pub fn fits(title: String, fits: &[Fit]) -> Self {
        let charts = fits.iter().map(chart).collect();
        Self { title, charts }
    }
}

fn chart(fit: &Fit) -> Chart {
    let series = |label: &str, points: &[(f64, f64)], colour, style| Series {
        label: label.to_owned(),
        points: points.to_vec(),
        colour,
        style,
    };
    Chart {
        title: format!("{}: {}", fit.title, fit.result),
        x_label: "time (s)".to_owned(),
        y_label: fit.label.to_owned(),
        series: vec![
            series("log", &fit.points, LOG, LineStyle::Dots),
            series("fitted", &fit.curve, CURVE, LineStyle::Solid),
        ],
        ..Chart::default()
    }
}
