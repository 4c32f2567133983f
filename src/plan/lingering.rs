//! Speeds that linger in a critical band without cruising there.
//!
//! A move too short to cruise can still turn its speed over inside a band, and there it
//! stays longest: near its peak the speed hardly changes. What matters is how long the
//! steps strike the rotor there. In a scan with the simulator (half steps, bands from
//! 48 to 65 full steps/s, natural frequency 121 Hz; peaks from 50 to 90 full steps/s
//! at accelerations from 40 to 2560 full steps/s²) no peak that stayed in the band for
//! less than 3.3 periods of the natural frequency lost a step, and most that stayed for
//! more did. A swing cannot build up within one period, so that is what a peak may take
//! ([`Bands::patience`]); one that takes longer is lowered to the band's lower edge.
//!
//! A band that is crossed from edge to edge is left alone, since the limits are the
//! script's, but a slow crossing is told of: in the same scan none within three periods
//! lost a step, and of those that took six or more some did.

use std::ops::Range;

use crate::plan::Segment;
use crate::plan::bands::Bands;
use crate::plan::leg::Leg;
use crate::plan::profile::Profile;
use crate::plan::root::rising_root;

/// Speeds that rise into a band, linger there and fall out of it again.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Lingering {
    /// The legs on which they do.
    pub(crate) legs: Range<usize>,
    /// The highest of them (microsteps/s).
    pub(crate) peak: f64,
    /// The band's lower edge (microsteps/s).
    pub(crate) edge: f64,
}

/// The first such stretch of a path.
pub(crate) fn lingering(legs: &[Leg], profiles: &[Profile]) -> Option<Lingering> {
    for (leg, own) in legs.iter().zip(profiles) {
        for &(edge, upper) in leg.bands.ranges() {
            if own.peak <= edge || own.peak >= upper {
                continue;
            }
            let found = stretches(profiles, edge).into_iter().find(|stretch| {
                stretch.peak < upper && stretch.time > leg.bands.patience() && !stretch.cruises
            });
            if let Some(Stretch { legs, peak, .. }) = found {
                return Some(Lingering { legs, peak, edge });
            }
        }
    }
    None
}

/// Periods of the natural frequency that a crossing may take: chosen.
const CROSSING_PERIODS: f64 = 3.0;

/// A band that is crossed too slowly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct SlowCrossing {
    /// Its edges (microsteps/s).
    pub band: (f64, f64),
    /// How long one crossing takes (s).
    pub time: f64,
}

/// The bands that a path crosses too slowly, by their speeds.
pub(crate) fn slow_crossings(bands: &Bands, segments: &[Segment]) -> Vec<SlowCrossing> {
    let crossings = bands.ranges().iter().map(|&band| SlowCrossing {
        band,
        time: longest_crossing(segments, band),
    });
    let allowed = CROSSING_PERIODS * bands.patience();
    crossings.filter(|slow| slow.time > allowed).collect()
}

/// How long it takes at most to go through a band from one edge to the other (s).
fn longest_crossing(segments: &[Segment], (lower, upper): (f64, f64)) -> f64 {
    let mut longest = 0.0_f64;
    // The side from which the band was entered, and how long ago.
    let mut inside: Option<(bool, f64)> = None;
    for segment in segments {
        let ends = [0.0, segment.duration].map(|t| segment.velocity_at(t));
        let time = time_above(segment, ends, lower) - time_above(segment, ends, upper);
        if time <= 0.0 {
            inside = None;
            continue;
        }
        let (from_below, before) = inside.unwrap_or((ends[0] <= lower, 0.0));
        let so_far = before + time;
        inside = Some((from_below, so_far));
        let left_above = ends[1] >= upper;
        if left_above || ends[1] <= lower {
            if left_above == from_below {
                longest = longest.max(so_far);
            }
            inside = None;
        }
    }
    longest
}

/// A stretch of a path with speeds above some speed.
struct Stretch {
    legs: Range<usize>,
    time: f64,
    peak: f64,
    cruises: bool,
}

/// The stretches of a path in which the speed is above `edge`, in order.
fn stretches(profiles: &[Profile], edge: f64) -> Vec<Stretch> {
    let mut list: Vec<Stretch> = Vec::new();
    let mut inside = false;
    for (leg, profile) in profiles.iter().enumerate() {
        for segment in &profile.segments {
            let ends = [0.0, segment.duration].map(|t| segment.velocity_at(t));
            let time = time_above(segment, ends, edge);
            if time <= 0.0 {
                inside = false;
                continue;
            }
            if !inside {
                list.push(Stretch {
                    legs: leg..leg,
                    time: 0.0,
                    peak: 0.0,
                    cruises: false,
                });
            }
            if let Some(stretch) = list.last_mut() {
                stretch.legs.end = leg + 1;
                stretch.time += time;
                stretch.peak = stretch.peak.max(ends[0]).max(ends[1]);
                stretch.cruises |= segment.acceleration == 0.0 && segment.jerk == 0.0;
            }
            inside = ends[1] > edge;
        }
    }
    list
}

/// How long a segment, in which the speed only rises or only falls, is above `edge` (s).
fn time_above(segment: &Segment, [begins, ends]: [f64; 2], edge: f64) -> f64 {
    let duration = segment.duration;
    let passes = |sign: f64| rising_root(0.0, duration, |t| sign * (segment.velocity_at(t) - edge));
    match (begins > edge, ends > edge) {
        (true, true) => duration,
        (false, false) => 0.0,
        (false, true) => duration - passes(1.0),
        (true, false) => passes(-1.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn a_ramp_is_above_a_speed_for_what_is_left_of_it() {
        let ramp = Segment {
            duration: 10.0,
            velocity: 5.0,
            acceleration: 2.0,
            ..Segment::default()
        };
        let above = |edge| time_above(&ramp, [5.0, 25.0], edge);
        assert_relative_eq!(above(15.0), 5.0, max_relative = 1e-12);
        assert_eq!(above(25.0), 0.0);
        assert_eq!(above(4.0), 10.0);
        let fall = Segment {
            velocity: 25.0,
            acceleration: -2.0,
            ..ramp
        };
        let crossing = |band| longest_crossing(&[ramp, fall], band);
        assert_relative_eq!(crossing((10.0, 20.0)), 5.0, max_relative = 1e-12);
        // Neither a peak inside nor a start inside is a crossing.
        assert_eq!(crossing((10.0, 25.5)), 0.0);
        assert_eq!(crossing((4.0, 20.0)), 0.0);
        assert_relative_eq!(
            time_above(&fall, [25.0, 5.0], 15.0),
            5.0,
            max_relative = 1e-12
        );
    }
}
