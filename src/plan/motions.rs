//! From jobs to motions: a move of one axis, several axes on one line, several moves of
//! one axis without a stop.

use std::sync::Arc;

use crate::plan::cache::Cache;
use crate::plan::following::{Following, Gentle, Trial};
use crate::plan::job::{AxisJob, Key};
use crate::plan::leg::Leg;
use crate::plan::path::{Driven, ceilings, drive};
use crate::plan::ramps::Ramps;
use crate::plan::unplannable::Unplannable;
use crate::plan::{AxisLimits, AxisMotion, Change, ChangeKind, Direction, Motion, Segment};
use crate::rig::Rig;

/// A motion with what was changed for it.
#[derive(Debug, Clone)]
pub(crate) struct Planned {
    pub(crate) motion: Arc<Motion>,
    pub(crate) changes: Vec<Change>,
}

/// The motions of a rig; those that were planned before are known.
#[derive(Debug)]
pub(crate) struct Motions<'rig> {
    pub(crate) ramps: Ramps<'rig>,
    known: Cache<Key, Planned>,
    /// Who knows whether a rotor follows a motion, where anybody does.
    model: Option<&'rig dyn Following>,
}

impl<'rig> Motions<'rig> {
    pub(crate) fn new(rig: &'rig Rig) -> Self {
        Self {
            ramps: Ramps::new(rig),
            known: Cache::new(),
            model: None,
        }
    }

    /// With somebody who knows whether a rotor follows a motion.
    pub(crate) fn ask(&mut self, model: &'rig dyn Following) {
        self.model = Some(model);
    }
}

impl Motions<'_> {
    /// The motion of a job done by itself.
    pub(crate) fn single(
        &mut self,
        job: AxisJob,
        time: Option<f64>,
    ) -> Result<Planned, Unplannable> {
        let key = Key::new(&[job], false, time);
        self.motion(key, |motions| {
            if job.steps == 0 {
                return Ok(planned(&[job], &standstill(time), &[1.0], Vec::new()));
            }
            let leg = motions.ramps.leg(&job)?;
            let ends = [job.limits.start; 2];
            let (driven, gentle) = motions.driven(&[job], &[1.0], &[leg], ends, time)?;
            let changes = motions.changes(job.axis, 1.0, &driven, gentle);
            Ok(planned(&[job], &driven, &[1.0], changes))
        })
    }

    /// The motion of a job at the speed of its limits throughout.
    pub(crate) fn steady(&mut self, job: AxisJob) -> Result<Planned, Unplannable> {
        let key = Key::new(&[job], false, None);
        self.motion(key, |_| {
            let duration = job.steps.unsigned_abs() as f64 / job.limits.speed;
            let driven = Driven {
                segments: vec![Segment {
                    duration,
                    velocity: job.limits.speed,
                    ..Segment::default()
                }],
                ..standstill(Some(duration))
            };
            Ok(planned(&[job], &driven, &[1.0], Vec::new()))
        })
    }

    /// The motion of jobs that are done one after the other without stopping: of one
    /// axis, in one direction.
    pub(crate) fn passing(&mut self, jobs: &[AxisJob]) -> Result<Planned, Unplannable> {
        let key = Key::new(jobs, true, None);
        self.motion(key, |motions| {
            // Targets under one set of limits are passed as if they were not there.
            let mut runs = merged(jobs, AxisJob::same_manner);
            if runs.len() > 1 {
                let legs = motions.ramps.legs(&runs)?;
                let ends = [runs[0], runs[runs.len() - 1]].map(|job| job.limits.start);
                // A speed limit that no leg around can reach parts nothing either.
                for (job, ceiling) in runs.iter_mut().zip(ceilings(&legs, ends)) {
                    job.reached = ceiling;
                }
                runs = merged(&runs, AxisJob::unparted);
            }
            let whole = AxisJob {
                steps: jobs.iter().map(|job| job.steps).sum(),
                limits: loosest(jobs),
                ..jobs[0]
            };
            let ([first, ..], [.., last]) = (&runs[..], &runs[..]) else {
                return Ok(planned(&[whole], &standstill(None), &[1.0], Vec::new()));
            };
            let ends = [first.limits.start, last.limits.start];
            let legs = motions.ramps.legs(&runs)?;
            let (driven, gentle) = motions.driven(&[whole], &[1.0], &legs, ends, None)?;
            let changes = motions.changes(whole.axis, 1.0, &driven, gentle);
            Ok(planned(&[whole], &driven, &[1.0], changes))
        })
    }

    /// The motion of jobs that start and end together.
    pub(crate) fn line(
        &mut self,
        jobs: &[AxisJob],
        time: Option<f64>,
    ) -> Result<Planned, Unplannable> {
        let key = Key::new(jobs, false, time);
        self.motion(key, |motions| {
            let longest = jobs.iter().map(|job| job.steps.unsigned_abs()).max();
            let distance = longest.unwrap_or(0) as f64;
            let shares: Vec<f64> = jobs
                .iter()
                .map(|job| job.steps.unsigned_abs() as f64 / distance.max(1.0))
                .collect();
            if distance == 0.0 {
                return Ok(planned(jobs, &standstill(time), &shares, Vec::new()));
            }
            let (leg, start) = motions.ramps.line_leg(jobs, &shares, distance)?;
            let (driven, gentle) = motions.driven(jobs, &shares, &[leg], [start; 2], time)?;
            let mut changes: Vec<Change> = Vec::new();
            for (job, &share) in jobs.iter().zip(&shares) {
                let own = motions.ramps.avoided(job, share);
                let mut concerned = driven.clone();
                concerned
                    .avoided
                    .retain(|avoided| own.around(avoided.from).is_some());
                concerned
                    .slow_crossings
                    .retain(|slow| own.overlap(slow.band));
                if !changes.is_empty() {
                    concerned.cost = 0.0;
                }
                changes.extend(motions.changes(job.axis, share, &concerned, gentle));
            }
            Ok(planned(jobs, &driven, &shares, changes))
        })
    }

    /// The motion known by `key`, or the one that `make` makes.
    fn motion(
        &mut self,
        key: Key,
        make: impl FnOnce(&mut Self) -> Result<Planned, Unplannable>,
    ) -> Result<Planned, Unplannable> {
        if let Some(known) = self.known.find(&key) {
            return Ok(known);
        }
        let planned = make(self)?;
        self.known.keep(key, planned.clone());
        Ok(planned)
    }

    /// The legs driven as fast as the rotors follow, where somebody knows how fast that is;
    /// each job makes its share of the path.
    fn driven(
        &self,
        jobs: &[AxisJob],
        shares: &[f64],
        legs: &[Leg],
        ends: [f64; 2],
        time: Option<f64>,
    ) -> Result<(Driven, Option<Gentle>), Unplannable> {
        let Some(model) = self.model else {
            return Ok((drive(legs, ends, time)?, None));
        };
        let periods = jobs.iter().map(|job| self.ramps.period(job.axis));
        let trial = Trial {
            legs,
            ends,
            time,
            at_once: jobs.iter().any(|job| job.shape.follows_torque()),
            period: periods.fold(0.0, f64::max),
            followed: &|driven| {
                let motion = planned(jobs, driven, shares, Vec::new()).motion;
                let in_band = driven.avoided.iter().any(|avoided| avoided.to.is_none());
                model.followed(&motion, in_band)
            },
        };
        Ok(trial.driven()?)
    }

    /// What the planning of a path changed, for the axis that makes `share` of its
    /// microsteps.
    fn changes(
        &self,
        axis: usize,
        share: f64,
        driven: &Driven,
        gentle: Option<Gentle>,
    ) -> Vec<Change> {
        let full_steps = share / self.ramps.full_step(axis);
        let mut cost = driven.cost;
        let avoided = driven.avoided.iter().map(|avoided| {
            let from = avoided.from * full_steps;
            match (avoided.to.map(|to| to * full_steps), avoided.peak) {
                (Some(to), false) => ChangeKind::CruiseMoved { from, to },
                (Some(to), true) => ChangeKind::PeakLowered { from, to },
                (None, false) => ChangeKind::CruiseStays { at: from },
                (None, true) => ChangeKind::PeakStays { at: from },
            }
        });
        let slow = driven.slow_crossings.iter().map(|slow| {
            let (from, to) = slow.band;
            ChangeKind::CrossesSlowly {
                from: from * full_steps,
                to: to * full_steps,
                time: slow.time,
            }
        });
        let gentler = gentle.map(|gentle| ChangeKind::Gentler {
            rise: gentle.rise,
            share: gentle.share,
            peak: gentle
                .speed
                .is_finite()
                .then_some(gentle.speed * full_steps),
        });
        avoided
            .chain(slow)
            .chain(gentler)
            .map(|kind| Change {
                axis,
                kind,
                // The cost of all is told once.
                cost: std::mem::take(&mut cost),
            })
            .collect()
    }
}

/// The jobs that go anywhere, neighbours put together where `joined` says so.
fn merged(jobs: &[AxisJob], joined: fn(&AxisJob, &AxisJob) -> bool) -> Vec<AxisJob> {
    let mut runs: Vec<AxisJob> = Vec::new();
    for job in jobs.iter().filter(|job| job.steps != 0) {
        match runs.last_mut() {
            Some(last) if joined(last, job) => {
                last.steps += job.steps;
                last.limits.speed = last.limits.speed.min(job.limits.speed);
                last.reached = last.reached.max(job.reached);
            }
            _ => runs.push(*job),
        }
    }
    runs
}

impl AxisJob {
    /// Whether both are driven within the same limits.
    fn same_manner(&self, other: &Self) -> bool {
        Self {
            steps: other.steps,
            ..*self
        } == *other
    }

    /// Whether both are driven within the same limits but for speeds out of reach.
    fn unparted(&self, other: &Self) -> bool {
        let speed = self.limits.speed.min(other.limits.speed);
        let mut like = *self;
        like.limits.speed = other.limits.speed;
        like.reached = other.reached;
        like.same_manner(other) && self.reached.max(other.reached) <= speed
    }
}

/// A motion without segments.
fn standstill(time: Option<f64>) -> Driven {
    Driven {
        segments: Vec::new(),
        duration: time.unwrap_or(0.0),
        avoided: Vec::new(),
        cost: 0.0,
        slow_crossings: Vec::new(),
    }
}

/// The motion of the jobs along a path of which each makes its share of the microsteps.
fn planned(jobs: &[AxisJob], driven: &Driven, shares: &[f64], changes: Vec<Change>) -> Planned {
    let axes = jobs
        .iter()
        .zip(shares)
        .map(|(job, &share)| AxisMotion {
            axis: job.axis,
            direction: Direction::of(job.steps),
            steps: job.steps.unsigned_abs(),
            segments: scaled(&driven.segments, share),
            limits: job.limits,
        })
        .collect();
    Planned {
        motion: Arc::new(Motion {
            shape: jobs[0].shape,
            axes,
            duration: driven.duration,
        }),
        changes,
    }
}

/// The segments of an axis that makes `share` of the path's microsteps.
fn scaled(segments: &[Segment], share: f64) -> Vec<Segment> {
    let scale = |segment: &Segment| Segment {
        duration: segment.duration,
        position: segment.position * share,
        velocity: segment.velocity * share,
        acceleration: segment.acceleration * share,
        jerk: segment.jerk * share,
    };
    segments.iter().map(scale).collect()
}

/// The loosest of the limits, each of which holds on a leg of its own.
fn loosest(jobs: &[AxisJob]) -> AxisLimits {
    let most =
        |of: fn(&AxisLimits) -> f64| jobs.iter().map(|job| of(&job.limits)).fold(0.0, f64::max);
    let jerk = jobs.iter().map(|job| job.limits.jerk);
    AxisLimits {
        speed: most(|limits| limits.speed),
        accel: most(|limits| limits.accel),
        decel: most(|limits| limits.decel),
        jerk: jerk.reduce(|a, b| Some(a?.max(b?))).flatten(),
        start: most(|limits| limits.start),
    }
}
