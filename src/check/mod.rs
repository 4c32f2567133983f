//! Motion against the rig: whether each move may run, and why not.
//!
//! A [`Checker`] looks at one planned move after the other. What depends on the
//! motion alone is worked out once and shared by the moves that repeat it, so a
//! program of a million equal moves costs one.

mod crossing;
mod cure;
mod finding;
mod json;
mod torque;

use std::collections::HashMap;
use std::sync::{Arc, OnceLock};

pub use crossing::Crossing;
pub use cure::TravelUnit;
pub use finding::{Finding, Verdict, Weight};
pub use torque::{Instant, TorqueMargin, TorqueRule};

use crate::physics::band::{Band, BandKind};
use crate::physics::heat::{Heat, HeatWarning};
use crate::physics::load::ShaftLoad;
use crate::physics::torque::PullOut;
use crate::physics::{Effort, Machine, StartStop, bands, start_stop};
use crate::plan::{AxisMotion, Change, ChangeKind, Item, Motion, PlannedMove};
use crate::rig::{Axis, Rig};
use crate::schedule::timer::{self, TimerProblem};
use crate::units::{Rounded, Time, Torque};

/// Motions remembered at the most; past it the memory starts afresh.
const REMEMBERED: usize = 4096;
/// Failing motions for which cures by another current or supply are sought; each
/// takes some milliseconds.
const CURED: usize = 16;
/// Reflected load inertia over rotor inertia that common practice keeps below.
const COMMON_INERTIA_RATIO: f64 = 10.0;

/// What a rig can do, worked out once for all the moves.
#[derive(Debug)]
pub struct AxisAbility {
    /// The load at the motor's shaft.
    pub load: ShaftLoad,
    /// The pull-out curve.
    pub pull_out: PullOut,
    /// The bad speeds.
    pub bands: Vec<Band>,
    /// Heat and what is to be said about it.
    pub heat: Heat,
    start_stop: OnceLock<StartStop>,
}

impl AxisAbility {
    /// What `axis` can do, its bad speeds looked for with so much effort.
    pub fn of(axis: &Axis, effort: Effort) -> Self {
        Self {
            load: ShaftLoad::of(axis),
            pull_out: PullOut::of(axis),
            bands: bands(axis, effort),
            heat: Heat::of(axis),
            start_stop: OnceLock::new(),
        }
    }

    /// The start-stop rate of `axis`, sought in the simulator when it is first asked
    /// for, which takes some tenths of a second.
    pub fn start_stop(&self, axis: &Axis) -> &StartStop {
        self.start_stop
            .get_or_init(|| start_stop(&Machine::of(axis)))
    }
}

/// What was found about one axis of a motion.
#[derive(Debug, Clone, PartialEq)]
pub struct AxisCheck {
    /// Which axis of the rig.
    pub axis: usize,
    /// How long it moves (s).
    pub duration: f64,
    /// Its highest speed (rad/s or m/s of the load).
    pub peak_speed: f64,
    /// Its highest acceleration or deceleration (rad/s² or m/s² of the load).
    pub peak_acceleration: f64,
    /// The least torque margin; none where it does not move.
    pub torque: Option<TorqueMargin>,
    /// The bands that it enters.
    pub bands: Vec<Crossing>,
    /// What was found.
    pub findings: Vec<Finding>,
}

impl AxisCheck {
    /// The least torque margin and the speed it is at, as a builder reads it.
    pub fn margin_text(&self, rig: &Rig) -> String {
        let Some(margin) = self.torque else {
            return "–".to_owned();
        };
        let axis = &rig.axes[self.axis];
        let unit = TravelUnit::of(axis);
        format!(
            "{:.0} % at {} {}/s",
            margin.least * 100.0,
            Rounded(axis.travel_speed(margin.at.omega) * unit.per_si),
            unit.name
        )
    }
}

/// What was found about a motion: an entry for each of its axes.
#[derive(Debug, Clone, PartialEq)]
pub struct MotionCheck {
    /// By the axes of the motion.
    pub axes: Vec<AxisCheck>,
}

impl MotionCheck {
    /// The verdict over all the axes.
    pub fn verdict(&self) -> Verdict {
        let verdicts = self.axes.iter().map(|axis| Verdict::of(&axis.findings));
        verdicts.max().unwrap_or(Verdict::Pass)
    }
}

/// A move with what was found about it.
#[derive(Debug, Clone, PartialEq)]
pub struct MoveCheck {
    /// The move.
    pub planned: PlannedMove,
    /// What was found; shared between equal motions.
    pub check: Arc<MotionCheck>,
    /// What the planner did otherwise than asked.
    pub changes: Vec<Finding>,
}

/// What a whole program comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Whether every move may run.
    pub ok: bool,
    /// Moves, warned and failed ones among them.
    pub moves: u64,
    /// Moves that may run but should be looked at.
    pub warned: u64,
    /// Moves that must not run.
    pub failed: u64,
    /// From start to end, without waiting for inputs (s).
    pub total_time: f64,
    /// The least torque margin of all and the line of its move.
    pub least_margin: Option<(f64, usize)>,
    /// The line of the first move that must not run and its first reason.
    pub first_failure: Option<(usize, String)>,
    /// What was found about the rig as a whole.
    pub findings: Vec<Finding>,
}

/// Checks the moves of one program.
#[derive(Debug)]
pub struct Checker<'a> {
    rig: &'a Rig,
    abilities: &'a [AxisAbility],
    seen: HashMap<*const Motion, (Arc<Motion>, Arc<MotionCheck>)>,
    cures_left: usize,
    summary: Summary,
}

impl<'a> Checker<'a> {
    /// For programs on `rig`, whose axes can do `abilities` (one each, in order).
    pub fn new(rig: &'a Rig, abilities: &'a [AxisAbility]) -> Self {
        let findings: Vec<Finding> = rig
            .axes
            .iter()
            .zip(abilities)
            .flat_map(|(axis, ability)| about_axis(axis, ability))
            .collect();
        Self {
            rig,
            abilities,
            seen: HashMap::new(),
            cures_left: CURED,
            summary: Summary {
                ok: Verdict::of(&findings) != Verdict::Fail,
                moves: 0,
                warned: 0,
                failed: 0,
                total_time: 0.0,
                least_margin: None,
                first_failure: findings
                    .iter()
                    .find(|finding| finding.severity == Weight::Failure)
                    .map(|finding| (0, finding.message.clone())),
                findings,
            },
        }
    }

    /// Looks at the next item of the program; a move comes back with its verdict.
    pub fn check(&mut self, item: &Item) -> Option<MoveCheck> {
        match item {
            Item::Move(planned) => Some(self.check_move(planned)),
            Item::Dwell(seconds) => {
                self.summary.total_time += seconds;
                None
            }
            Item::Output { .. } | Item::Await { .. } | Item::Mark(_) => None,
        }
    }

    fn check_move(&mut self, planned: &PlannedMove) -> MoveCheck {
        let check = self.motion(&planned.motion);
        let summary = &mut self.summary;
        summary.moves += 1;
        summary.total_time += planned.motion.duration;
        match check.verdict() {
            Verdict::Pass => {}
            Verdict::Warn => summary.warned += 1,
            Verdict::Fail => {
                summary.failed += 1;
                summary.ok = false;
            }
        }
        for axis in &check.axes {
            if let Some(margin) = axis.torque
                && summary
                    .least_margin
                    .is_none_or(|(least, _)| margin.least < least)
            {
                summary.least_margin = Some((margin.least, planned.line));
            }
            let failure = axis
                .findings
                .iter()
                .find(|finding| finding.severity == Weight::Failure);
            if let (None, Some(failure)) = (&summary.first_failure, failure) {
                summary.first_failure = Some((planned.line, failure.message.clone()));
            }
        }
        let changes = planned
            .changes
            .iter()
            .map(|change| change_finding(self.rig, change));
        MoveCheck {
            planned: planned.clone(),
            check,
            changes: changes.collect(),
        }
    }

    /// What all the moves so far come to.
    pub fn summary(&self) -> &Summary {
        &self.summary
    }

    fn motion(&mut self, motion: &Arc<Motion>) -> Arc<MotionCheck> {
        let key = Arc::as_ptr(motion);
        if let Some((_, check)) = self.seen.get(&key) {
            return Arc::clone(check);
        }
        let problems = timer::verdict(motion, self.rig).err().unwrap_or_default();
        let axes = motion
            .axes
            .iter()
            .map(|axis| self.axis_motion(axis, &problems))
            .collect();
        let check = Arc::new(MotionCheck { axes });
        if self.seen.len() >= REMEMBERED {
            self.seen.clear();
        }
        // The motion is kept too, so that its address is not given to another one.
        self.seen
            .insert(key, (Arc::clone(motion), Arc::clone(&check)));
        check
    }

    fn axis_motion(&mut self, motion: &AxisMotion, problems: &[TimerProblem]) -> AxisCheck {
        let axis = &self.rig.axes[motion.axis];
        let ability = &self.abilities[motion.axis];
        let tolerance = self.rig.timer.tolerance;
        let rule = TorqueRule::new(axis, &ability.load, &ability.pull_out, tolerance);
        let torque = rule.least(motion);
        let per_travel = axis.microsteps_per_travel();
        let peak = |values: &mut dyn Iterator<Item = f64>| values.fold(0.0, f64::max) / per_travel;
        let peak_speed = peak(&mut motion.segments.iter().flat_map(|segment| {
            let turn = -segment.acceleration / segment.jerk;
            let inside = if turn > 0.0 && turn < segment.duration {
                turn
            } else {
                0.0
            };
            [0.0, inside, segment.duration].map(|t| segment.velocity_at(t))
        }));
        let peak_acceleration =
            peak(&mut motion.segments.iter().flat_map(|segment| {
                [0.0, segment.duration].map(|t| segment.acceleration_at(t).abs())
            }));
        let crossings =
            crossing::crossings(motion, &ability.bands, axis.drive.microsteps(), rule.clock);
        let mut findings = Vec::new();
        findings.extend(self.torque_finding(motion, torque));
        findings.extend(
            crossings
                .iter()
                .filter_map(|crossing| band_finding(axis, crossing)),
        );
        findings.extend(self.start_finding(motion));
        let own = problems
            .iter()
            .filter(|problem| problem.axis == motion.axis);
        findings.extend(own.map(|problem| timer_finding(self.rig, problem, motion)));
        AxisCheck {
            axis: motion.axis,
            duration: motion.duration(),
            peak_speed,
            peak_acceleration,
            torque,
            bands: crossings,
            findings,
        }
    }

    /// Ramps that begin or end at a speed have to begin and end below the start-stop
    /// rate.
    fn start_finding(&self, motion: &AxisMotion) -> Option<Finding> {
        let axis = &self.rig.axes[motion.axis];
        let ends = [
            motion.segments.first().map(|segment| segment.velocity),
            motion
                .segments
                .last()
                .map(|segment| segment.velocity_at(segment.duration)),
        ];
        let fastest = ends.into_iter().flatten().fold(0.0, f64::max);
        // What arithmetic leaves at the end of a ramp to rest is no start speed.
        if motion.limits.start <= 0.0 || fastest < 1e-6 * motion.limits.start {
            return None;
        }
        let microsteps = f64::from(axis.drive.microsteps());
        let rate = fastest / microsteps * (1.0 + self.rig.timer.tolerance);
        let start_stop = self.abilities[motion.axis].start_stop(axis);
        let unit = TravelUnit::of(axis);
        let to_load = unit.per_si * axis.travel_per_full_step();
        let (severity, what) = if !start_stop.allows(rate) {
            (
                Weight::Failure,
                "the motor does not start at that rate in the simulator",
            )
        } else if rate > start_stop.quoted() {
            (
                Weight::Warning,
                "that is above the share of the start-stop rate that is safe to use",
            )
        } else {
            return None;
        };
        let message = format!(
            "ramps begin or end at {} {}/s: {what}",
            Rounded(rate * to_load),
            unit.name
        );
        let mut cures = vec!["start 0".to_owned()];
        if start_stop.allows(start_stop.quoted()) {
            cures.insert(
                0,
                format!(
                    "start {} {}/s at most",
                    Rounded(start_stop.quoted() * to_load),
                    unit.name
                ),
            );
        }
        Some(
            Finding::new("start-speed", severity, message)
                .cures(cures)
                .axis(&axis.name),
        )
    }

    fn torque_finding(
        &mut self,
        motion: &AxisMotion,
        margin: Option<TorqueMargin>,
    ) -> Option<Finding> {
        let axis = &self.rig.axes[motion.axis];
        let ability = &self.abilities[motion.axis];
        let margin = margin?;
        if margin.least >= axis.limits.torque_margin {
            return None;
        }
        let unit = TravelUnit::of(axis);
        let speed = axis.travel_speed(margin.at.omega);
        let message = format!(
            "{} of torque is asked for at {} {}/s, where the motor pulls out at {}: {} is left, {} % is to be kept",
            Torque::new(margin.required),
            Rounded(speed * unit.per_si),
            unit.name,
            Torque::new(margin.available),
            if margin.least < 0.0 {
                "nothing".to_owned()
            } else {
                format!("{} %", Rounded(margin.least * 100.0))
            },
            Rounded(axis.limits.torque_margin * 100.0),
        );
        let cures = if self.cures_left > 0 {
            self.cures_left -= 1;
            cure::for_torque(
                axis,
                &ability.load,
                &ability.pull_out,
                self.rig.timer.tolerance,
                motion,
            )
        } else {
            Vec::new()
        };
        Some(
            Finding::new("torque-margin", Weight::Failure, message)
                .cures(cures)
                .axis(&axis.name),
        )
    }
}

/// What the planner did otherwise than asked.
fn change_finding(rig: &Rig, change: &Change) -> Finding {
    let axis = &rig.axes[change.axis];
    let unit = TravelUnit::of(axis);
    let to_load = unit.per_si * axis.travel_per_full_step();
    let finding = match change.kind {
        ChangeKind::CruiseMoved { from, to } => Finding::new(
            "cruise-moved",
            Weight::Note,
            format!(
                "to keep out of a bad band it cruises at {} instead of {} {}/s, which takes {} longer; `bands allow` turns this off",
                Rounded(to * to_load),
                Rounded(from * to_load),
                unit.name,
                Time::new(change.cost)
            ),
        ),
        ChangeKind::CruiseStays { at } => Finding::new(
            "cruise-stays",
            Weight::Note,
            format!(
                "no allowed speed lies outside the bad band around {} {}/s",
                Rounded(at * to_load),
                unit.name
            ),
        ),
    };
    finding.axis(&axis.name)
}

/// What can be said of an axis before it moves.
fn about_axis(axis: &Axis, ability: &AxisAbility) -> Vec<Finding> {
    let mut findings = Vec::new();
    let ratio = ability.load.inertia_ratio();
    if ratio > COMMON_INERTIA_RATIO {
        findings.push(
            Finding::new(
                "inertia-ratio",
                Weight::Warning,
                format!(
                    "the load's inertia is {} times the rotor's at the motor; common practice stays below {COMMON_INERTIA_RATIO}",
                    Rounded(ratio)
                ),
            )
            .cures(vec!["more gearing, a lighter load, or a motor with a larger rotor".to_owned()])
            .axis(&axis.name),
        );
    }
    for warning in &ability.heat.warnings {
        let severity = match warning {
            HeatWarning::HoldTooWeak { .. } => Weight::Failure,
            _ => Weight::Warning,
        };
        findings.push(Finding::new(warning.code(), severity, warning.to_string()).axis(&axis.name));
    }
    findings
}

fn band_finding(axis: &Axis, crossing: &Crossing) -> Option<Finding> {
    if !crossing.cruises {
        return None;
    }
    let unit = TravelUnit::of(axis);
    let to_load = unit.per_si * axis.travel_per_full_step();
    let from = crossing.band.from_step_rate_hz * to_load;
    let range = match crossing.band.to_step_rate_hz {
        Some(to) => format!(
            "{} … {} {}/s",
            Rounded(from),
            Rounded(to * to_load),
            unit.name
        ),
        None => format!("above {} {}/s", Rounded(from), unit.name),
    };
    let mut cures = vec![format!("speed below {} {}/s", Rounded(from), unit.name)];
    if let Some(to) = crossing.band.to_step_rate_hz {
        cures.push(format!(
            "speed above {} {}/s",
            Rounded(to * to_load),
            unit.name
        ));
    }
    let finding = match crossing.band.kind {
        BandKind::Unstable => Finding::new(
            "unstable-band",
            Weight::Failure,
            format!(
                "it cruises in an unstable band ({range}): the rotor hunts ever wider until it drops out"
            ),
        ),
        BandKind::Forced => Finding::new(
            "forced-band",
            Weight::Warning,
            format!(
                "it cruises in a forced band ({range}): the steps keep striking the rotor near its natural frequency"
            ),
        ),
    };
    Some(finding.cures(cures).axis(&axis.name))
}

fn timer_finding(rig: &Rig, problem: &TimerProblem, motion: &AxisMotion) -> Finding {
    let axis = &rig.axes[problem.axis];
    let unit = TravelUnit::of(axis);
    let could = problem.travel_speed(rig) * unit.per_si;
    let asked = motion.limits.speed / axis.microsteps_per_travel() * unit.per_si;
    Finding::new(TimerProblem::CODE, Weight::Failure, problem.to_string())
        .cures(vec![format!(
            "speed {} → {} {}/s",
            Rounded(asked),
            Rounded(cure::round_down(could)),
            unit.name
        )])
        .axis(&axis.name)
}
