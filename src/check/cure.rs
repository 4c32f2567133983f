//! Cures: which single change would let a failing motion pass.
//!
//! Every cure is tried before it is offered: the changed value is rounded to the
//! safe side and the motion is examined again with it. Two are no more than named: the
//! torque that would be enough, where nothing that was tried is, and a gearing that seems to
//! be written the wrong way round.

use super::torque::{MotionInstant, TorqueMargin, TorqueRule};
use crate::physics::heat::Heat;
use crate::physics::load::ShaftLoad;
use crate::physics::torque::PullOut;
use crate::plan::AxisMotion;
use crate::rig::{Axis, DriveKind, Gearing, TravelUnit};
use crate::units::{Current, Rounded, Torque, Voltage, two_digits_down, two_digits_up};

/// Steps of a bisection, each of which halves the range: chosen, far past the two digits that
/// are shown.
const HALVINGS: usize = 40;
/// Reductions that gearings are commonly made with (common practice).
const REDUCTIONS: [f64; 10] = [1.5, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0, 20.0, 50.0, 100.0];
/// A share of the deceleration that is hardly a cure any more: chosen, as such a stop takes
/// fifty times as long.
pub(super) const GENTLEST: f64 = 0.02;
/// A supply beyond this many times the present one is not offered: chosen, as the switches
/// would have to change as well.
const MOST_SUPPLY: f64 = 4.0;

/// A motion that lacks torque, for which cures are tried.
pub(super) struct Failing<'a> {
    pub(super) axis: &'a Axis,
    pub(super) rule: TorqueRule<'a>,
    pub(super) motion: &'a AxisMotion,
    pub(super) instants: Vec<MotionInstant>,
    /// The required margin.
    pub(super) needed: f64,
}

/// The cures for a motion that asks for more torque than the margin leaves, in the
/// order in which a builder would try them.
pub(super) fn for_torque(
    axis: &Axis,
    load: &ShaftLoad,
    pull_out: &PullOut,
    tolerance: f64,
    motion: &AxisMotion,
) -> Vec<String> {
    let rule = TorqueRule::new(axis, load, pull_out, tolerance);
    let failing = Failing {
        axis,
        instants: rule.instants(motion).collect(),
        rule,
        motion,
        needed: axis.limits.torque_margin,
    };
    let mut cures = Vec::new();
    cures.extend(failing.reversed_gearing());
    cures.extend(failing.gentler());
    cures.extend(failing.stronger_current());
    cures.extend(failing.wider_converter());
    cures.extend(failing.higher_supply());
    if cures.is_empty() {
        cures.extend(failing.more_gearing());
        cures.extend(failing.named_torque());
    }
    cures
}

impl Failing<'_> {
    /// What to ask about a gearing that speeds the load up, where the load that the motor feels
    /// through it is why the motion fails: the other way round, the same turns of the motor or
    /// the same travel of the load would pass.
    fn reversed_gearing(&self) -> Option<String> {
        let doubt = self.axis.load.gearing.doubt()?;
        let reversed = self.axis.load.gearing.reversed();
        let more_turns = reversed.ratio() / self.axis.load.gearing.ratio();
        let passes = |turns| self.passes_behind(reversed, turns);
        (passes(1.0) || passes(more_turns)).then_some(doubt)
    }

    /// The least of some common reductions with which the same travel of the load passes.
    fn more_gearing(&self) -> Option<String> {
        let present = self.axis.load.gearing;
        let geared = |times: f64| Gearing {
            motor: times * present.motor,
            load: present.load,
        };
        let passes = |times: &f64| self.passes_behind(geared(*times), *times);
        let times = REDUCTIONS.into_iter().find(passes)?;
        Some(format!("gearing {present} → {}", geared(times)))
    }

    /// Whether the motion passes behind another gearing, the motor turning `turns` times as
    /// far and as fast.
    fn passes_behind(&self, gearing: Gearing, turns: f64) -> bool {
        let mut changed = self.axis.clone();
        changed.load.gearing = gearing;
        let (load, pull_out) = (ShaftLoad::of(&changed), PullOut::of(&changed));
        let mut rule = self.rule.on(&changed, &load, &pull_out);
        rule.microstep *= turns;
        rule.least(self.motion)
            .is_none_or(|margin| margin.least >= self.needed)
    }

    /// The torque that would be enough.
    fn named_torque(&self) -> Option<String> {
        let worst = self.rule.least(self.motion)?;
        Some(more_torque(self.axis, &worst, self.needed))
    }

    fn stronger_current(&self) -> Option<String> {
        let present = self.axis.drive.peak_current()?.si();
        // Peak = √2 · rated gives the catalogue holding torque at the rated copper loss.
        let most = std::f64::consts::SQRT_2 * self.axis.motor.rated_current.si();
        let with = |current: f64| {
            let mut changed = self.axis.clone();
            match &mut changed.drive.kind {
                DriveKind::LinearCurrent { peak_current, .. }
                | DriveKind::Chopper { peak_current, .. } => {
                    *peak_current = Current::new(current);
                }
                DriveKind::FixedVoltage { .. } => {}
            }
            self.passes_on(&changed)
        };
        let current = least_that_passes(present, most, with)?;
        Some(format!(
            "peak current {} → {} A",
            Rounded(present),
            Rounded(current)
        ))
    }

    /// A converter that reaches the peak current that the rig asks for.
    fn wider_converter(&self) -> Option<String> {
        let amplitude = self.axis.amplitude()?;
        let full_scale = amplitude.full_scale?;
        let mut changed = self.axis.clone();
        let converter = changed.drive.converter.as_mut()?;
        let present = converter.reference.si();
        let reference = two_digits_up(present * amplitude.asked / full_scale);
        converter.reference = Voltage::new(reference);
        let does = amplitude.beyond_converter() && self.passes_on(&changed);
        does.then(|| {
            format!(
                "converter reference {} → {} V",
                Rounded(present),
                Rounded(reference)
            )
        })
    }

    fn higher_supply(&self) -> Option<String> {
        let present = self.axis.drive.supply.si();
        let resistance = self.axis.loop_resistance();
        let most = match self.axis.drive.kind {
            // Nothing else keeps the current to what the motor is rated for.
            DriveKind::FixedVoltage { .. } => self.axis.motor.rated_current.si() * resistance,
            DriveKind::LinearCurrent { .. } | DriveKind::Chopper { .. } => MOST_SUPPLY * present,
        };
        let with = |supply: f64| {
            let mut changed = self.axis.clone();
            changed.drive.supply = Voltage::new(supply);
            self.passes_on(&changed)
        };
        let supply = least_that_passes(present, most, with)?;
        Some(format!(
            "supply {} → {} V",
            Rounded(present),
            Rounded(supply)
        ))
    }

    /// Whether the motion passes on an axis that was changed in its drive, and the motor
    /// stands the change.
    fn passes_on(&self, axis: &Axis) -> bool {
        let too_warm = |axis: &Axis| Heat::of(axis).windings.overload(None).is_some();
        // A measured curve belongs to the drive it was measured with.
        if axis.motor.pull_out.is_some() || (too_warm(axis) && !too_warm(self.axis)) {
            return false;
        }
        let pull_out = PullOut::of(axis);
        self.rule
            .on(axis, self.rule.load, &pull_out)
            .least(self.motion)
            .is_none_or(|margin| margin.least >= self.needed)
    }
}

/// How much torque would do at the instant where least is left.
pub(super) fn more_torque(axis: &Axis, worst: &TorqueMargin, needed: f64) -> String {
    let unit = TravelUnit::of(axis);
    format!(
        "a lighter load, or a motor and drive with {} or more of pull-out torque at {} {}/s",
        Torque::new(two_digits_up(worst.required / (1.0 - needed))),
        Rounded(axis.travel_speed(worst.at.omega) * unit.per_si),
        unit.name
    )
}

/// The least value above `present` and up to `most` that passes, rounded up.
fn least_that_passes(present: f64, most: f64, passes: impl Fn(f64) -> bool) -> Option<f64> {
    if most <= present || !passes(most) {
        return None;
    }
    let (mut bad, mut good) = (present, most);
    // Until there is only one rounded value between; each trial costs a pull-out curve.
    while two_digits_up(bad * (1.0 + 1e-9)) < two_digits_up(good) {
        let middle = 0.5 * (bad + good);
        if passes(middle) {
            good = middle
        } else {
            bad = middle
        }
    }
    let rounded = two_digits_up(good).min(most);
    passes(rounded).then_some(rounded)
}

/// To plan with a lower speed or acceleration: `asked` stands in the script (microsteps and
/// seconds), `value` is told (units of travel and seconds).
pub(super) fn lowered(axis: &Axis, word: &str, asked: f64, value: f64, per: &str) -> String {
    let unit = TravelUnit::of(axis);
    let asked = asked / axis.microsteps_per_travel() * unit.per_si;
    format!(
        "{word} {} → {} {}/{per}",
        Rounded(asked),
        Rounded(value),
        unit.name
    )
}

/// To plan the motion with a deceleration (microsteps/s²), of which two digits are told.
pub(super) fn lower_decel(axis: &Axis, motion: &AxisMotion, decel: f64) -> String {
    let decel = decel / axis.microsteps_per_travel() * TravelUnit::of(axis).per_si;
    let value = two_digits_down(decel);
    lowered(axis, "decel", motion.limits.decel, value, "s^2")
}

/// The highest value between a good `low` and a bad `high` that still passes.
pub(super) fn bisect(low: f64, high: f64, passes: impl Fn(f64) -> bool) -> Option<f64> {
    if !passes(low) {
        return None;
    }
    let (mut good, mut bad) = (low, high);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (good + bad);
        if passes(middle) {
            good = middle
        } else {
            bad = middle
        }
    }
    Some(good)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bisection_stops_at_the_edge() {
        let edge = bisect(0.0, 10.0, |x| x <= 3.25).unwrap();
        approx::assert_relative_eq!(edge, 3.25, max_relative = 1e-9);
        assert_eq!(bisect(5.0, 10.0, |x| x <= 3.25), None);
        assert_eq!(least_that_passes(1.0, 2.0, |x| x >= 1.31), Some(1.4));
        assert_eq!(least_that_passes(1.0, 1.2, |x| x >= 1.31), None);
    }
}
