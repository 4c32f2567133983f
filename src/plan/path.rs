//! A path: legs that are travelled one after the other without stopping between them.
//!
//! A plain move is a path of one leg. Where legs meet, the speed is the highest that
//! both allow and from which the legs behind and ahead can still be travelled: a pass
//! from the start finds what can be reached, a pass from the end what can still be
//! slowed down from. Legs with the same limits are one leg, so that an acceleration goes
//! on across their targets, and so are legs that differ only in speed limits which none
//! of them can reach. Where limits differ and the jerk is limited, the joint is passed
//! without acceleration.

use std::sync::Arc;

use crate::plan::Segment;
use crate::plan::bands::{Bands, CRAWL};
use crate::plan::leg::Leg;
use crate::plan::lingering::{Lingering, SlowCrossing, lingering, slow_crossings};
use crate::plan::profile::{Impossible, Profile, Ramp, Task, fastest};
use crate::plan::timed::in_time;
use crate::plan::trapezoid::ConstantAcceleration;

/// A path that has been planned.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Driven {
    /// The segments from its start to its end.
    pub segments: Vec<Segment>,
    /// From start to end (s).
    pub duration: f64,
    /// What was done about cruise speeds in critical bands.
    pub avoided: Vec<Avoided>,
    /// How much longer it takes for that (s).
    pub cost: f64,
    /// Bands that it crosses so slowly that a swing can build up.
    pub slow_crossings: Vec<SlowCrossing>,
}

/// A cruise or peak speed (microsteps/s) that lay in a critical band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Avoided {
    /// Where it was.
    pub from: f64,
    /// Where it went; none where it had to stay.
    pub to: Option<f64>,
    /// Whether it was only touched, as the peak of a move too short to cruise.
    pub peak: bool,
}

/// Plans the legs, from the first and to the second of the speeds `ends` where the legs
/// allow them, in exactly `time` seconds if that is given (for a single leg).
///
/// # Errors
/// [`Impossible::TooSoon`] where the time is too short.
pub(crate) fn drive(legs: &[Leg], ends: [f64; 2], time: Option<f64>) -> Result<Driven, Impossible> {
    if let ([leg], Some(time)) = (legs, time) {
        return drive_in_time(leg, ends, time);
    }
    let mut legs = legs.to_vec();
    let mut avoided: Vec<Avoided> = Vec::new();
    let mut asked = None;
    loop {
        let profiles = chain(&legs, ends)?;
        let duration = profiles.iter().map(|profile| profile.duration).sum();
        let first = *asked.get_or_insert(duration);
        let mut settled = true;
        for (leg, profile) in legs.iter_mut().zip(&profiles) {
            if profile.cruise <= 0.0 || leg.bands.around(profile.peak).is_none() {
                continue;
            }
            let to = leg.bands.below(profile.peak);
            avoided.push(Avoided {
                from: profile.peak,
                to,
                peak: false,
            });
            match to {
                Some(edge) => leg.speed = edge,
                None => leg.bands = Bands::default(),
            }
            settled = false;
        }
        if settled && let Some(found) = lingering(&legs, &profiles) {
            avoided.push(lowered(&mut legs, &found));
            settled = false;
        }
        if settled {
            let segments = joined(&legs, profiles);
            // Where legs have bands of their own, those of the first are looked at: one
            // axis has the same everywhere.
            let bands = &legs[0].bands;
            return Ok(Driven {
                slow_crossings: slow_crossings(bands, &segments),
                segments,
                duration,
                avoided,
                cost: duration - first,
            });
        }
    }
}

/// Lowers the legs of a path on which its speed lingers in a band, unless they would
/// crawl.
fn lowered(legs: &mut [Leg], found: &Lingering) -> Avoided {
    let to = (found.edge > CRAWL * found.peak).then_some(found.edge);
    for leg in &mut legs[found.legs.clone()] {
        match to {
            Some(edge) => leg.speed = leg.speed.min(edge),
            None => leg.bands = Bands::default(),
        }
    }
    Avoided {
        from: found.peak,
        to,
        peak: true,
    }
}

/// Speeds that the legs cannot exceed, whatever their speed limits: what their steepest
/// accelerations, held throughout, would lead to.
pub(crate) fn ceilings(legs: &[Leg], ends: [f64; 2]) -> Vec<f64> {
    let steep =
        |ramp: &dyn Ramp| -> Arc<dyn Ramp> { Arc::new(ConstantAcceleration(ramp.steepest())) };
    let bold: Vec<Leg> = legs
        .iter()
        .map(|leg| Leg {
            up: steep(&*leg.up),
            down: steep(&*leg.down),
            ..leg.clone()
        })
        .collect();
    match chain(&bold, ends) {
        Ok(profiles) => profiles.iter().map(|profile| profile.peak).collect(),
        Err(_) => legs.iter().map(|leg| leg.speed).collect(),
    }
}

fn drive_in_time(leg: &Leg, ends: [f64; 2], time: f64) -> Result<Driven, Impossible> {
    let task = Task {
        distance: leg.distance,
        start: ends[0].min(leg.speed),
        end: ends[1].min(leg.speed),
        speed: leg.speed,
    };
    let (profile, moved) = in_time(task, time, &*leg.up, &*leg.down, &leg.bands)?;
    let stays = profile.cruise > 0.0 && leg.bands.around(profile.peak).is_some();
    let avoided = match moved {
        Some(from) => Some(Avoided {
            from,
            to: Some(profile.peak),
            peak: false,
        }),
        None => stays.then_some(Avoided {
            from: profile.peak,
            to: None,
            peak: false,
        }),
    };
    Ok(Driven {
        duration: profile.duration,
        slow_crossings: slow_crossings(&leg.bands, &profile.segments),
        segments: profile.segments,
        avoided: avoided.into_iter().collect(),
        cost: 0.0,
    })
}

/// The profiles of the legs at the highest speeds that fit where they meet.
fn chain(legs: &[Leg], ends: [f64; 2]) -> Result<Vec<Profile>, Impossible> {
    let mut joints = joints(legs, ends);
    // The passes above leave every leg possible; should rounding or a torque curve with
    // a gap break one, slower joints always help, and at rest every leg is possible.
    for _ in 0..64 {
        let profiles: Result<Vec<Profile>, Impossible> = legs
            .iter()
            .zip(joints.windows(2))
            .map(|(leg, ends)| {
                let task = Task {
                    distance: leg.distance,
                    start: ends[0],
                    end: ends[1],
                    speed: leg.speed,
                };
                fastest(task, &*leg.up, &*leg.down)
            })
            .collect();
        match profiles {
            Err(Impossible::TooShort) => {
                for joint in &mut joints {
                    *joint *= 0.7;
                }
            }
            done => return done,
        }
    }
    Err(Impossible::TooShort)
}

/// The speeds at the start, between the legs and at the end.
fn joints(legs: &[Leg], ends: [f64; 2]) -> Vec<f64> {
    let top = |leg: &Leg| leg.speed.min(leg.up.top()).min(leg.down.top());
    let mut joints = vec![ends[0].min(top(&legs[0]))];
    for (at, leg) in legs.iter().enumerate() {
        let allowed = match legs.get(at + 1) {
            Some(next) => top(leg).min(top(next)),
            None => ends[1].min(top(leg)),
        };
        joints.push(if joints[at] >= allowed {
            allowed
        } else {
            leg.up.reach(joints[at], leg.distance, allowed)
        });
    }
    for (at, leg) in legs.iter().enumerate().rev() {
        if joints[at] > joints[at + 1] {
            let ceiling = joints[at];
            joints[at] = leg.down.reach(joints[at + 1], leg.distance, ceiling);
        }
    }
    joints
}

/// The segments of all legs, on one clock and from one start.
fn joined(legs: &[Leg], profiles: Vec<Profile>) -> Vec<Segment> {
    let mut start = 0.0;
    let mut segments = Vec::new();
    for (leg, profile) in legs.iter().zip(profiles) {
        segments.extend(profile.segments.into_iter().map(|segment| Segment {
            position: start + segment.position,
            ..segment
        }));
        start += leg.distance;
    }
    segments
}
