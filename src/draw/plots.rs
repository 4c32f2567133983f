//! The plots that slewsmith can make: values become charts here.

use std::collections::HashSet;
use std::sync::Arc;

use super::chart::{COLOURS, Chart, LineStyle, Mark, Series, Shade};
use super::sampling::{Sampling, Shows};
use crate::check::{AxisAbility, TorqueRule};
use crate::physics::band::BandKind;
use crate::physics::start_stop::QUOTED_SHARE;
use crate::physics::torque::PullOutSample;
use crate::plan::{AxisMotion, Item, Motion, Travel};
use crate::rig::{Axis, Rig, TravelUnit};

/// How speed over time is sampled.
const SAMPLING: Sampling = Sampling {
    shows: Shows::Speed,
    in_bend: 24,
    both_sides: true,
    many: usize::MAX,
};
/// Points of the pull-out curve.
const CURVE: usize = 400;
/// Room behind a mark, over its step rate.
const BEHIND_MARK: f64 = 1.1;
/// Colours: available torque, required torque, bands.
const AVAILABLE: usize = 0;
pub(super) const ASKED: usize = 1;
const FORCED: usize = 4;
const UNSTABLE: usize = 3;
const START_STOP: usize = 2;

/// Speed over time of each axis, gathered item by item, up to a number of moves.
#[derive(Debug)]
pub(crate) struct SpeedOverTime<'a> {
    rig: &'a Rig,
    most: u64,
    moves: u64,
    time: f64,
    points: Vec<Vec<(f64, f64)>>,
}

impl<'a> SpeedOverTime<'a> {
    /// For at most so many moves.
    pub(crate) fn new(rig: &'a Rig, most: u64) -> Self {
        Self {
            rig,
            most,
            moves: 0,
            time: 0.0,
            points: vec![vec![(0.0, 0.0)]; rig.axes.len()],
        }
    }

    /// Takes in the next item; false once there is no room for more.
    pub(crate) fn add(&mut self, item: &Item) -> bool {
        if let Item::Move(planned) = item {
            if self.moves == self.most {
                return false;
            }
            self.moves += 1;
            for (motion, travel) in planned.motion.axes.iter().zip(&planned.travel) {
                self.add_motion(motion, travel);
            }
        }
        self.time += item.duration();
        true
    }

    fn add_motion(&mut self, motion: &AxisMotion, travel: &Travel) {
        let points = &mut self.points[motion.axis];
        let start = self.time;
        points.push((start, 0.0));
        let samples = SAMPLING.of(&self.rig.axes[motion.axis], motion, travel);
        points.extend(samples.map(|sample| (start + sample.time, sample.speed)));
        points.push((start + motion.duration(), 0.0));
    }

    /// The charts, one an axis.
    pub(crate) fn charts(self) -> Vec<Chart> {
        let end = self.time;
        let several = self.rig.axes.len() > 1;
        let axes = self.rig.axes.iter().zip(self.points).enumerate();
        axes.map(|(number, (axis, mut points))| {
            points.push((end, 0.0));
            let unit = TravelUnit::of(axis).name;
            Chart {
                title: if several {
                    format!("Speed of {} over time", axis.name)
                } else {
                    "Speed over time".to_owned()
                },
                x_label: "time (s)".to_owned(),
                y_label: format!("speed ({unit}/s)"),
                series: vec![Series {
                    label: String::new(),
                    points,
                    colour: number,
                    style: LineStyle::Filled,
                }],
                ..Chart::default()
            }
        })
        .collect()
    }
}

/// The torque-speed plane of one axis: what the motor can give, what is kept in
/// reserve, the bands, and the paths of motions below it.
#[derive(Debug)]
pub(crate) struct TorquePlane<'a> {
    axis: &'a Axis,
    number: usize,
    ability: &'a AxisAbility,
    tolerance: f64,
    seen: HashSet<*const Motion>,
    kept: Vec<Arc<Motion>>,
}

/// Motions drawn in one plane at most.
const MOTIONS: usize = 64;

impl<'a> TorquePlane<'a> {
    /// For the axis `number` of `rig`.
    pub(crate) fn new(rig: &'a Rig, number: usize, ability: &'a AxisAbility) -> Self {
        Self {
            axis: &rig.axes[number],
            number,
            ability,
            tolerance: rig.timer.tolerance,
            seen: HashSet::new(),
            kept: Vec::new(),
        }
    }

    /// Takes in a move's motion; equal ones count once.
    pub(crate) fn add(&mut self, item: &Item) {
        let Item::Move(planned) = item else { return };
        let moves = planned
            .motion
            .axes
            .iter()
            .any(|motion| motion.axis == self.number);
        if moves && self.kept.len() < MOTIONS && self.seen.insert(Arc::as_ptr(&planned.motion)) {
            self.kept.push(Arc::clone(&planned.motion));
        }
    }

    /// The chart.
    pub(crate) fn chart(&self) -> Chart {
        self.chart_to(self.ability.useful_range(self.axis).to_step_rate_hz)
    }

    /// The chart up to `useful` full steps/s, or to where the moves ask for it.
    fn chart_to(&self, useful: f64) -> Chart {
        let unit = TravelUnit::of(self.axis);
        // From the motor's speed (rad/s) to the load's.
        let to_load = unit.per_si * self.axis.travel_speed(1.0);
        let per_step = to_load * self.axis.motor.full_step_angle();
        let paths = self.paths(to_load);
        let fastest = paths
            .iter()
            .flatten()
            .map(|(speed, _)| *speed)
            .fold(0.0, f64::max);
        let end_hz = if paths.is_empty() {
            useful
        } else {
            useful
                .min(2.5 * fastest / per_step)
                .max(1.1 * fastest / per_step)
        };
        let shown_hz = if paths.is_empty() {
            self.ability.end_of_curve(self.axis)
        } else {
            end_hz
        };
        let curve = self.ability.pull_out.curve(end_hz, CURVE);
        let share = 1.0 - self.axis.limits.torque_margin;
        let drawn = |curve: &[PullOutSample], torque: &dyn Fn(&PullOutSample) -> f64| {
            curve
                .iter()
                .map(|at| (at.step_rate_hz * per_step, torque(at) * 1e3))
                .collect()
        };
        let source = if self.ability.pull_out.measured() {
            "measured"
        } else {
            "computed"
        };
        let mut series = vec![
            Series {
                label: format!("pull-out torque ({source})"),
                points: drawn(&curve, &|at| at.torque),
                colour: AVAILABLE,
                style: LineStyle::Solid,
            },
            Series {
                label: format!(
                    "low edge less the {:.0} % kept in reserve",
                    self.axis.limits.torque_margin * 100.0
                ),
                points: drawn(&curve, &|at| share * at.low),
                colour: AVAILABLE,
                style: LineStyle::Dashed,
            },
        ];
        if !self.ability.pull_out.measured() {
            let edge = |label: &str, points| Series {
                label: label.to_owned(),
                points,
                colour: AVAILABLE,
                style: LineStyle::Edge,
            };
            series.push(edge("5 … 95 % of motors", drawn(&curve, &|at| at.low)));
            series.push(edge("", drawn(&curve, &|at| at.high)));
        }
        if paths.is_empty() {
            let beyond = self.ability.beyond(self.axis, CURVE / 4);
            series.push(Series {
                label: "beyond what is of use".to_owned(),
                points: drawn(&beyond, &|at| at.torque),
                colour: AVAILABLE,
                style: LineStyle::Dashed,
            });
        }
        series.extend(paths.into_iter().enumerate().map(|(index, points)| Series {
            label: if index == 0 {
                "asked for by the moves".to_owned()
            } else {
                String::new()
            },
            points,
            colour: ASKED,
            style: LineStyle::Solid,
        }));
        Chart {
            title: format!("Torque of {} over speed", self.axis.name),
            x_label: format!("speed of the load ({}/s)", unit.name),
            y_label: "torque at the motor (mN·m)".to_owned(),
            series,
            bands: shades(self.ability, per_step, shown_hz),
            ..Chart::default()
        }
    }

    /// The same chart with the start-stop rate marked.
    fn chart_with_start_stop(&self) -> Chart {
        let rate = self.ability.start_stop(self.axis).quoted();
        let useful = self.ability.useful_range(self.axis).to_step_rate_hz;
        let mut chart = self.chart_to(useful.max(BEHIND_MARK * rate));
        let unit = TravelUnit::of(self.axis);
        chart.marks = vec![Mark {
            label: format!(
                "start-stop rate, {:.0} % of it kept in reserve",
                (1.0 - QUOTED_SHARE) * 100.0
            ),
            at: rate * unit.per_si * self.axis.travel_per_full_step(),
            colour: START_STOP,
        }];
        chart
    }

    /// Speed and size of the torque needed (mN·m) along each motion.
    fn paths(&self, to_load: f64) -> Vec<Vec<(f64, f64)>> {
        let rule = TorqueRule::new(
            self.axis,
            &self.ability.load,
            &self.ability.pull_out,
            self.tolerance,
        );
        let own = |motion: &Arc<Motion>| {
            motion
                .axes
                .iter()
                .find(|axis| axis.axis == self.number)
                .cloned()
        };
        let motions = self.kept.iter().filter_map(own);
        motions
            .map(|motion| {
                let margins = rule
                    .instants(&motion)
                    .map(|at| rule.margin(at, motion.direction));
                margins
                    .map(|margin| (margin.at.omega * to_load, margin.required * 1e3))
                    .collect()
            })
            .collect()
    }
}

/// What the motor of axis `number` can do: pull-out torque, critical speeds and the start-stop
/// rate.
pub(crate) fn motor(rig: &Rig, number: usize, ability: &AxisAbility) -> Chart {
    TorquePlane::new(rig, number, ability).chart_with_start_stop()
}

/// The pull-out torques of several axes that travel alike, each under its name: typical as a
/// full line, the low edge dashed.
pub(crate) fn overlay(axes: Vec<(&str, &Axis, &AxisAbility)>) -> Chart {
    let unit = axes
        .first()
        .map_or("deg", |(_, axis, _)| TravelUnit::of(axis).name);
    let curve = |(number, (name, axis, ability)): (usize, (&str, &Axis, &AxisAbility))| {
        let per_step = TravelUnit::of(axis).per_si * axis.travel_per_full_step();
        let end = ability.useful_range(axis).to_step_rate_hz;
        let samples = ability.pull_out.curve(end, CURVE);
        let colour = number % COLOURS.len();
        let drawn = |label: String, style, torque: fn(&PullOutSample) -> f64| Series {
            label,
            points: samples
                .iter()
                .map(|at| (at.step_rate_hz * per_step, torque(at) * 1e3))
                .collect(),
            colour,
            style,
        };
        [
            drawn(name.to_owned(), LineStyle::Solid, |at| at.torque),
            drawn(format!("{name}, low edge"), LineStyle::Dashed, |at| at.low),
        ]
    };
    Chart {
        title: "Pull-out torque over speed".to_owned(),
        x_label: format!("speed of the load ({unit}/s)"),
        y_label: "torque at the motor (mN·m)".to_owned(),
        series: axes.into_iter().enumerate().flat_map(curve).collect(),
        ..Chart::default()
    }
}

/// The bands of an axis below an end, from full steps/s to the load's speed.
fn shades(ability: &AxisAbility, per_step: f64, end_hz: f64) -> Vec<Shade> {
    ability
        .bands
        .iter()
        .filter(|band| band.from_step_rate_hz < end_hz)
        .map(|band| {
            let (label, colour) = match band.kind {
                BandKind::Unstable => ("unstable band", UNSTABLE),
                BandKind::Forced => ("forced band", FORCED),
            };
            Shade {
                label: label.to_owned(),
                from: band.from_step_rate_hz * per_step,
                to: band.to_step_rate_hz.unwrap_or(end_hz) * per_step,
                colour,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::Source;
    use crate::rig::NoFiles;

    /// The rig that `new` writes.
    fn first_rig() -> Rig {
        let text = include_str!("../cli/start/turntable.yaml");
        let read = Rig::parse(&Source::new("turntable.yaml", text), &mut NoFiles);
        read.unwrap().rig
    }

    #[test]
    fn the_start_stop_rate_is_drawn_where_it_may_be_used() {
        let rig = first_rig();
        let ability = AxisAbility::of(&rig.axes[0]);
        let rate = ability.start_stop(&rig.axes[0]).rate;
        let [mark] = &motor(&rig, 0, &ability).marks[..] else {
            panic!("one mark");
        };
        // A full step is 1.8 degrees of the motor, and the gearing 2:1.
        approx::assert_relative_eq!(mark.at, 0.8 * rate * 0.9, max_relative = 1e-9);
    }

    #[test]
    fn the_curve_is_dashed_beyond_what_is_of_use_down_to_3_per_cent_of_the_holding_torque() {
        let rig = first_rig();
        let ability = AxisAbility::of(&rig.axes[0]);
        let chart = motor(&rig, 0, &ability);
        let series = |label: &str| chart.series.iter().find(|one| one.label == label).unwrap();
        let beyond = series("beyond what is of use");
        assert_eq!(beyond.style, LineStyle::Dashed);
        let (first, last) = (beyond.points[0], beyond.points[beyond.points.len() - 1]);
        // A full step is 1.8 degrees of the motor, and the gearing 2:1.
        let useful = ability.useful_range(&rig.axes[0]).to_step_rate_hz;
        approx::assert_relative_eq!(first.0, 0.9 * useful, max_relative = 1e-9);
        // 420 mN.m hold; the end is found to a per cent of the speed.
        assert!(
            last.0 > first.0 && (12.6..13.2).contains(&last.1),
            "{last:?}"
        );
    }
}
