//! What happens over time: speed, position and torque of each axis, sampled so that
//! every move keeps its shape and the page stays small.
//!
//! The plots begin with what a program does before it does the same again: up to the first move
//! whose statement has moved before. Passes of a loop that the check has left out are left out
//! here, and all that comes behind them.

use std::collections::HashSet;

use super::page::{Instants, Live, MoveInstants, PagePlot};
use crate::check::{AxisAbility, TorqueRule};
use crate::draw::chart::{Chart, LineStyle, Series};
use crate::draw::sampling::{Sampling, Shows};
use crate::plan::{Item, PlannedMove};
use crate::rig::{Axis, Rig, TravelUnit};

/// Moves shown at most.
const MOVES: usize = 2000;
/// Samples of all axes together, about.
const SAMPLES: usize = 4500;
/// Most and fewest samples in a ramp.
const IN_RAMP: (usize, usize) = (24, 2);
/// Room above and below a position, over its range; the page's script leaves as much.
const ROOM: f64 = 0.06;
/// Where the torque asked for stays below this part of the torque allowed, it is drawn once more
/// by itself.
pub(super) const FAR_BELOW: f64 = 0.25;
/// A motion with more segments than this is sampled evenly instead.
const MANY_SEGMENTS: usize = 16;

/// A move with its place in time.
#[derive(Debug)]
struct PlacedMove {
    from: f64,
    planned: PlannedMove,
    row: Option<usize>,
}

/// The first moves of a program with their places in time.
#[derive(Debug)]
pub(super) struct Timeline<'a> {
    rig: &'a Rig,
    time: f64,
    shown_until: f64,
    placed: Vec<PlacedMove>,
    left_out: u64,
    /// Whether passes of a loop have been left out.
    leapt: bool,
    /// Whether what comes has no place in the plots any more.
    full: bool,
    /// Statements that have moved, with the part of each.
    moved: HashSet<(usize, &'static str)>,
    /// When the first of them moves again (s).
    again: Option<f64>,
}

/// One instant of an axis, at its load.
#[derive(Debug, Clone, Copy, PartialEq)]
struct LoadSample {
    time: f64,
    position: f64,
    speed: f64,
    /// Required torque, and the usable part of the pull-out torque (mN·m at the
    /// motor); not finite at rest.
    asked: f64,
    allowed: f64,
}

impl<'a> Timeline<'a> {
    /// From time zero.
    pub(super) fn new(rig: &'a Rig) -> Self {
        Self {
            rig,
            time: 0.0,
            shown_until: 0.0,
            placed: Vec::new(),
            left_out: 0,
            leapt: false,
            full: false,
            moved: HashSet::new(),
            again: None,
        }
    }

    /// When the next item begins (s).
    pub(super) fn time(&self) -> f64 {
        self.time
    }

    /// How many moves have no place in the plots.
    pub(super) fn left_out(&self) -> u64 {
        self.left_out
    }

    /// Takes in the next item, which comes so many `times`; `row` is the row of a move in the
    /// table.
    pub(super) fn add(&mut self, item: &Item, times: u64, row: Option<usize>) {
        let behind = self.leapt && times == 1;
        self.leapt |= times > 1;
        if let Item::Move(planned) = item {
            if !self.moved.insert((planned.line, planned.part.word())) && self.time > 0.0 {
                self.again.get_or_insert(self.time);
            }
            if self.placed.len() < MOVES && !behind {
                self.placed.push(PlacedMove {
                    from: self.time,
                    planned: planned.clone(),
                    row,
                });
                self.left_out += times - 1;
            } else {
                self.left_out += times;
                self.full = true;
            }
        }
        self.full |= behind;
        self.time += item.duration();
        if !self.full {
            self.shown_until = self.time;
        }
    }

    /// Whether what comes now has no place in the plots.
    pub(super) fn is_full(&self) -> bool {
        self.full
    }

    /// When the moves happen.
    pub(super) fn instants(&self) -> Instants {
        let moves = self.placed.iter().map(|one| MoveInstants {
            from: one.from,
            to: one.from + one.planned.motion.duration,
            line: one.planned.line,
            row: one.row,
        });
        Instants {
            end: self.shown_until,
            first: self.first(),
            moves: moves.collect(),
        }
    }

    /// Up to when the plots show the program at first (s).
    pub(super) fn first(&self) -> f64 {
        self.again.unwrap_or(f64::INFINITY).min(self.shown_until)
    }

    /// Plots over time for each axis, and the path of each axis in its torque plane.
    pub(super) fn plots(&self, abilities: &[AxisAbility]) -> (Vec<PagePlot>, Vec<Live>) {
        let mut plots = Vec::new();
        let mut paths = Vec::new();
        let per_ramp = self.samples_in_a_ramp();
        for (number, (axis, ability)) in self.rig.axes.iter().zip(abilities).enumerate() {
            let samples = self.samples(number, ability, per_ramp);
            let view = AxisView {
                axis,
                number,
                several: self.rig.axes.len() > 1,
                samples: &samples,
                first: self.first(),
            };
            plots.extend(view.plots());
            paths.push(view.path());
        }
        (plots, paths)
    }

    /// As many as the page has room for.
    fn samples_in_a_ramp(&self) -> usize {
        let motions = self.placed.iter().flat_map(|one| &one.planned.motion.axes);
        let segments: usize = motions
            .map(|motion| motion.segments.len().min(MANY_SEGMENTS))
            .sum();
        (SAMPLES / segments.max(1)).clamp(IN_RAMP.1, IN_RAMP.0)
    }

    fn samples(&self, number: usize, ability: &AxisAbility, per_ramp: usize) -> Vec<LoadSample> {
        let axis = &self.rig.axes[number];
        let unit = TravelUnit::of(axis);
        let rule = TorqueRule::new(
            axis,
            &ability.load,
            &ability.pull_out,
            self.rig.timer.tolerance,
        );
        let rest = |time: f64, position: f64| LoadSample {
            time,
            position,
            speed: 0.0,
            asked: f64::NAN,
            allowed: f64::NAN,
        };
        let sampling = Sampling {
            shows: Shows::Position,
            in_bend: per_ramp,
            both_sides: true,
            many: MANY_SEGMENTS,
        };
        let mut samples = Vec::new();
        let mut position = 0.0;
        for one in &self.placed {
            let axes = one.planned.motion.axes.iter().zip(&one.planned.travel);
            let Some((motion, travel)) = axes.clone().find(|(motion, _)| motion.axis == number)
            else {
                continue;
            };
            samples.push(rest(one.from, travel.from * unit.per_si));
            samples.extend(sampling.of(axis, motion, travel).map(|sample| {
                let begins = sample.time - sample.after;
                let at = rule.instant(sample.segment, begins, sample.after);
                let margin = rule.margin(at, motion.direction);
                LoadSample {
                    time: one.from + sample.time,
                    position: sample.position,
                    speed: sample.speed,
                    asked: margin.required * 1e3,
                    allowed: margin.available * (1.0 - axis.limits.torque_margin) * 1e3,
                }
            }));
            position = travel.to * unit.per_si;
            samples.push(rest(one.from + motion.duration(), position));
        }
        if samples.is_empty() {
            samples.push(rest(0.0, position));
        }
        samples.push(rest(self.shown_until, position));
        samples
    }
}

/// One axis with its samples.
struct AxisView<'a> {
    axis: &'a Axis,
    number: usize,
    several: bool,
    samples: &'a [LoadSample],
    /// Up to when it is shown at first (s).
    first: f64,
}

impl AxisView<'_> {
    fn title(&self, of: &str) -> String {
        if self.several {
            format!("{of} of {} over time", self.axis.name)
        } else {
            format!("{of} over time")
        }
    }

    fn name(&self, of: &str) -> String {
        if self.several {
            format!("{} of {}", of.to_lowercase(), self.axis.name)
        } else {
            of.to_lowercase()
        }
    }

    fn plots(&self) -> Vec<PagePlot> {
        let unit = TravelUnit::of(self.axis).name;
        let speed = self.curve(
            "Speed",
            "speed",
            &format!("{unit}/s"),
            LineStyle::Filled,
            self.number,
            |s| s.speed,
        );
        let position = self.curve(
            "Position",
            "position",
            unit,
            LineStyle::Solid,
            self.number,
            |s| s.position,
        );
        let asked = self.curve("Torque", "asked for", "mN·m", LineStyle::Filled, 1, |s| {
            s.asked
        });
        let allowed = self.curve(
            "Torque",
            "less reserve",
            "mN·m",
            LineStyle::Dashed,
            0,
            |s| s.allowed,
        );
        let mut plots = vec![
            self.plot("Speed", &format!("speed ({unit}/s)"), vec![speed]),
            self.rescaled(self.plot("Position", &format!("position ({unit})"), vec![position])),
        ];
        let most = |curve: &(Series, Live)| {
            let sizes = curve.0.points.iter().map(|(_, torque)| torque.abs());
            sizes.filter(|size| size.is_finite()).fold(0.0, f64::max)
        };
        let far_below = most(&asked) < FAR_BELOW * most(&allowed);
        let enlarged = far_below.then(|| {
            self.plot(
                "Torque, enlarged,",
                "asked for, at the motor (mN·m)",
                vec![asked.clone()],
            )
        });
        plots.push(self.plot("Torque", "at the motor (mN·m)", vec![asked, allowed]));
        plots.extend(enlarged);
        plots
    }

    fn curve(
        &self,
        of: &str,
        label: &str,
        unit: &str,
        style: LineStyle,
        colour: usize,
        value: fn(&LoadSample) -> f64,
    ) -> (Series, Live) {
        let series = Series {
            label: label.to_owned(),
            points: self
                .samples
                .iter()
                .map(|sample| (sample.time, value(sample)))
                .collect(),
            colour,
            style,
        };
        let name = if of == "Torque" {
            format!("torque {label}")
        } else {
            of.to_owned()
        };
        let live = Live {
            name: self.name(&name),
            unit: unit.to_owned(),
            across: "s".to_owned(),
            colour,
            series: 0,
            samples: self
                .samples
                .iter()
                .map(|sample| (sample.time, sample.time, value(sample)))
                .collect(),
        };
        (series, live)
    }

    fn plot(&self, of: &str, y_label: &str, curves: Vec<(Series, Live)>) -> PagePlot {
        let (series, mut live): (Vec<Series>, Vec<Live>) = curves.into_iter().unzip();
        for (number, one) in live.iter_mut().enumerate() {
            one.series = number;
        }
        let title = self.title(of);
        PagePlot {
            description: format!("{title}. The table of moves holds the same in numbers."),
            note: String::new(),
            chart: Chart {
                title,
                x_label: "time (s)".to_owned(),
                y_label: y_label.to_owned(),
                series,
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

    /// The plot with a vertical axis that fits what is shown at first.
    fn rescaled(&self, mut plot: PagePlot) -> PagePlot {
        let samples = self.samples.iter();
        let shown = samples.filter(|sample| sample.time <= self.first);
        let range = shown.fold(None, |range: Option<(f64, f64)>, sample| {
            let (low, high) = range.unwrap_or((sample.position, sample.position));
            Some((low.min(sample.position), high.max(sample.position)))
        });
        let (low, high) = range.unwrap_or((0.0, 0.0));
        let room = match high > low {
            true => ROOM * (high - low),
            false => 1.0,
        };
        plot.chart.upward = Some((low - room, high + room));
        plot.rescales = true;
        plot
    }

    /// The path in the torque plane.
    fn path(&self) -> Live {
        Live {
            name: self.name("torque needed"),
            unit: "mN·m".to_owned(),
            across: format!("{}/s", TravelUnit::of(self.axis).name),
            colour: 1,
            series: 0,
            samples: self
                .samples
                .iter()
                .map(|sample| (sample.time, sample.speed.abs(), sample.asked))
                .collect(),
        }
    }
}
