//! How each axis gains and loses speed, and the speeds that it keeps out of: the legs that
//! motions are planned on. What the motor model has to work out for that is kept.

use std::collections::HashMap;
use std::sync::Arc;

use crate::physics::Machine;
use crate::physics::band::Band;
use crate::physics::stability;
use crate::plan::Direction;
use crate::plan::abilities::{Abilities, ranges};
use crate::plan::bands::Bands;
use crate::plan::full_torque::TorqueRamp;
use crate::plan::job::{AxisJob, JobKey};
use crate::plan::leg::Leg;
use crate::plan::position::TravelScale;
use crate::plan::profile::Ramp;
use crate::plan::s_curve::LimitedJerk;
use crate::plan::trapezoid::ConstantAcceleration;
use crate::plan::unplannable::Unplannable;
use crate::rig::{Axis, Rig};

/// How many pairs of torque-following ramps are remembered: chosen, to bound the memory.
const TORQUE_RAMPS: usize = 256;

/// The ways to gain and to lose speed of all axes.
#[derive(Debug)]
pub(crate) struct Ramps<'rig> {
    rig: &'rig Rig,
    /// Microsteps of a full step of each axis.
    full_steps: Vec<f64>,
    /// Critical speeds of each axis, once they are known.
    bands: Vec<Option<Vec<Band>>>,
    /// Period of each axis's natural frequency (s).
    periods: Vec<f64>,
    abilities: Vec<Option<Arc<Abilities>>>,
    torque_ramps: HashMap<JobKey, [Arc<dyn Ramp>; 2]>,
}

impl<'rig> Ramps<'rig> {
    pub(crate) fn new(rig: &'rig Rig) -> Self {
        let axes = rig.axes.len();
        let full_step = |axis: &Axis| TravelScale::new(axis).full_step();
        Self {
            rig,
            full_steps: rig.axes.iter().map(full_step).collect(),
            bands: vec![None; axes],
            periods: rig.axes.iter().map(natural_period).collect(),
            abilities: vec![None; axes],
            torque_ramps: HashMap::new(),
        }
    }

    /// Keeps out of these bands of each axis, instead of those that follow from the rig.
    pub(crate) fn keep_out_of(&mut self, bands: Vec<Vec<Band>>) {
        self.bands = bands.into_iter().map(Some).collect();
        self.bands.resize(self.rig.axes.len(), Some(Vec::new()));
    }

    /// Microsteps of a full step.
    pub(crate) fn full_step(&self, axis: usize) -> f64 {
        self.full_steps[axis]
    }

    /// Period of the natural frequency (s).
    pub(crate) fn period(&self, axis: usize) -> f64 {
        self.periods[axis]
    }

    /// The leg of a path along which the job's axis does all of its steps.
    pub(crate) fn leg(&mut self, job: &AxisJob) -> Result<Leg, Unplannable> {
        let limits = &job.limits;
        let [up, down] = self.ramps(job)?;
        Ok(Leg {
            distance: job.steps.unsigned_abs() as f64,
            speed: limits.speed,
            up,
            down,
            bands: self.avoided(job, 1.0),
        })
    }

    /// The legs of jobs that are done one after the other.
    pub(crate) fn legs(&mut self, jobs: &[AxisJob]) -> Result<Vec<Leg>, Unplannable> {
        jobs.iter().map(|job| self.leg(job)).collect()
    }

    /// The bands that the job keeps out of, on a path along which its axis makes `share`
    /// of the microsteps.
    pub(crate) fn avoided(&mut self, job: &AxisJob, share: f64) -> Bands {
        if job.bands_allowed {
            return Bands::default();
        }
        let axis = &self.rig.axes[job.axis];
        let known = self.bands[job.axis].get_or_insert_with(|| kept_out_of(axis));
        let microsteps = self.full_steps[job.axis] / share;
        Bands::new(ranges(known, microsteps), self.periods[job.axis])
    }

    /// The path that keeps every axis's limits, and the speed that it begins at.
    pub(crate) fn line_leg(
        &mut self,
        jobs: &[AxisJob],
        shares: &[f64],
        distance: f64,
    ) -> Result<(Leg, f64), Unplannable> {
        let strictest = |of: fn(&AxisJob) -> f64| {
            jobs.iter()
                .zip(shares)
                .map(|(job, share)| of(job) / share)
                .fold(f64::INFINITY, f64::min)
        };
        let speed = strictest(|job| job.limits.speed);
        let caps = [
            strictest(|job| job.limits.accel),
            strictest(|job| job.limits.decel),
        ];
        let jerk = strictest(|job| job.limits.jerk.unwrap_or(f64::INFINITY));
        let jerk = jerk.is_finite().then_some(jerk);
        let [up, down] = if jobs.iter().any(|job| job.shape.follows_torque()) {
            self.line_torque_ramps(jobs, shares, speed, caps, jerk)?
        } else {
            caps.map(|acceleration| -> Arc<dyn Ramp> {
                match jerk {
                    None => Arc::new(ConstantAcceleration(acceleration)),
                    Some(jerk) => Arc::new(LimitedJerk { acceleration, jerk }),
                }
            })
        };
        let mut bands = Vec::new();
        let mut patience = f64::INFINITY;
        for (job, &share) in jobs.iter().zip(shares) {
            let own = self.avoided(job, share);
            bands.extend_from_slice(own.ranges());
            patience = patience.min(own.patience());
        }
        let leg = Leg {
            distance,
            speed,
            up,
            down,
            bands: Bands::new(bands, patience),
        };
        Ok((leg, strictest(|job| job.limits.start)))
    }

    /// The ways to gain and to lose speed that the job's limits allow.
    fn ramps(&mut self, job: &AxisJob) -> Result<[Arc<dyn Ramp>; 2], Unplannable> {
        let limits = job.limits;
        let plain = |acceleration: f64| -> Arc<dyn Ramp> {
            match limits.jerk {
                None => Arc::new(ConstantAcceleration(acceleration)),
                Some(jerk) => Arc::new(LimitedJerk { acceleration, jerk }),
            }
        };
        if !job.shape.follows_torque() {
            return Ok([plain(limits.accel), plain(limits.decel)]);
        }
        let direction = Direction::of(job.steps);
        // All that matters for the ramps: distances and bands do not.
        let key = JobKey::of(&AxisJob {
            steps: direction.sign(),
            bands_allowed: false,
            ..*job
        });
        if let Some(known) = self.torque_ramps.get(&key) {
            return Ok(known.clone());
        }
        let abilities = self.abilities(job.axis);
        let top = abilities.top(limits.speed, direction);
        let caps = [limits.accel, limits.decel];
        let ramps = torque_ramps(top, limits.jerk, |speed, which| {
            abilities.at(speed, direction)[which].min(caps[which])
        })
        .ok_or(Unplannable::Weak { axis: job.axis })?;
        if self.torque_ramps.len() == TORQUE_RAMPS {
            self.torque_ramps.clear();
        }
        self.torque_ramps.insert(key, ramps.clone());
        Ok(ramps)
    }

    fn line_torque_ramps(
        &mut self,
        jobs: &[AxisJob],
        shares: &[f64],
        speed: f64,
        caps: [f64; 2],
        jerk: Option<f64>,
    ) -> Result<[Arc<dyn Ramp>; 2], Unplannable> {
        let mut axes = Vec::with_capacity(jobs.len());
        let mut top = speed;
        for (job, &share) in jobs.iter().zip(shares) {
            let abilities = self.abilities(job.axis);
            let direction = Direction::of(job.steps);
            let own = abilities.top(speed * share, direction);
            if own <= 0.0 {
                return Err(Unplannable::Weak { axis: job.axis });
            }
            top = top.min(own / share);
            axes.push((abilities, direction, share));
        }
        torque_ramps(top, jerk, |speed, which| {
            axes.iter()
                .map(|(abilities, direction, share)| {
                    abilities.at(speed * share, *direction)[which] / share
                })
                .fold(caps[which], f64::min)
        })
        .ok_or(Unplannable::Weak { axis: jobs[0].axis })
    }

    /// What the axis can do against its load.
    pub(crate) fn abilities(&mut self, axis: usize) -> Arc<Abilities> {
        let tolerance = self.rig.timer.tolerance;
        let of = &self.rig.axes[axis];
        Arc::clone(
            self.abilities[axis].get_or_insert_with(|| Arc::new(Abilities::of(of, tolerance))),
        )
    }
}

/// Ramps up and down below what `able(speed, 0 or 1)` allows; none where that is
/// nothing at rest.
fn torque_ramps(
    top: f64,
    jerk: Option<f64>,
    able: impl Fn(f64, usize) -> f64,
) -> Option<[Arc<dyn Ramp>; 2]> {
    let ramp = |which: usize| -> Option<Arc<dyn Ramp>> {
        Some(Arc::new(TorqueRamp::below(
            &|speed| able(speed, which),
            top,
            jerk,
        )?))
    };
    Some([ramp(0)?, ramp(1)?])
}

/// The period of an axis's natural frequency (s).
fn natural_period(axis: &Axis) -> f64 {
    std::f64::consts::TAU / Machine::of(axis).natural_frequency()
}

/// The critical speeds of an axis, with some clearance.
fn kept_out_of(axis: &Axis) -> Vec<Band> {
    let bands = stability::bands(axis);
    bands.iter().map(Band::with_clearance).collect()
}
