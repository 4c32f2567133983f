//! What the planning of single moves, groups and passing moves has in common: where the
//! axes stand, what limits them, and which motions are known already.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source, Span};
use crate::exact::Exact;
use crate::physics::Machine;
use crate::physics::band::Band;
use crate::physics::forced::Effort;
use crate::physics::stability;
use crate::plan::abilities::{Abilities, ranges};
use crate::plan::approach::TakeUp;
use crate::plan::bands::Bands;
use crate::plan::cache::Cache;
use crate::plan::full_torque::TorqueRamp;
use crate::plan::job::{AxisJob, JobKey, Key};
use crate::plan::limits::{CutLimit, KnownLimits, LimitedAxis};
use crate::plan::path::{Driven, Leg};
use crate::plan::position::{Position, TravelScale};
use crate::plan::profile::{Impossible, Ramp};
use crate::plan::s_curve::LimitedJerk;
use crate::plan::settling::{LastMotion, Settling};
use crate::plan::trapezoid::ConstantAcceleration;
use crate::plan::{Change, ChangeKind, Direction, Motion, Travel};
use crate::rig::{Axis, Rig};
use crate::script::{Move, MovePace, Settings};

/// The state of a program that is being planned.
#[derive(Debug)]
pub(crate) struct Planner<'rig> {
    pub(crate) rig: &'rig Rig,
    pub(crate) source: Arc<Source>,
    pub(crate) scales: Vec<TravelScale>,
    pub(crate) positions: Vec<Position>,
    /// How each axis takes up its play, where it has to.
    pub(crate) take_ups: Vec<Option<TakeUp>>,
    /// The last motion of each axis that has not settled yet.
    pub(crate) last_motions: Vec<Option<LastMotion>>,
    /// Who knows how long a rotor swings, where anybody does.
    pub(crate) settling: Option<&'rig dyn Settling>,
    pub(crate) index: u64,
    /// Bad speeds of each axis, once they are known.
    pub(crate) bands: Vec<Option<Vec<Band>>>,
    /// Period of each axis's natural frequency (s).
    pub(crate) periods: Vec<f64>,
    /// What the rig cuts of the limits of the next move.
    pub(crate) cuts: Vec<Change>,
    told_cuts: HashSet<(usize, Span)>,
    settings: Vec<KnownSettings>,
    motions: Cache<Key, Planned>,
    abilities: Vec<Option<Arc<Abilities>>>,
    torque_ramps: HashMap<JobKey, [Arc<dyn Ramp>; 2]>,
}

/// A motion with what was changed for it.
#[derive(Debug, Clone)]
pub(crate) struct Planned {
    pub(crate) motion: Arc<Motion>,
    pub(crate) changes: Vec<Change>,
}

/// Settings of the script with what they mean on each axis. Holding the settings
/// keeps their address from being used again.
#[derive(Debug)]
struct KnownSettings {
    settings: Arc<Settings>,
    axes: Vec<Option<KnownLimits>>,
}

/// How many settings are remembered; a script rarely has more in force by turns.
const SETTINGS: usize = 32;

/// How many pairs of torque-following ramps are remembered: chosen, to bound the memory.
const TORQUE_RAMPS: usize = 256;

impl<'rig> Planner<'rig> {
    pub(crate) fn new(rig: &'rig Rig, source: &Arc<Source>) -> Self {
        let axes = rig.axes.len();
        Self {
            rig,
            source: Arc::clone(source),
            scales: rig.axes.iter().map(TravelScale::new).collect(),
            positions: vec![Position::default(); axes],
            take_ups: rig.axes.iter().map(TakeUp::of).collect(),
            last_motions: vec![None; axes],
            settling: None,
            index: 0,
            bands: vec![None; axes],
            periods: rig.axes.iter().map(natural_period).collect(),
            cuts: Vec::new(),
            told_cuts: HashSet::new(),
            settings: Vec::new(),
            motions: Cache::new(),
            abilities: vec![None; axes],
            torque_ramps: HashMap::new(),
        }
    }

    /// The motion known by `key`, or the one that `make` makes.
    pub(crate) fn motion(
        &mut self,
        key: Key,
        make: impl FnOnce(&mut Self) -> Result<Planned, Unplannable>,
    ) -> Result<Planned, Unplannable> {
        if let Some(known) = self.motions.find(&key) {
            return Ok(known);
        }
        let planned = make(self)?;
        self.motions.keep(key, planned.clone());
        Ok(planned)
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
        let microsteps = self.scales[job.axis].full_step() / share;
        Bands::new(ranges(known, microsteps), self.periods[job.axis])
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

    /// What the axis can do against its load.
    pub(crate) fn abilities(&mut self, axis: usize) -> Arc<Abilities> {
        let tolerance = self.rig.timer.tolerance;
        let of = &self.rig.axes[axis];
        Arc::clone(
            self.abilities[axis].get_or_insert_with(|| Arc::new(Abilities::of(of, tolerance))),
        )
    }

    /// What the planning of a path changed, for the axis that makes `share` of its
    /// microsteps.
    pub(crate) fn changes(&self, axis: usize, share: f64, driven: &Driven) -> Vec<Change> {
        let full_steps = share / self.scales[axis].full_step();
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
        avoided
            .chain(slow)
            .map(|kind| Change {
                axis,
                kind,
                // The cost of all is told once.
                cost: std::mem::take(&mut cost),
            })
            .collect()
    }

    /// The job of a move between two positions of its axis.
    pub(crate) fn job(
        &mut self,
        axis: usize,
        steps: i64,
        place: Span,
        turn: &Move,
    ) -> Result<AxisJob, Diagnostic> {
        let known = self.known(axis, &turn.settings)?;
        let limited = self.limited(axis);
        let (at, own_cut) = match turn.pace {
            MovePace::At(speed, span) => {
                let at = limited.speed(speed, span)?;
                (Some(at), limited.cut_speed(at, span))
            }
            MovePace::In(..) | MovePace::Limits => (None, None),
        };
        let shape = turn.settings.shape;
        let limits = limited.limits(&known, shape, at, place)?;
        for cut in known.cuts(turn.pace).chain(own_cut) {
            self.note_cut(axis, &cut);
        }
        Ok(AxisJob {
            axis,
            steps,
            shape,
            limits,
            bands_allowed: turn.settings.bands_allowed,
            reached: f64::INFINITY,
        })
    }

    /// Takes note of what the rig cuts, for the next move; once a statement and axis.
    fn note_cut(&mut self, axis: usize, cut: &CutLimit) {
        if !self.told_cuts.insert((axis, cut.span)) {
            return;
        }
        let full_step = self.scales[axis].full_step();
        let (line, _) = self.source.position(cut.span.start);
        self.cuts.push(Change {
            axis,
            kind: ChangeKind::LimitCut {
                word: cut.word,
                line,
                power: cut.power,
                asked: cut.asked / full_step,
                allowed: cut.allowed / full_step,
            },
            cost: 0.0,
        });
    }

    fn limited(&self, axis: usize) -> LimitedAxis<'_> {
        LimitedAxis {
            axis: &self.rig.axes[axis],
            scale: &self.scales[axis],
            source: &self.source,
        }
    }

    fn known(&mut self, axis: usize, settings: &Arc<Settings>) -> Result<KnownLimits, Diagnostic> {
        let found = self
            .settings
            .iter()
            .position(|known| Arc::ptr_eq(&known.settings, settings));
        let at = match found {
            Some(at) => at,
            None => {
                if self.settings.len() == SETTINGS {
                    self.settings.remove(0);
                }
                self.settings.push(KnownSettings {
                    settings: Arc::clone(settings),
                    axes: vec![None; self.rig.axes.len()],
                });
                self.settings.len() - 1
            }
        };
        if let Some(known) = self.settings[at].axes[axis] {
            return Ok(known);
        }
        let known = self.limited(axis).known(settings)?;
        self.settings[at].axes[axis] = Some(known);
        Ok(known)
    }

    /// Where an axis starts and ends.
    pub(crate) fn travel(&self, axis: usize, from: Position, to: Position) -> Travel {
        Travel {
            from_steps: from.steps,
            to_steps: to.steps,
            from: self.place(axis, from),
            to: self.place(axis, to),
            target_error: self.error_of(axis, to),
        }
    }

    /// Position in units of travel (rad or m).
    pub(crate) fn place(&self, axis: usize, at: Position) -> f64 {
        self.scales[axis].travel(Exact::from(at.steps as f64))
    }

    /// How far a position lies from what was asked for (rad or m).
    pub(crate) fn error_of(&self, axis: usize, at: Position) -> f64 {
        self.scales[axis].travel(Exact::from(at.steps as f64) - at.asked)
    }
}

/// Ramps up and down below what `able(speed, 0 or 1)` allows; none where that is
/// nothing at rest.
pub(crate) fn torque_ramps(
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

/// Why a motion cannot be planned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Unplannable {
    /// Time or distance do not suffice.
    Impossible(Impossible),
    /// The torque does not suffice at rest.
    Weak {
        /// Of which axis.
        axis: usize,
    },
}

impl From<Impossible> for Unplannable {
    fn from(impossible: Impossible) -> Self {
        Self::Impossible(impossible)
    }
}

/// The period of an axis's natural frequency (s).
fn natural_period(axis: &Axis) -> f64 {
    std::f64::consts::TAU / Machine::of(axis).natural_frequency()
}

/// The bad speeds of an axis, with some clearance.
fn kept_out_of(axis: &Axis) -> Vec<Band> {
    let bands = stability::bands(axis, Effort::default());
    bands.iter().map(Band::with_clearance).collect()
}
