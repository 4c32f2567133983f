//! What is found, in words: a function for each kind of finding, with its numbers and cures.

mod axis;

pub(crate) use axis::COMMON_INERTIA_RATIO;
pub(super) use axis::about_axis;

use super::ability::AxisAbility;
use super::crossing::Crossing;
use super::finding::{Finding, Severity};
use super::outcome::{SimulatedSummary, Summary};
use super::torque::TorqueMargin;
use crate::physics::band::BandKind;
use crate::physics::regeneration::Regeneration;
use crate::physics::start_stop::StartStop;
use crate::plan::{AxisMotion, Change, ChangeKind, PlannedMove};
use crate::player::budget;
use crate::rig::{Axis, BorrowedMotor, Rig, TravelUnit};
use crate::schedule::timer::TimerProblem;
use crate::units::{Rounded, Time, Torque, two_digits, two_digits_down, two_digits_up};

/// Ramps that begin or end at a speed have to begin and end below the start-stop
/// rate, and a seek, which stops at any step, stays below it with its reserve.
pub(super) fn start(
    axis: &Axis,
    ability: &AxisAbility,
    tolerance: f64,
    motion: &AxisMotion,
    seeks: bool,
) -> Option<Finding> {
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
    let rate = fastest / microsteps * (1.0 + tolerance);
    let start_stop = ability.start_stop(axis);
    let unit = TravelUnit::of(axis);
    let to_load = unit.per_si * axis.travel_per_full_step();
    if seeks {
        return seek_speed(axis, rate, start_stop, to_load);
    }
    let (severity, what) = if !start_stop.allows(rate) {
        (
            Severity::Failure,
            "the motor does not start at that rate in the simulator",
        )
    } else if rate > start_stop.quoted() {
        (
            Severity::Warning,
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

/// A seek above the share of the start-stop rate that is safe to use, at so many full steps/s.
fn seek_speed(axis: &Axis, rate: f64, start_stop: &StartStop, to_load: f64) -> Option<Finding> {
    let safe = start_stop.quoted() * to_load;
    if rate <= start_stop.quoted() && start_stop.allows(rate) {
        return None;
    }
    let unit = TravelUnit::of(axis).name;
    let message = format!(
        "it starts and stops at once, at {} {unit}/s; the limit is {} {unit}/s, the start-stop rate less its reserve",
        Rounded(rate * to_load),
        Rounded(safe),
    );
    let cure = match start_stop.allows(start_stop.quoted()) {
        true => format!("seek at {} {unit}/s at most", two_digits_down(safe)),
        false => "more torque or less inertia: the motor starts at no rate".to_owned(),
    };
    Some(
        Finding::new("seek-speed", Severity::Failure, message)
            .cures(vec![cure])
            .axis(&axis.name),
    )
}

/// Too little torque is left, where that is so. The cures are sought by trying them.
pub(super) fn torque(
    axis: &Axis,
    margin: Option<TorqueMargin>,
    cures: impl FnOnce(&TorqueMargin) -> Vec<String>,
) -> Option<Finding> {
    let margin = margin?;
    if margin.least >= axis.limits.torque_margin {
        return None;
    }
    let unit = TravelUnit::of(axis);
    let speed = axis.travel_speed(margin.at.omega);
    let message = format!(
        "at {} {}/s it needs {} of the {} pull-out torque: margin {}, required {} %",
        Rounded(speed * unit.per_si),
        unit.name,
        Torque::new(margin.required),
        Torque::new(margin.available),
        if margin.least < 0.0 {
            "none".to_owned()
        } else {
            format!("{} %", Rounded(margin.least * 100.0))
        },
        Rounded(axis.limits.torque_margin * 100.0),
    );
    Some(
        Finding::new("torque-margin", Severity::Failure, message)
            .cures(cures(&margin))
            .axis(&axis.name),
    )
}

/// What the planner changed.
pub(super) fn change(rig: &Rig, change: &Change) -> Finding {
    let axis = &rig.axes[change.axis];
    let unit = TravelUnit::of(axis);
    let to_load = unit.per_si * axis.travel_per_full_step();
    let finding = match change.kind {
        ChangeKind::CruiseMoved { from, to } => Finding::new(
            "cruise-moved",
            Severity::Note,
            format!(
                "to avoid a critical band it cruises at {} instead of {} {}/s{}; `bands allow` disables this",
                Rounded(to * to_load),
                Rounded(from * to_load),
                unit.name,
                longer(change.cost)
            ),
        ),
        ChangeKind::GoesBeyond { by } => Finding::new(
            "backlash-taken-up",
            Severity::Note,
            format!(
                "it overshoots its target by {} {} and returns, to take up the backlash{}; set by `approach` in the rig",
                Rounded(by * to_load),
                unit.name,
                longer(change.cost)
            ),
        ),
        ChangeKind::LimitCut {
            word,
            line,
            power,
            asked,
            allowed,
        } => {
            let per = match power {
                1 => "s".to_owned(),
                power => format!("s^{power}"),
            };
            Finding::new(
                "limit-cut",
                Severity::Note,
                format!(
                    "{word} {} {unit}/{per} of line {line} is limited to the axis's {} {unit}/{per}",
                    Rounded(asked * to_load),
                    Rounded(allowed * to_load),
                    unit = unit.name
                ),
            )
        }
        ChangeKind::PeakLowered { from, to } => Finding::new(
            "peak-lowered",
            Severity::Note,
            format!(
                "to avoid a critical band it peaks at {} instead of {} {}/s{}; `bands allow` disables this",
                Rounded(to * to_load),
                Rounded(from * to_load),
                unit.name,
                longer(change.cost)
            ),
        ),
        ChangeKind::PeakStays { at } => Finding::new(
            "peak-stays",
            Severity::Note,
            format!(
                "its speed peaks in the critical band around {} {}/s, and no allowed speed lies outside",
                Rounded(at * to_load),
                unit.name
            ),
        ),
        ChangeKind::CrossesSlowly { from, to, time } => Finding::new(
            "crosses-slowly",
            Severity::Note,
            format!(
                "it takes {} to cross the critical band from {} to {} {}/s, long enough for an oscillation to build up: accelerate faster or stay below, and simulate it",
                Time::new(time),
                Rounded(from * to_load),
                Rounded(to * to_load),
                unit.name
            ),
        ),
        ChangeKind::Gentler { rise, share, peak } => Finding::new(
            "torque-softened",
            Severity::Note,
            format!(
                "to keep the rotor in synchronism {}{}",
                gentler(
                    rise,
                    share,
                    peak.map(|peak| format!("{} {}/s", Rounded(peak * to_load), unit.name))
                ),
                longer(change.cost)
            ),
        ),
        ChangeKind::CruiseStays { at } => Finding::new(
            "cruise-stays",
            Severity::Note,
            format!(
                "no allowed speed lies outside the critical band around {} {}/s",
                Rounded(at * to_load),
                unit.name
            ),
        ),
    };
    finding.axis(&axis.name)
}

/// What makes a plan gentler than the fastest.
fn gentler(rise: f64, share: f64, peak: Option<String>) -> String {
    let rises = (rise > 0.0).then(|| format!("its torque rises over {}", Time::new(rise)));
    let less = (share < 1.0).then(|| {
        format!(
            "it accelerates at {} % of what the limits allow",
            Rounded(100.0 * share)
        )
    });
    let peak = peak.map(|peak| format!("its speed peaks at {peak}"));
    let all: Vec<String> = rises.into_iter().chain(less).chain(peak).collect();
    all.join(" and ")
}

/// How much longer a change makes a move take, behind what it does.
fn longer(cost: f64) -> String {
    if cost > 0.0 {
        format!(", {} longer", Time::new(cost))
    } else {
        String::new()
    }
}

/// One, two and three.
fn listed(words: &[String]) -> String {
    match words.split_last() {
        Some((last, others)) if !others.is_empty() => format!("{} and {last}", others.join(", ")),
        _ => words.concat(),
    }
}

/// Times that a swing grows in an unstable band from which a crossing is worth a warning, and
/// from which it fails: chosen. Of 3,200 random moves, one in 14 loses steps below the first
/// (for other causes), nine in ten beyond the second to the 1.5th power.
const GROWS: f64 = 10.0;
const OUTGROWS: f64 = 1e4;

/// A band that the motion cruises in, or an unstable one that it crosses slowly; `simulated` tells
/// whether a motor model has the last word on a crossing.
pub(super) fn band(axis: &Axis, crossing: &Crossing, simulated: bool) -> Option<Finding> {
    if !crossing.cruises {
        return growing(axis, crossing, simulated);
    }
    let unit = TravelUnit::of(axis);
    let (from, to) = crossing.band.load_speeds(axis);
    let edge = |beside: &str, speed: f64| {
        format!(
            "speed {beside} {} {}/s",
            Rounded(speed * unit.per_si),
            unit.name
        )
    };
    let mut cures = Vec::new();
    if from > 0.0 {
        cures.push(edge("below", from));
    }
    cures.extend(to.map(|to| edge("above", to)));
    if cures.is_empty() {
        cures.push("more damping, finer microsteps, or another current".to_owned());
    }
    let range = format!(
        "{}, found {}",
        crossing.band.speeds_text(axis),
        crossing.band.found_by.words()
    );
    let finding = match crossing.band.kind {
        BandKind::Unstable if crossing.likely => Finding::new(
            "unstable-band",
            Severity::Failure,
            format!(
                "it cruises in an unstable band ({range}): the oscillation grows until the rotor loses synchronism"
            ),
        ),
        BandKind::Unstable => {
            cures.push("measure `viscous_damping`, which is missing in the rig".to_owned());
            Finding::new(
                "unstable-band",
                Severity::Warning,
                format!(
                    "it cruises in a band that is unstable ({range}) with the least likely damping, and stable with the typical one"
                ),
            )
        }
        BandKind::Forced => Finding::new(
            "forced-band",
            Severity::Warning,
            format!(
                "it cruises in a forced band ({range}): the steps excite the rotor near its natural frequency"
            ),
        ),
    };
    Some(finding.cures(cures).axis(&axis.name))
}

/// An unstable band that is only crossed, but so slowly that a swing grows.
fn growing(axis: &Axis, crossing: &Crossing, simulated: bool) -> Option<Finding> {
    let grows = crossing.growth.exp();
    let severity = match (grows >= OUTGROWS, simulated) {
        (true, false) => Severity::Failure,
        (true, true) => Severity::Warning,
        (false, false) if grows >= GROWS => Severity::Warning,
        (false, _) => return None,
    };
    let times = if grows > 1e6 {
        "more than a million".to_owned()
    } else {
        format!("about {}", Rounded(two_digits(grows)))
    };
    let unit = TravelUnit::of(axis);
    let (from, _) = crossing.band.load_speeds(axis);
    let message = format!(
        "its ramps take {} in an unstable band ({}, found {}): a swing grows {times} times",
        Time::new(two_digits(crossing.time)),
        crossing.band.speeds_text(axis),
        crossing.band.found_by.words()
    );
    let mut cures = Vec::new();
    if from > 0.0 {
        cures.push(format!(
            "speed below {} {}/s",
            Rounded(two_digits_down(from * unit.per_si)),
            unit.name
        ));
    }
    cures.push("more acceleration, which shortens the time inside".to_owned());
    cures.push("more damping".to_owned());
    Some(
        Finding::new("unstable-crossing", severity, message)
            .cures(cures)
            .axis(&axis.name),
    )
}

/// Steps that the timer cannot play.
pub(super) fn too_fast(rig: &Rig, problem: &TimerProblem, motion: &AxisMotion) -> Finding {
    let axis = &rig.axes[problem.axis];
    let unit = TravelUnit::of(axis);
    let could = problem.travel_speed(rig) * unit.per_si;
    let asked = motion.limits.speed / axis.microsteps_per_travel() * unit.per_si;
    Finding::new(TimerProblem::CODE, Severity::Failure, problem.to_string())
        .cures(vec![format!(
            "speed {} → {} {}/s",
            Rounded(asked),
            Rounded(two_digits_down(could)),
            unit.name
        )])
        .axis(&axis.name)
}

/// A shortest interval that our own player cannot keep on this board.
pub(super) fn player(rig: &Rig) -> Option<Finding> {
    let (kept, asked) = (budget::interval(rig)?, rig.timer.fastest_interval);
    // What was meant to be exactly the least may miss it by arithmetic.
    if asked.si() >= kept.si() * (1.0 - 1e-9) {
        return None;
    }
    let axes = match rig.axes.len() {
        1 => String::new(),
        several => format!(" when {several} axes step at once"),
    };
    let message = format!(
        "the timer's `fastest_interval` is {asked}; the firmware player needs {} clock cycles a step{axes}, {kept}, on an 8-bit microcontroller",
        budget::steps_cycles(rig),
    );
    Some(
        Finding::new("interval-below-player", Severity::Warning, message).cures(vec![format!(
            "set `fastest_interval` to {kept} or more, so that the check applies the player's limit"
        )]),
    )
}

/// A program that the motor model has played in part.
pub(super) fn simulated_in_part(simulated: &SimulatedSummary) -> Option<Finding> {
    let to = simulated.played_to?;
    let what = match (simulated.lost_steps, simulated.played_moves) {
        (0, 0) => "no step is lost up to there".to_owned(),
        (0, moves) => format!("no step is lost in its {moves} moves"),
        (lost, _) => format!("{lost} full steps are lost in it"),
    };
    let message = format!(
        "the program is longer than a verdict simulates: the motor model plays the first {}, and {what}",
        Time::new(two_digits(to))
    );
    Some(Finding::new("simulated-in-part", Severity::Note, message))
}

/// A move that is asked for and rounds to no step at all.
pub(super) fn no_step(rig: &Rig, planned: &PlannedMove) -> Option<Finding> {
    let axes = planned.motion.axes.iter().zip(&planned.travel);
    let (motion, travel) = axes.clone().next()?;
    let stands = planned.motion.steps() == 0;
    let axis = &rig.axes[motion.axis];
    let microstep = 1.0 / axis.microsteps_per_travel();
    if !stands || travel.target_error.abs() < 1e-6 * microstep {
        return None;
    }
    let unit = TravelUnit::of(axis);
    let shown = |si: f64| format!("{} {}", Rounded(si * unit.per_si), unit.name);
    let message = format!(
        "it rounds to no step: its target is {} away, and a microstep is {}",
        shown(travel.target_error.abs()),
        shown(microstep)
    );
    let cures = vec!["a longer move, finer microsteps, or more gearing".to_owned()];
    Some(
        Finding::new("no-step", Severity::Warning, message)
            .cures(cures)
            .axis(&axis.name),
    )
}

/// A program that moves nothing.
pub(super) fn no_moves(summary: &Summary) -> Option<Finding> {
    let finding = Finding::new("no-moves", Severity::Warning, "the program has no move");
    let cures = vec!["write one, such as “turn by 90 deg”".to_owned()];
    (summary.moves == 0).then(|| finding.cures(cures))
}

/// Motors of which some values are those of another one's profile.
pub(crate) fn borrowed(motors: &[BorrowedMotor]) -> impl Iterator<Item = Finding> {
    motors.iter().map(|motor| {
        let list = |keys: &[String]| {
            let quoted: Vec<String> = keys.iter().map(|key| format!("`{key}`")).collect();
            listed(&quoted)
        };
        let message = format!(
            "of the motor the rig gives {}; {} are those of {}, not measured",
            list(&motor.own),
            list(&motor.borrowed),
            motor.profile
        );
        Finding::new("profile-borrowed", Severity::Note, message).cures(vec![
            "measure them, and write them beside `profile`".to_owned(),
        ])
    })
}

/// Energy that returns to the supply, where an ordinary one cannot take it.
pub(super) fn regeneration(
    axis: &Axis,
    found: Option<Regeneration>,
    gentler: impl FnOnce() -> Option<String>,
) -> Option<Finding> {
    let found = found.filter(Regeneration::matters)?;
    let mut cures = vec![format!(
        "{} µF or more at the supply, or a switched brake resistor across it",
        Rounded(two_digits_up(found.capacity() * 1e6))
    )];
    cures.extend(gentler());
    Some(
        Finding::new("energy-returned", Severity::Warning, found.to_string())
            .cures(cures)
            .axis(&axis.name),
    )
}
