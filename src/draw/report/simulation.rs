//! What the motor model makes of the ticks: lag and current over time, steps lost.

use std::collections::HashMap;
use std::ops::ControlFlow;

use super::page::{Live, PagePlot};
use crate::draw::chart::{Chart, LineStyle, Series, decimate};
use crate::plan::Item;
use crate::rig::Rig;
use crate::simulate::{self, MOST_WORK, MoveOutcome, Options};

/// Columns of a plot in which the least and the greatest value are kept.
const COLUMNS: usize = 700;
/// Samples taken in a column.
const PER_COLUMN: usize = 24;
/// Seconds simulated at most; a page that is rewritten often must be
/// there at once.
const LONGEST: f64 = 30.0;
/// How long a rotor is followed after a move.
const REST: f64 = 0.5;

/// Lag at which the torque of a rotor at rest changes its sign (electrical degrees).
const TURNS_OVER: f64 = 180.0;

/// Where nothing was sampled for longer than this part of the whole, nothing is drawn.
const GAPS: f64 = 200.0;

/// A trace over time: seconds and value.
type Trace = Vec<(f64, f64)>;

/// Appends a sample. A rotor that rests is not followed; its line is broken in the
/// middle of such a gap, so that no slope is drawn that was not computed.
fn append(trace: &mut Trace, time: f64, value: f64, gap: f64) {
    if let Some((last, _)) = trace.last().copied()
        && time - last > gap
    {
        trace.push((0.5 * (last + time), f64::NAN));
    }
    trace.push((time, value));
}

/// What became of the first moves of a program.
#[derive(Debug, Default)]
pub(super) struct Simulation {
    /// Until when the program was followed (s).
    pub until: f64,
    /// Full steps lost or gained.
    pub lost_steps: u64,
    moves: HashMap<(u64, String), MoveOutcome>,
    lag: Vec<Trace>,
    current: Vec<Trace>,
}

impl Simulation {
    /// Plays `items`, which last `duration` seconds, for as long as a page can wait.
    pub fn of(rig: &Rig, items: &[Item], duration: f64) -> Self {
        let until = duration.min(LONGEST);
        let interval = until / (COLUMNS * PER_COLUMN) as f64;
        let mut simulation = Self {
            until,
            lag: vec![Trace::new(); rig.axes.len()],
            current: vec![Trace::new(); rig.axes.len()],
            ..Self::default()
        };
        if interval <= 0.0 {
            return simulation;
        }
        let options = Options {
            trace_interval: Some(interval),
            longest_rest: REST,
            most_work: Some(MOST_WORK),
            ..Options::default()
        };
        let mut take_in =
            |report: simulate::SimulationEvent<'_>| simulation.take_in(rig, &report, until);
        // Breaking off is how a long program ends here.
        let _ = simulate::simulate_with(rig, items.iter().cloned(), &options, &mut take_in);
        simulation
    }

    fn take_in(
        &mut self,
        rig: &Rig,
        report: &simulate::SimulationEvent<'_>,
        until: f64,
    ) -> ControlFlow<()> {
        match report {
            simulate::SimulationEvent::Progress(time) if *time > until => {
                return ControlFlow::Break(());
            }
            simulate::SimulationEvent::Progress(_)
            | simulate::SimulationEvent::LeftOut(_)
            | simulate::SimulationEvent::Sought(_)
            | simulate::SimulationEvent::Cut(_) => {}
            simulate::SimulationEvent::Move(outcome) => {
                self.lost_steps += outcome.lost_steps.unsigned_abs();
                self.moves
                    .insert((outcome.index, outcome.axis.clone()), (*outcome).clone());
            }
            simulate::SimulationEvent::Sample(sample) => {
                let Some(axis) = rig.axes.iter().position(|axis| axis.name == sample.axis) else {
                    return ControlFlow::Continue(());
                };
                if sample.time_s <= until {
                    let (time, gap) = (sample.time_s, until / GAPS);
                    append(&mut self.lag[axis], time, sample.lag_electrical_deg, gap);
                    let current = sample.phase_a_a.hypot(sample.phase_b_a);
                    append(&mut self.current[axis], time, current, gap);
                }
            }
        }
        ControlFlow::Continue(())
    }

    /// What became of a move on an axis, where it was played.
    pub fn outcome(&self, index: u64, axis: &str) -> Option<&MoveOutcome> {
        self.moves.get(&(index, axis.to_owned()))
    }

    /// Lag and current of each axis over time.
    pub fn plots(&self, rig: &Rig) -> Vec<PagePlot> {
        let several = rig.axes.len() > 1;
        let axes = rig.axes.iter().enumerate();
        axes.flat_map(|(number, axis)| {
            let of = |what: &str| {
                if several {
                    format!("{what} of {}", axis.name)
                } else {
                    what.to_owned()
                }
            };
            [
                self.plot(
                    &of("Lag of the rotor"),
                    "electrical degrees",
                    "°",
                    number,
                    &self.lag[number],
                ),
                self.plot(
                    &of("Current"),
                    "both phases together (A)",
                    "A",
                    number,
                    &self.current[number],
                ),
            ]
        })
        .collect()
    }

    fn plot(
        &self,
        title: &str,
        y_label: &str,
        unit: &str,
        colour: usize,
        trace: &[(f64, f64)],
    ) -> PagePlot {
        let points = decimate(trace, 0.0, self.until, COLUMNS);
        let lag = unit == "°";
        let sizes = trace.iter().map(|(_, value)| value.abs());
        let peak = sizes.filter(|size| size.is_finite()).fold(0.0, f64::max);
        let mut series = vec![Series {
            label: format!(
                "simulated, at most {peak:.*} {unit}",
                if lag { 0 } else { 2 }
            ),
            points: points.clone(),
            colour,
            style: LineStyle::Solid,
        }];
        if lag {
            series.extend([TURNS_OVER, -TURNS_OVER].map(|degrees| Series {
                label: match degrees > 0.0 {
                    true => "±180°: a rotor at rest turns over".to_owned(),
                    false => String::new(),
                },
                points: vec![(0.0, degrees), (self.until, degrees)],
                colour,
                style: LineStyle::Edge,
            }));
        }
        let title = format!("{title} over time");
        PagePlot {
            description: format!("{title}, as the motor model makes it of the ticks."),
            chart: Chart {
                title,
                x_label: "time (s)".to_owned(),
                y_label: y_label.to_owned(),
                series,
                ..Chart::default()
            },
            tall: false,
            live: vec![Live {
                name: if lag { "lag" } else { "current" }.to_owned(),
                unit: unit.to_owned(),
                across: "s".to_owned(),
                colour,
                series: 0,
                samples: points
                    .into_iter()
                    .map(|(time, value)| (time, time, value))
                    .collect(),
            }],
            over_time: true,
            table: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_drawn_over_a_rest_that_was_not_followed() {
        let mut trace = Trace::new();
        for time in [0.0, 0.01, 0.02, 1.0, 1.01] {
            append(&mut trace, time, 5.0, 0.1);
        }
        assert_eq!(trace.len(), 6);
        assert!(trace[3].0 == 0.51 && trace[3].1.is_nan());
        let drawn = decimate(&trace, 0.0, 2.0, 2);
        assert!(
            drawn
                .iter()
                .filter(|(_, value)| value.is_finite())
                .all(|(_, value)| *value == 5.0)
        );
    }
}
