//! Which critical speeds a motion passes through, for how long, and how far a swing grows there.
//!
//! In an unstable band a small swing grows as e^G, with σ the real part of the slowest eigenvalue
//! of the machine linearised about the speed and the torque of each instant
//! ([`linear`](crate::physics::linear); a drive that regulates its current is taken on the
//! square wave of its supply, as it runs out of voltage there):
//!
//! ```text
//! G = max over the stretches of the motion inside the band of ∫ σ(ω(t), M(t)) dt
//! ```
//!
//! so that a fast ramp crosses a band unharmed which a slow one does not.

use super::ability::AxisAbility;
use super::torque::{LONG_LIST, MotionInstant, TorqueRule};
use crate::physics::band::{Band, BandKind};
use crate::physics::linear::voltage_swing;
use crate::physics::machine::Machine;
use crate::plan::{AxisMotion, Segment};
use crate::rig::Axis;

/// Halvings that find when a segment passes a speed: its duration over 2⁵².
const HALVINGS: usize = 52;

/// Parts of a ramp over which the growth is summed: chosen, as it changes slowly with the speed.
const POINTS: u32 = 48;
/// The same of a segment of a long list.
const POINTS_IN_SHORT: u32 = 3;

/// A motion's time in a band.
#[derive(Debug, Clone, PartialEq)]
pub struct Crossing {
    /// Which band.
    pub band: Band,
    /// Time inside it (s).
    pub time: f64,
    /// Whether the motion cruises inside it.
    pub cruises: bool,
    /// Whether it cruises where there is a band with the typical damping too, not only with
    /// the least that is likely.
    pub likely: bool,
    /// Logarithm of how many times a small swing grows inside an unstable band, with the
    /// typical damping; zero in a band of another kind.
    pub growth: f64,
}

/// The bands that a motion of `axis` enters, with the time spent inside. Speeds are taken as
/// fast as the clock of `rule` may run.
pub(super) fn crossings(
    motion: &AxisMotion,
    axis: &Axis,
    ability: &AxisAbility,
    rule: &TorqueRule<'_>,
) -> Vec<Crossing> {
    let scale = rule.clock / f64::from(axis.drive.microsteps());
    let mut found = Vec::new();
    for band in &ability.bands {
        let typical = |rate: f64| {
            let of_kind = |other: &&Band| other.kind == band.kind;
            let mut bands = ability.typical_bands.iter().filter(of_kind);
            bands.any(|other| other.contains(rate))
        };
        let low = band.from_step_rate_hz / scale;
        let high = band.to_step_rate_hz.map_or(f64::INFINITY, |to| to / scale);
        let mut crossing = Crossing {
            band: band.clone(),
            time: 0.0,
            cruises: false,
            likely: false,
            growth: 0.0,
        };
        for segment in &motion.segments {
            let inside = time_between(segment, low, high);
            crossing.time += inside;
            let steady = segment.acceleration == 0.0 && segment.jerk == 0.0;
            let cruises = steady && inside > 0.0;
            crossing.cruises |= cruises;
            crossing.likely |= cruises && typical(segment.velocity * scale);
        }
        if crossing.time > 0.0 {
            crossing.growth = match band.kind {
                BandKind::Unstable => growth(motion, axis, band, rule),
                BandKind::Forced => 0.0,
            };
            found.push(crossing);
        }
    }
    found
}

/// How far a swing grows along the motion inside `band`, as a logarithm.
fn growth(motion: &AxisMotion, axis: &Axis, band: &Band, rule: &TorqueRule<'_>) -> f64 {
    let machine = Machine::with_typical_damping(axis);
    let voltage = machine.feed.fundamental_voltage();
    let rate =
        |at: &MotionInstant| at.omega / (rule.microstep * f64::from(axis.drive.microsteps()));
    let sigma = |at: &MotionInstant| {
        let load = rule.load;
        let torque = load.required_torque(at.omega, at.alpha, motion.direction);
        let inside = band.contains(rate(at));
        // Beyond the pull-out torque there is no steady motion; the torque is judged elsewhere.
        let swing = inside.then(|| voltage_swing(&machine, voltage, at.omega, torque));
        swing.flatten().map(|swing| swing.growth())
    };
    let (mut grown, mut most) = (0.0_f64, 0.0_f64);
    for segment in &motion.segments {
        let steady = segment.acceleration == 0.0 && segment.jerk == 0.0;
        let points = match steady {
            true => 1,
            false if motion.segments.len() > LONG_LIST => POINTS_IN_SHORT,
            false => POINTS,
        };
        let part = segment.duration / f64::from(points);
        for point in 0..points {
            let middle = (f64::from(point) + 0.5) * part;
            match sigma(&rule.instant(segment, 0.0, middle)) {
                Some(sigma) => grown = (grown + sigma * part).max(0.0),
                None => grown = 0.0,
            }
            most = most.max(grown);
        }
    }
    most
}

/// How long the segment's speed lies strictly between two values (s).
fn time_between(segment: &Segment, low: f64, high: f64) -> f64 {
    let turn = -segment.acceleration / segment.jerk;
    let cut = if turn > 0.0 && turn < segment.duration {
        turn
    } else {
        segment.duration
    };
    stretch(segment, 0.0, cut, low, high) + stretch(segment, cut, segment.duration, low, high)
}

/// The same for a part of the segment in which the speed only rises or only falls.
fn stretch(segment: &Segment, from: f64, to: f64, low: f64, high: f64) -> f64 {
    let (begins, ends) = (segment.velocity_at(from), segment.velocity_at(to));
    let (least, most) = (begins.min(ends), begins.max(ends));
    if to <= from || most <= low || least >= high {
        return 0.0;
    }
    let when = |speed: f64| {
        let (mut before, mut after) = (from, to);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (before + after);
            if (segment.velocity_at(middle) < speed) == (begins < speed) {
                before = middle;
            } else {
                after = middle;
            }
        }
        before
    };
    let at_low = if least < low {
        when(low)
    } else if begins <= ends {
        from
    } else {
        to
    };
    let at_high = if most > high {
        when(high)
    } else if begins <= ends {
        to
    } else {
        from
    };
    if begins == ends {
        to - from
    } else {
        (at_high - at_low).abs()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn a_ramp_spends_the_width_of_a_band_over_its_acceleration_inside() {
        let ramp = Segment {
            duration: 10.0,
            acceleration: 5.0,
            ..Segment::default()
        };
        assert_relative_eq!(time_between(&ramp, 10.0, 20.0), 2.0, max_relative = 1e-12);
        assert_relative_eq!(
            time_between(&ramp, 45.0, f64::INFINITY),
            1.0,
            max_relative = 1e-12
        );
        let falling = Segment {
            velocity: 50.0,
            acceleration: -5.0,
            ..ramp
        };
        assert_relative_eq!(
            time_between(&falling, 10.0, 20.0),
            2.0,
            max_relative = 1e-12
        );
        let steady = Segment {
            velocity: 15.0,
            acceleration: 0.0,
            ..ramp
        };
        assert_relative_eq!(time_between(&steady, 10.0, 20.0), 10.0);
        assert_eq!(time_between(&steady, 15.0, 20.0), 0.0);
    }

    #[test]
    fn a_speed_that_turns_inside_a_segment_counts_both_sides() {
        // v = 10 t − t²: above 9 between t = 1 and t = 9 … above 24 between 4 and 6.
        let hump = Segment {
            duration: 10.0,
            acceleration: 10.0,
            jerk: -2.0,
            ..Segment::default()
        };
        assert_relative_eq!(time_between(&hump, 24.0, 100.0), 2.0, max_relative = 1e-9);
        assert_relative_eq!(time_between(&hump, 9.0, 24.0), 6.0, max_relative = 1e-9);
    }
}
