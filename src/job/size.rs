//! Motors for a program: what suits each, and whether the program then passes its check.

use std::collections::HashSet;
use std::sync::Arc;

use rayon::prelude::*;

use super::events::UntilError;
use super::in_order::in_order;
use super::{Error, Job};
use crate::check::AxisAbility;
use crate::diagnostic::Source;
use crate::draw::Figure;
use crate::draw::plots::TorquePlane;
use crate::plan::{Item, Tally};
use crate::rig::{Motor, Rig};
use crate::script::{Script, Shape};
use crate::size::{LoadDemand, LoadMotion, SizedMotor, choose, demand};

/// Motors whose curves are plotted: chosen, as many as fit one sheet.
const PLOTTED: usize = 4;

/// A motor that was tried.
#[derive(Debug)]
pub struct TriedMotor {
    /// With what suits it.
    pub sized: SizedMotor,
    /// Why the program must not run with it; none where it passes its check.
    pub refusal: Option<String>,
    job: Job,
}

impl TriedMotor {
    /// Whether the program passes its check with it.
    pub const fn ok(&self) -> bool {
        self.refusal.is_none()
    }
}

/// Motors for one axis of a program.
#[derive(Debug)]
pub struct Sizing {
    /// Which axis of the rig.
    pub axis: usize,
    /// What each of its motions asks for.
    pub demand: Vec<LoadDemand>,
    /// The motors, the one that suits best first.
    pub motors: Vec<TriedMotor>,
    /// Whether a motion has the shape of a full-torque ramp, which is that of the rig's motor.
    pub full_torque: bool,
}

impl Job {
    /// Tries motors on an axis, the first where none is named. Those come first with which the
    /// program passes on the rig's own supply and with an inertia ratio of common practice, the one
    /// that loses least heat at the top; then those that need more; then by the margin. The gearing stays where that is asked for.
    ///
    /// # Errors
    /// The program cannot be planned, or has no such axis.
    pub fn size(
        &self,
        axis: Option<&str>,
        motors: &[(String, Motor)],
        keep_gearing: bool,
    ) -> Result<Sizing, Error> {
        let number = axis.map_or(Ok(0), |name| self.axis_number(name))?;
        let axis = &self.rig.axes[number];
        let (motions, full_torque) = self.motions_of(number)?;
        let tolerance = self.rig.timer.tolerance;
        let tried = motors.par_iter().map(|(name, motor)| {
            let sized = choose(axis, name, motor, &motions, tolerance, keep_gearing);
            self.tried(number, sized)
        });
        let mut tried: Vec<TriedMotor> = in_order(tried)?;
        let supply = axis.drive.supply.si();
        let keeps = |one: &TriedMotor| one.sized.drive.supply == supply;
        let margin = |one: &TriedMotor| one.sized.margin.map_or(1.0, |margin| margin.least);
        tried.sort_by(|one, other| {
            let better = other.ok().cmp(&one.ok());
            better.then_with(|| match one.ok() {
                true => {
                    let kept = keeps(other).cmp(&keeps(one));
                    let matched = other.sized.is_matched().cmp(&one.sized.is_matched());
                    kept.then(matched)
                        .then(one.sized.loss.total_cmp(&other.sized.loss))
                }
                false => margin(other).total_cmp(&margin(one)),
            })
        });
        Ok(Sizing {
            axis: number,
            demand: demand(axis, &motions, tolerance),
            motors: tried,
            full_torque,
        })
    }

    /// The different motions of an axis, and whether one of them is a full-torque ramp.
    fn motions_of(&self, axis: usize) -> Result<(Vec<LoadMotion>, bool), Error> {
        let mut motions = Vec::new();
        let mut seen = HashSet::new();
        let mut full_torque = false;
        let mut items = UntilError::new(self.program());
        for (item, _) in Tally::new(&mut items) {
            let Item::Move(planned) = item else { continue };
            let own = planned.motion.axes.iter().find(|one| one.axis == axis);
            let Some(motion) = own.filter(|motion| motion.steps > 0) else {
                continue;
            };
            full_torque |= planned.motion.shape == Shape::FullTorque;
            if seen.insert((planned.line, motion.steps, motion.duration().to_bits())) {
                motions.push(LoadMotion {
                    line: planned.line,
                    motion: motion.clone(),
                });
            }
        }
        items.ended()?;
        Ok((motions, full_torque))
    }

    /// The script on the rig with that motor.
    fn tried(&self, number: usize, sized: SizedMotor) -> Result<TriedMotor, Error> {
        let mut rig = self.rig.clone();
        rig.axes[number] = sized.axis.clone();
        let job = self.on_rig(rig)?;
        let refusal = match sized.meets {
            false => Some("too little torque".to_owned()),
            true => match job.check().of_the_motion() {
                Ok(summary) => summary.first_failure.map(|failure| failure.to_string()),
                // With this motor it cannot be planned.
                Err(error) => Some(error.to_string()),
            },
        };
        Ok(TriedMotor {
            sized,
            refusal,
            job,
        })
    }

    /// The same script on another rig.
    fn on_rig(&self, rig: Rig) -> Result<Self, Error> {
        let source = self.script.source();
        let source: Arc<Source> = Source::of_file(source.path(), source.text());
        Ok(Self {
            simulated: self.simulated,
            passes: self.passes,
            ..Self::with_parts(Script::parse(source)?, rig)
        })
    }
}

impl Sizing {
    /// What the moves ask for against the curves of the best motors.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn figure(&self, title: String) -> Result<Figure, Error> {
        let mut charts = Vec::new();
        for tried in self.motors.iter().take(PLOTTED) {
            let rig = tried.job.rig();
            let ability = AxisAbility::of(&rig.axes[self.axis]);
            let mut plane = TorquePlane::new(rig, self.axis, &ability);
            let mut items = UntilError::new(tried.job.program());
            for (item, _) in Tally::new(&mut items) {
                plane.add(&item);
            }
            items.ended()?;
            let mut chart = plane.chart();
            chart.title = format!(
                "{}, {}:1, {}",
                tried.sized.name,
                crate::units::Rounded(tried.sized.drive.gearing),
                match &tried.refusal {
                    None => "passes".to_owned(),
                    Some(_) => "does not pass".to_owned(),
                }
            );
            charts.push(chart);
        }
        Ok(Figure { title, charts })
    }
}
