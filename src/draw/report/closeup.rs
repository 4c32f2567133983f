//! A stop from close by: the commanded and the simulated place of the load beside its target,
//! how far it overshoots, when it is within `settle` for good, and the currents of both phases.

use std::f64::consts::TAU;

use super::page::PagePlot;
use crate::draw::chart::{Belt, Chart, LineStyle, Mark, Series, decimate};
use crate::physics::Machine;
use crate::rig::{Axis, Rig, TravelUnit};
use crate::simulate::MoveOutcome;
use crate::units::{Rounded, Time};

/// Periods of the natural frequency that are shown behind the last step at least, and over the
/// time until the load is settled.
const PERIODS: f64 = 6.0;
const BEHIND_SETTLED: f64 = 1.6;
/// How much is shown before the last step, over what is shown behind it.
const BEFORE: f64 = 0.4;
/// What is shown of the vertical axis either way: over the greatest swing behind the last step,
/// and in microsteps at least.
const OVER_SWING: f64 = 1.6;
const MICROSTEPS: f64 = 2.5;
/// A `settle` that is wider than this, over the swing shown, lies outside the plot.
const WIDE: f64 = 4.0;
/// Columns of the plot.
const COLUMNS: usize = 600;
/// Places nearer than this (in the unit of the axis) are one.
const SAME: f64 = 1e-9;

/// The load at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct StopSample {
    /// Since the program's start (s).
    pub time: f64,
    /// Where it is told to be (in the unit of the axis).
    pub commanded: f64,
    /// Where it is.
    pub simulated: f64,
    /// The currents of both phases (A).
    pub phases: [f64; 2],
}

/// The end of a move.
#[derive(Debug)]
pub(super) struct CloseUp {
    /// Which axis of the rig.
    axis: usize,
    /// What became of the move.
    pub outcome: MoveOutcome,
    /// Seconds from the last step, places beside the target.
    samples: Vec<StopSample>,
}

impl CloseUp {
    /// Of a move whose samples these are; none where there are none.
    pub(super) fn of(axis: usize, outcome: &MoveOutcome, samples: &[StopSample]) -> Option<Self> {
        let target = samples.last()?.commanded;
        let on_target = |sample: &StopSample| (sample.commanded - target).abs() < SAME;
        let first = samples.iter().rposition(|sample| !on_target(sample));
        let last_step = samples[first.map_or(0, |before| before + 1)].time;
        let samples = samples.iter().map(|sample| StopSample {
            time: sample.time - last_step,
            commanded: sample.commanded - target,
            simulated: sample.simulated - target,
            ..*sample
        });
        Some(Self {
            axis,
            outcome: outcome.clone(),
            samples: samples.collect(),
        })
    }

    /// The plots: of the place, and of the currents meanwhile.
    pub(super) fn plots(&self, rig: &Rig) -> [PagePlot; 2] {
        let of = match rig.axes.len() {
            1 => String::new(),
            _ => format!(", {}", self.outcome.axis),
        };
        let of = format!("line {}{of}: {}", self.outcome.line, travel(&self.outcome));
        let note = self.note();
        let still = |chart: Chart, says: &str, note: String| PagePlot {
            description: format!("{}. {says}", chart.title),
            note,
            chart,
            tall: false,
            live: Vec::new(),
            over_time: false,
            rescales: false,
            table: None,
        };
        let axis = &rig.axes[self.axis];
        let place = Chart {
            title: format!("Stop of {of}"),
            ..self.place(axis)
        };
        let currents = Chart {
            title: format!("Phase currents at the stop of {of}"),
            y_label: "current (A)".to_owned(),
            series: vec![
                self.curve(axis, "phase A", |one| one.phases[0], 0),
                self.curve(axis, "phase B", |one| one.phases[1], 1),
            ],
            ..self.chart(axis)
        };
        [
            still(place, &note, note.clone()),
            still(currents, "Over the same time.", String::new()),
        ]
    }

    /// A chart over the time that is shown.
    fn chart(&self, axis: &Axis) -> Chart {
        let (from, to) = self.shown(axis);
        Chart {
            x_label: "time after the last step (ms)".to_owned(),
            across: Some((from * 1e3, to * 1e3)),
            ..Chart::default()
        }
    }

    fn curve(
        &self,
        axis: &Axis,
        label: &str,
        value: fn(&StopSample) -> f64,
        colour: usize,
    ) -> Series {
        let (from, to) = self.shown(axis);
        let shown = self.samples.iter();
        let shown = shown.filter(|sample| from <= sample.time && sample.time <= to);
        let points: Vec<_> = shown
            .map(|sample| (sample.time * 1e3, value(sample)))
            .collect();
        Series {
            label: label.to_owned(),
            points: decimate(&points, from * 1e3, to * 1e3, COLUMNS),
            colour,
            style: LineStyle::Solid,
        }
    }

    fn place(&self, axis: &Axis) -> Chart {
        let unit = TravelUnit::of(axis);
        let settle = axis.settle() * unit.per_si;
        let simulated = self.curve(axis, "simulated", |one| one.simulated, 1);
        let behind = simulated.points.iter().filter(|(time, _)| *time >= 0.0);
        let least = MICROSTEPS * unit.per_si / axis.microsteps_per_travel();
        let swing = behind.map(|(_, place)| OVER_SWING * place.abs());
        let near = swing.fold(least, f64::max);
        let outside = settle > WIDE * near;
        let half = if outside {
            near
        } else {
            near.max(1.25 * settle)
        };
        let named = match axis.limits.settle {
            Some(_) => "`settle`",
            None => "half a full step, as the rig names no `settle`:",
        };
        let lost = self.outcome.lost_steps != 0;
        let settled = self.outcome.settle_s;
        let settled = settled.filter(|time| *time > 0.0 && !lost);
        let marks = settled.map(|time| Mark {
            label: format!("settled after {}", Time::new(time)),
            at: time * 1e3,
            colour: 2,
        });
        Chart {
            y_label: format!("beside the target ({})", unit.name),
            series: vec![
                self.curve(axis, "commanded", |one| one.commanded, 5),
                simulated,
            ],
            belts: vec![Belt {
                label: format!(
                    "{named} ±{} {}{}",
                    Rounded(settle),
                    unit.name,
                    if outside { ", all of the plot" } else { "" }
                ),
                from: -settle,
                to: settle,
                colour: 2,
            }],
            marks: marks.into_iter().collect(),
            // Where steps are lost, all of it is shown.
            upward: (!lost).then_some((-half, half)),
            ..self.chart(axis)
        }
    }

    /// The part of the move that is shown (s from the last step).
    fn shown(&self, axis: &Axis) -> (f64, f64) {
        let period = TAU / Machine::of(axis).natural_frequency();
        let settled = self.outcome.settle_s.unwrap_or(f64::INFINITY);
        let last = self.samples.last().map_or(0.0, |sample| sample.time);
        let first = self.samples.first().map_or(0.0, |sample| sample.time);
        let behind = (BEHIND_SETTLED * settled).max(PERIODS * period);
        let to = behind.min(last).max(period);
        ((-BEFORE * to).max(first), to)
    }

    /// What is to be read off it.
    fn note(&self) -> String {
        let outcome = &self.outcome;
        if outcome.lost_steps != 0 {
            return format!("{} full steps lost.", outcome.lost_steps.abs());
        }
        let settled = match outcome.settle_s {
            Some(0.0) => "within `settle` from the last step on".to_owned(),
            Some(time) => format!("within `settle` {} after the last step", Time::new(time)),
            None => "not within `settle` before the next move".to_owned(),
        };
        format!(
            "Overshoot {} {unit}, {settled}; at the end {} {unit} beside its step.",
            Rounded(outcome.overshoot),
            Rounded(outcome.final_error),
            unit = outcome.unit.name
        )
    }
}

fn travel(outcome: &MoveOutcome) -> String {
    let sign = if outcome.travel > 0.0 { "+" } else { "−" };
    format!(
        "{sign}{} {}",
        Rounded(outcome.travel.abs()),
        outcome.unit.name
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_counts_from_the_last_step_and_places_from_the_target() {
        let rows = [
            (0.0, 0.0, 0.0),
            (0.1, 1.0, 0.4),
            (0.2, 2.0, 1.1),
            (0.3, 2.0, 2.2),
        ];
        let samples = rows.map(|(time, commanded, simulated)| StopSample {
            time,
            commanded,
            simulated,
            phases: [0.0; 2],
        });
        let outcome = MoveOutcome::without_loss();
        let close_up = CloseUp::of(0, &outcome, &samples).unwrap();
        let last = close_up.samples.last().unwrap();
        approx::assert_relative_eq!(last.time, 0.1, max_relative = 1e-12);
        approx::assert_relative_eq!(last.simulated, 0.2, max_relative = 1e-12);
        assert!(CloseUp::of(0, &outcome, &[]).is_none());
    }
}
