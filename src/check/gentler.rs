//! With which lower speed, or which less steep ramps, a move has the torque that it lacks.
//!
//! Both are judged on the instants of the motion as planned, which a slower plan over the same
//! distance never exceeds.

use super::cure::{Failing, GENTLEST, bisect, lowered};
use super::torque::MotionInstant;
use crate::rig::TravelUnit;
use crate::units::two_digits_down;

/// Speeds that are looked at.
const GRID: usize = 200;
/// Ramps stay as steep as they are where that leaves this share of the speed at which gentle ones
/// hold: chosen.
const FAST_ENOUGH: f64 = 0.5;

/// A ramp that has to be less steep.
struct GentlerRamp {
    word: &'static str,
    /// What the script asks for, and what holds (microsteps/s², units of travel/s²).
    asked: f64,
    value: f64,
    /// The share of the planned acceleration that holds.
    share: f64,
}

impl Failing<'_> {
    /// What to change in the script. The speed stays as it is where ramps that are worth the
    /// name hold up to it.
    pub(super) fn gentler(&self) -> Option<String> {
        let asked = self.most(|at| at.omega);
        let as_fast = self.ramps(asked);
        let worth = |ramps: &Vec<GentlerRamp>| ramps.iter().all(|ramp| ramp.share >= GENTLEST);
        let (top, ramps) = if as_fast.as_ref().is_some_and(worth) {
            (asked, as_fast?)
        } else {
            let slower = self.lower_speed(asked);
            let slower = slower.and_then(|top| Some((top, self.ramps(top)?)));
            slower.or(as_fast.map(|ramps| (asked, ramps)))?
        };
        let mut parts = Vec::new();
        if top < asked {
            let speed = top * self.to_load();
            let planned = self.motion.limits.speed;
            parts.push(lowered(self.axis, "speed", planned, speed, "s"));
        }
        let ramps = ramps.iter();
        parts
            .extend(ramps.map(|ramp| lowered(self.axis, ramp.word, ramp.asked, ramp.value, "s^2")));
        (!parts.is_empty()).then(|| parts.join(" with "))
    }

    /// From the motor's shaft, on a clock that runs fast, to the load's travel.
    fn to_load(&self) -> f64 {
        let per_travel = self.axis.microstep_angle() * self.axis.microsteps_per_travel();
        TravelUnit::of(self.axis).per_si / (self.rule.clock * per_travel)
    }

    fn passes(&self, at: MotionInstant) -> bool {
        self.rule.margin(at, self.motion.direction).least >= self.needed
    }

    /// The most of something along the motion.
    fn most(&self, what: impl Fn(&MotionInstant) -> f64) -> f64 {
        self.instants.iter().map(what).fold(0.0, f64::max)
    }

    /// The ramps that have to be less steep where the motion is no faster than `top`; none where
    /// it lacks the torque to turn at all.
    fn ramps(&self, top: f64) -> Option<Vec<GentlerRamp>> {
        let capped = |at: &MotionInstant| MotionInstant {
            omega: at.omega.min(top),
            ..*at
        };
        let steady = |at| self.passes(MotionInstant { alpha: 0.0, ..at });
        if !self.instants.iter().map(capped).all(steady) {
            return None;
        }
        let mut ramps = Vec::new();
        for (word, asked, sign) in [
            ("accel", self.motion.limits.accel, 1.0),
            ("decel", self.motion.limits.decel, -1.0),
        ] {
            let on_ramp = self.instants.iter().filter(|at| at.alpha * sign > 0.0);
            let ramp: Vec<MotionInstant> = on_ramp.map(capped).collect();
            if ramp.iter().all(|at| self.passes(*at)) {
                continue;
            }
            let steepest = self.most(|at| at.alpha * sign);
            let holds = |most: f64| {
                ramp.iter().all(|at| {
                    let alpha = sign * at.alpha.abs().min(most);
                    self.passes(MotionInstant { alpha, ..*at })
                })
            };
            let found = bisect(0.0, steepest, holds)?;
            let to_unit = self.to_load() / self.rule.clock;
            let value = two_digits_down(found * to_unit);
            if value <= 0.0 || !holds(value / to_unit) {
                return None;
            }
            ramps.push(GentlerRamp {
                word,
                asked,
                value,
                share: found / steepest,
            });
        }
        Some(ramps)
    }

    /// The speed to which a motion that plans `asked` has to come down, in two digits: the highest
    /// at which its own ramps hold, or gentle ones where that is much more.
    fn lower_speed(&self, asked: f64) -> Option<f64> {
        let gentle = self.highest_speed(asked, GENTLEST);
        let gentle = gentle.or_else(|| self.highest_speed(asked, 0.0))?;
        let top = self
            .highest_speed(asked, 1.0)
            .filter(|top| *top >= FAST_ENOUGH * gentle)
            .unwrap_or(gentle);
        let speed = two_digits_down(top * self.to_load());
        (speed > 0.0).then_some(speed / self.to_load())
    }

    /// The highest speed below `asked` at which steady turning, and ramps of such a share of what
    /// is planned up to it, leave the margin.
    fn highest_speed(&self, asked: f64, share: f64) -> Option<f64> {
        let [up, down] = [1.0, -1.0].map(|sign| sign * self.most(|at| at.alpha * sign));
        let holds = |omega: f64| {
            [0.0, share * up, share * down].into_iter().all(|alpha| {
                let time = 0.0;
                self.passes(MotionInstant { time, omega, alpha })
            })
        };
        let grid = |point: usize| asked * point as f64 / GRID as f64;
        let first_bad = (0..=GRID).find(|point| !holds(grid(*point)))?;
        let below = first_bad.checked_sub(1)?;
        bisect(grid(below), grid(first_bad), holds).filter(|omega| *omega > 0.0)
    }
}
