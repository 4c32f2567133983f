//! What the planning of single moves, groups and passing moves has in common.

use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source, Span};
use crate::plan::aim::{Aim, AimKind};
use crate::plan::cuts::Cuts;
use crate::plan::job::AxisJob;
use crate::plan::limits::LimitedAxis;
use crate::plan::motions::{Motions, Planned};
use crate::plan::names::ProgramNames;
use crate::plan::position::{Position, above_halfway};
use crate::plan::settings::RememberedSettings;
use crate::plan::settling::Swings;
use crate::plan::standing::Standing;
use crate::plan::{MovePart, PlannedMove, Travel};
use crate::rig::Rig;
use crate::script::{Action, Move, MovePace, Shape, Target};

/// The state of a program that is being planned.
#[derive(Debug)]
pub(crate) struct Planner<'rig> {
    pub(crate) names: ProgramNames<'rig>,
    pub(crate) standing: Standing,
    pub(crate) swings: Swings<'rig>,
    pub(crate) motions: Motions<'rig>,
    pub(crate) settings: RememberedSettings,
    pub(crate) cuts: Cuts,
    /// The targets of the present action.
    pub(crate) aims: Vec<Aim>,
    /// Number of the next move.
    index: u64,
}

/// How the speed of a move goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum SpeedCourse {
    /// Up and down, as the settings say.
    Ramps,
    /// From rest to rest at once.
    Constant,
}

impl<'rig> Planner<'rig> {
    pub(crate) fn new(rig: &'rig Rig, source: &Arc<Source>) -> Self {
        let axes = rig.axes.len();
        Self {
            names: ProgramNames {
                rig,
                source: Arc::clone(source),
            },
            standing: Standing::new(rig),
            swings: Swings::new(axes),
            motions: Motions::new(rig),
            settings: RememberedSettings::new(axes),
            cuts: Cuts::default(),
            aims: Vec::new(),
            index: 0,
        }
    }

    /// Where a move ends that begins at `from`.
    pub(crate) fn target(
        &mut self,
        axis: usize,
        from: Position,
        turn: &Move,
    ) -> Result<Position, Diagnostic> {
        if matches!(turn.target, Target::To(_)) {
            self.position_known(axis, turn.target_span)?;
        }
        let scale = &self.standing.scales[axis];
        let to = self.names.target(axis, scale, from, turn)?;
        let kind = match (turn.target, turn.way) {
            (Target::By(_), _) => AimKind::By,
            (Target::To(_), Some(_)) => AimKind::Round,
            (Target::To(_), None) => AimKind::Place,
        };
        self.aims.push(Aim {
            axis,
            kind,
            above: above_halfway(to.asked),
        });
        Ok(to)
    }

    /// How many moves have been planned.
    pub(crate) const fn moves(&self) -> u64 {
        self.index
    }

    /// Leaves out so many moves.
    pub(crate) const fn leave_out(&mut self, moves: u64) {
        self.index += moves;
    }

    /// The job of a move between two positions of its axis.
    pub(crate) fn job(
        &mut self,
        axis: usize,
        steps: i64,
        place: Span,
        turn: &Move,
    ) -> Result<AxisJob, Diagnostic> {
        self.limited_job(axis, steps, place, turn, SpeedCourse::Ramps)
    }

    /// The job of a move at constant speed.
    pub(super) fn steady_job(
        &mut self,
        axis: usize,
        steps: i64,
        place: Span,
        turn: &Move,
    ) -> Result<AxisJob, Diagnostic> {
        self.limited_job(axis, steps, place, turn, SpeedCourse::Constant)
    }

    fn limited_job(
        &mut self,
        axis: usize,
        steps: i64,
        place: Span,
        turn: &Move,
        course: SpeedCourse,
    ) -> Result<AxisJob, Diagnostic> {
        let limited = LimitedAxis {
            axis: &self.names.rig.axes[axis],
            scale: &self.standing.scales[axis],
            source: &self.names.source,
        };
        let known = self
            .settings
            .limits(axis, &turn.settings, || limited.known(&turn.settings))?;
        let (at, own_cut) = match turn.pace {
            MovePace::At(speed, span) => {
                let at = limited.speed(speed, span)?;
                (Some(at), limited.cut_speed(at, span))
            }
            MovePace::In(..) | MovePace::Limits => (None, None),
        };
        let set = &turn.settings;
        let (shape, bands_allowed, limits) = match course {
            SpeedCourse::Ramps => {
                let limits = limited.limits(&known, set.shape, at, place)?;
                (set.shape, set.bands_allowed, limits)
            }
            SpeedCourse::Constant => (Shape::Trapezoid, true, limited.steady(&known, at, place)?),
        };
        for cut in known.cuts(turn.pace).chain(own_cut) {
            // Without ramps only the speed matters.
            if course == SpeedCourse::Ramps || cut.word == "speed" {
                let full_step = limited.scale.full_step();
                self.cuts.note(axis, &cut, full_step, &self.names.source);
            }
        }
        Ok(AxisJob {
            axis,
            steps,
            shape,
            limits,
            bands_allowed,
            reached: f64::INFINITY,
        })
    }

    /// The next move of the program.
    pub(crate) fn numbered(
        &mut self,
        action: &Action,
        done: Planned,
        travel: Vec<Travel>,
    ) -> PlannedMove {
        let index = self.index;
        self.index += 1;
        let mut changes = self.cuts.take();
        changes.extend(done.changes);
        PlannedMove {
            index,
            span: action.span,
            line: action.line,
            part: MovePart::Whole,
            motion: done.motion,
            travel,
            on_the_way: Vec::new(),
            passes: Vec::new(),
            changes,
            seeks: None,
        }
    }
}
