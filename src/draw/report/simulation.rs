//! What the motor model makes of the ticks: lag and current over time, the stops from close by,
//! steps lost.
//!
//! The simulated clock is as fast as the timer's tolerance allows; its times are told on the
//! nominal clock here, so that all plots share one.

use std::collections::HashSet;
use std::f64::consts::TAU;
use std::ops::ControlFlow;

use super::closeup::{CloseUp, StopSample};
use super::page::{Live, PagePlot};
use crate::draw::chart::{Belt, Chart, LineStyle, Series, decimate};
use crate::physics::Machine;
use crate::plan::Item;
use crate::rig::{Axis, Rig, TravelUnit};
use crate::simulate::{self, MOST_WORK, MoveOutcome, Options, TraceSample};

/// Columns of all axes together in which the least and the greatest value are kept, of what
/// the plots show at first and as many of what comes behind that.
const COLUMNS: usize = 1000;
/// Columns of an axis at least.
const FEWEST_COLUMNS: usize = 150;
/// Samples taken of what the plots show at first.
const SAMPLES: f64 = 6000.0;
/// Samples of a period of a rotor's natural frequency.
const PER_PERIOD: f64 = 40.0;
/// Samples of all axes together at most.
const MOST_SAMPLES: f64 = 150_000.0;
/// Seconds simulated at most; a page that is rewritten often must be
/// there at once.
pub(super) const LONGEST: f64 = 30.0;

/// Lag at which the torque of a rotor at rest changes its sign (electrical degrees).
const TURNS_OVER: f64 = 180.0;

/// Lag beyond which a rotor has lost steps, and no band of ±180° says anything any more.
const LOST_LAG: f64 = 360.0;

/// Samples that may be missing; where more are, nothing is drawn.
const GAP: f64 = 20.0;

/// A trace over time: seconds and value.
type Trace = Vec<(f64, f64)>;

/// A move on an axis: its number, its part, the axis.
pub(super) type MoveKey = (u64, &'static str, String);

/// The key of what became of a move.
pub(super) fn key(outcome: &MoveOutcome) -> MoveKey {
    (outcome.index, outcome.part, outcome.axis.clone())
}

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
    /// Until when the plots show it at first (s).
    first: f64,
    /// Between two samples (s).
    interval: f64,
    /// Full steps lost or gained.
    pub lost_steps: u64,
    traces: Vec<AxisTraces>,
    /// Moves whose stops are wanted from close by.
    wanted: HashSet<MoveKey>,
    pub close_ups: Vec<CloseUp>,
}

/// The traces of one axis.
#[derive(Debug, Default)]
struct AxisTraces {
    lag: Trace,
    /// Of both phases together.
    current: Trace,
    /// The greatest lag of a move (electrical degrees).
    peak_lag: f64,
    /// Of the move that goes on.
    moving: Vec<StopSample>,
    /// From degrees of the load's shaft to the unit of its travel.
    to_travel: f64,
}

impl AxisTraces {
    fn of(axis: &Axis) -> Self {
        let motor = 1f64.to_radians() * Machine::of(axis).gearing;
        Self {
            to_travel: axis.travel_speed(motor) * TravelUnit::of(axis).per_si,
            ..Self::default()
        }
    }

    /// Takes in a sample at `time`; the plots over time end at `until`.
    fn take_in(&mut self, sample: &TraceSample<'_>, time: f64, until: f64, gap: f64) {
        let phases = [sample.phase_a_a, sample.phase_b_a];
        if time <= until {
            append(&mut self.lag, time, sample.lag_electrical_deg, gap);
            append(&mut self.current, time, phases[0].hypot(phases[1]), gap);
        }
        self.moving.push(StopSample {
            time,
            commanded: sample.commanded_deg * self.to_travel,
            simulated: sample.angle_deg * self.to_travel,
            phases,
        });
    }
}

impl Simulation {
    /// Plays `items`, which last `duration` seconds and are shown for the `first` of these, for
    /// as long as a page can wait.
    pub(super) fn of(
        rig: &Rig,
        items: &[Item],
        (first, duration): (f64, f64),
        wanted: HashSet<MoveKey>,
    ) -> Self {
        let until = duration.min(LONGEST);
        let first = first.min(until);
        let periods = rig
            .axes
            .iter()
            .map(|axis| TAU / Machine::of(axis).natural_frequency());
        let fine = periods.fold(first / SAMPLES, |fine, period| {
            fine.min(period / PER_PERIOD)
        });
        let interval = fine.max(until * rig.axes.len() as f64 / MOST_SAMPLES);
        let mut simulation = Self {
            until,
            first,
            interval,
            traces: rig.axes.iter().map(AxisTraces::of).collect(),
            wanted,
            ..Self::default()
        };
        if interval <= 0.0 {
            return simulation;
        }
        let options = Options {
            trace_interval: Some(interval),
            most_work: Some(MOST_WORK),
            ..Options::default()
        };
        let mut take_in = |report: simulate::SimulationEvent<'_>| simulation.take_in(rig, &report);
        // Breaking off is how a long program ends here.
        let _ = simulate::simulate_with(rig, items.iter().cloned(), &options, &mut take_in);
        simulation.close_ups.sort_by_key(|one| one.outcome.index);
        simulation
    }

    fn take_in(&mut self, rig: &Rig, report: &simulate::SimulationEvent<'_>) -> ControlFlow<()> {
        let on_axis = |name: &str| rig.axes.iter().position(|axis| axis.name == name);
        match report {
            simulate::SimulationEvent::Progress(time) if *time > self.until => {
                return ControlFlow::Break(());
            }
            simulate::SimulationEvent::Progress(_)
            | simulate::SimulationEvent::LeftOut(_)
            | simulate::SimulationEvent::Sought(_)
            | simulate::SimulationEvent::Cut(_) => {}
            simulate::SimulationEvent::Move(outcome) => {
                self.lost_steps += outcome.lost_steps.unsigned_abs();
                if let Some(axis) = on_axis(&outcome.axis) {
                    let traces = &mut self.traces[axis];
                    traces.peak_lag = traces.peak_lag.max(outcome.peak_lag_electrical_deg);
                    let samples = std::mem::take(&mut traces.moving);
                    if self.wanted.contains(&key(outcome)) {
                        self.close_ups.extend(CloseUp::of(axis, outcome, &samples));
                    }
                }
            }
            simulate::SimulationEvent::Sample(sample) => {
                let time = sample.time_s * (1.0 + rig.timer.tolerance);
                if let Some(axis) = on_axis(sample.axis) {
                    self.traces[axis].take_in(sample, time, self.until, GAP * self.interval);
                }
            }
        }
        ControlFlow::Continue(())
    }

    /// Lag and current of each axis over time.
    pub(super) fn plots(&self, rig: &Rig) -> Vec<PagePlot> {
        let axes = rig.axes.iter().zip(&self.traces).enumerate();
        axes.flat_map(|(number, (axis, traces))| {
            let of = match rig.axes.len() {
                1 => String::new(),
                _ => format!(" of {}", axis.name),
            };
            [
                self.lag(&of, number, traces),
                self.current(&of, number, &traces.current),
            ]
        })
        .collect()
    }

    fn lag(&self, of: &str, colour: usize, traces: &AxisTraces) -> PagePlot {
        let sizes = traces.lag.iter().map(|(_, value)| value.abs());
        let sizes = sizes.filter(|size| size.is_finite());
        // A move that is under way at the end has not told its own.
        let peak = sizes.fold(traces.peak_lag, f64::max);
        let over = |from, to| Belt {
            label: "beyond ±180° a rotor at rest turns over".to_owned(),
            from,
            to,
            colour: 3,
        };
        // A rotor that has lost steps has turned over already.
        let belts = match peak < LOST_LAG {
            true => vec![
                over(TURNS_OVER, f64::INFINITY),
                over(f64::NEG_INFINITY, -TURNS_OVER),
            ],
            false => Vec::new(),
        };
        let (series, live) = self.curve(&format!("lag{of}"), "°", colour, &traces.lag);
        self.plot(
            format!("Lag of the rotor{of} over time"),
            "electrical degrees",
            vec![Series {
                label: format!("simulated, at most {peak:.0}°"),
                ..series
            }],
            vec![live],
            belts,
        )
    }

    fn current(&self, of: &str, colour: usize, trace: &Trace) -> PagePlot {
        let (series, live) = self.curve(&format!("current{of}"), "A", colour, trace);
        self.plot(
            format!("Current{of} over time"),
            "both phases together (A)",
            vec![Series {
                label: "simulated".to_owned(),
                ..series
            }],
            vec![live],
            Vec::new(),
        )
    }

    /// What is drawn of a trace: what the plots show at first, and with it what comes behind.
    fn thinned(&self, trace: &Trace) -> Trace {
        let columns = (COLUMNS / self.traces.len()).max(FEWEST_COLUMNS);
        let (first, behind) =
            trace.split_at(trace.partition_point(|(time, _)| *time <= self.first));
        let mut points = decimate(first, 0.0, self.first, columns);
        points.extend(decimate(behind, self.first, self.until, columns));
        points
    }

    fn curve(&self, name: &str, unit: &str, colour: usize, trace: &Trace) -> (Series, Live) {
        let points = self.thinned(trace);
        let samples = points.iter().map(|(time, value)| (*time, *time, *value));
        let live = Live {
            name: name.to_owned(),
            unit: unit.to_owned(),
            across: "s".to_owned(),
            colour,
            series: 0,
            samples: samples.collect(),
        };
        let series = Series {
            label: String::new(),
            points,
            colour,
            style: LineStyle::Solid,
        };
        (series, live)
    }

    fn plot(
        &self,
        title: String,
        y_label: &str,
        series: Vec<Series>,
        live: Vec<Live>,
        belts: Vec<Belt>,
    ) -> PagePlot {
        PagePlot {
            description: format!("{title}, as the motor model makes it of the ticks."),
            note: String::new(),
            chart: Chart {
                title,
                x_label: "time (s)".to_owned(),
                y_label: y_label.to_owned(),
                series,
                belts,
                across: Some((0.0, self.first)),
                ..Chart::default()
            },
            tall: false,
            live,
            over_time: true,
            rescales: false,
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
