//! The program of a job on rigs drawn at random: the plan of the rig as it is written, judged
//! and played on each.

use std::ops::ControlFlow;

use rayon::prelude::*;
use sha2::{Digest, Sha256};

use super::in_order::in_order;
use super::rehearsal::REPEATED;
use super::writing::Seen;
use super::{Error, Job};
use crate::check::{AxisAbility, Severity};
use crate::job::checks::Checks;
use crate::job::events::UntilError;
use crate::plan::Item;
use crate::rig::Rig;
use crate::simulate::{Outcome, Pauses, Rehearsal, simulate_with};
use crate::study::{DrawOutcome, DrawnRig, Study};

impl Job {
    /// A study of so many draws from the ranges of the rig.
    pub fn study(&self, draws: u64, seed: u64) -> Study {
        let mut digest = Sha256::new();
        for source in &self.sources {
            // The length tells where a text ends.
            digest.update((source.text().len() as u64).to_le_bytes());
            digest.update(source.text());
        }
        digest.update([u8::from(self.simulated)]);
        let digest = digest.finalize();
        let program: String = digest.iter().map(|byte| format!("{byte:02x}")).collect();
        Study::of(&self.rig, program, draws, seed)
    }

    /// What becomes of these draws of a study, on all cores, in their order; `done` is told of
    /// each. A job [`without_simulation`](Self::without_simulation) leaves the motor model out.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn draws(
        &self,
        study: &Study,
        numbers: &[u64],
        done: &(dyn Fn() + Sync),
    ) -> Result<Vec<DrawOutcome>, Error> {
        let draws = numbers.par_iter().map(|number| {
            let outcome = self.draw(DrawnRig::of(&self.rig, study.seed, *number), *number);
            done();
            outcome
        });
        in_order(draws)
    }

    fn draw(&self, drawn: DrawnRig, number: u64) -> Result<DrawOutcome, Error> {
        let DrawnRig { rig, values } = drawn;
        let abilities: Vec<AxisAbility> = rig.axes.iter().map(AxisAbility::of).collect();
        let rehearsal = match self.simulated {
            true => Some(self.play_on(&rig)?),
            false => None,
        };
        let mut checks = Checks::on(self, &rig, &abilities, rehearsal.as_ref());
        let mut failures: Vec<String> = Vec::new();
        let mut note = |code: &str| {
            if !failures.iter().any(|known| known == code) {
                failures.push(code.to_owned());
            }
        };
        for checked in checks.by_ref() {
            for finding in checked?.findings() {
                if finding.severity == Severity::Failure {
                    note(finding.code);
                }
            }
        }
        let summary = checks.of_the_motion()?;
        for finding in &summary.findings {
            if finding.severity == Severity::Failure {
                note(finding.code);
            }
        }
        let own = rehearsal.map(|rehearsal| rehearsal.own);
        Ok(DrawOutcome {
            draw: number,
            ok: summary.ok,
            torque_margin: summary.least_margin.map(|(least, _)| least),
            peak_lag_electrical_deg: own.as_ref().map(|own| own.peak_lag_electrical_deg),
            lost_steps: own.map(|own| own.lost_steps),
            failures,
            values,
        })
    }

    /// What becomes of the program of this job's rig in the motors of another one.
    #[cfg(test)]
    pub(crate) fn play_in(&self, rig: &Rig) -> Result<Outcome, Error> {
        Ok(self.play_on(rig)?.own)
    }

    /// The program of this job's rig, played in the motors of another one.
    fn play_on(&self, rig: &Rig) -> Result<Rehearsal, Error> {
        let (mut own, mut pauses) = (Outcome::default(), Pauses::default());
        let mut items = UntilError::new(self.program().with_patience(REPEATED));
        let mut note = |item: &Item| pauses.note(item);
        let noted = Seen(&mut items, &mut note);
        // It is never broken off from here.
        let _ = simulate_with(rig, noted, &Rehearsal::options(false), &mut |event| {
            own.take_in(&event);
            ControlFlow::Continue(())
        });
        items.ended()?;
        Ok(Rehearsal {
            own,
            worse: None,
            pauses,
        })
    }
}
