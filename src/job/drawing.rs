//! A job in pictures: plots and the report.

use thiserror::Error as ThisError;

use super::events::UntilError;
use super::{Error, Items, Job, MotorSheet};
use crate::draw::Figure;
use crate::draw::plots::{self, SpeedOverTime, TorquePlane};
use crate::draw::recording::{self, Recording, RecordingError};
use crate::draw::report::{About, Page, ReportContent};
use crate::emit::binary::to_bytes;
use crate::rig::Rig;
use crate::schedule::Facts;
use crate::schedule::pack::pack;
use crate::schedule::periodic::{PeriodicSchedule, SchedulePart};

/// Schedules with more items than this are not counted.
const COUNTED: usize = 20_000;

/// Why a recording was not laid over its plan.
#[derive(Debug, ThisError)]
pub enum PlotError {
    /// The program cannot be planned.
    #[error(transparent)]
    Program(#[from] Error),
    /// The recording cannot be used.
    #[error(transparent)]
    Recording(#[from] RecordingError),
}

impl Job {
    /// Speed over time of the first `most` moves, and torque over speed with these moves on
    /// it; and whether that is all of them.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn figure(&self, title: String, most: u64) -> Result<(Figure, bool), Error> {
        let mut speeds = SpeedOverTime::new(&self.rig, most);
        let mut planes: Vec<TorquePlane<'_>> = self
            .abilities()
            .iter()
            .enumerate()
            .map(|(number, ability)| TorquePlane::new(&self.rig, number, ability))
            .collect();
        let mut whole = true;
        for item in Items(self.program()) {
            let item = item?;
            whole = speeds.add(&item);
            if !whole {
                break;
            }
            for plane in &mut planes {
                plane.add(&item);
            }
        }
        let mut charts = speeds.charts();
        charts.extend(planes.iter().map(TorquePlane::chart));
        Ok((Figure { title, charts }, whole))
    }

    /// The csv of a recording, laid over the plan; `starts_at` is the time in it at which
    /// the program starts (s).
    ///
    /// # Errors
    /// The recording is of another rig or no recording; or the program cannot be planned.
    pub fn figure_with_recording(
        &self,
        title: String,
        csv: &str,
        starts_at: f64,
    ) -> Result<Figure, PlotError> {
        let recording = Recording::read(csv, &self.rig, starts_at)?;
        let planned = recording::planned(&self.rig, self.items(), recording.end())?;
        Ok(Figure {
            title,
            charts: recording.charts(&self.rig, &planned),
        })
    }

    /// The report on one page, and whether all of the program may run. `explain` gives the
    /// paragraphs that explain a kind of finding.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn report(
        &self,
        title: String,
        explain: fn(&str) -> Vec<String>,
    ) -> Result<(Page, bool), Error> {
        let mut checks = self.check();
        let mut report = ReportContent::new(&self.rig, self.abilities());
        let mut items = 0;
        while let Some(next) = checks.next_item() {
            let next = next?;
            report.add(&next.item, next.times, next.checked.as_ref());
            items += 1;
        }
        if self.simulated {
            report.simulate();
        }
        let whole = items <= COUNTED;
        // A program that cannot be packed has no figure for it.
        let packed = whole
            .then(|| pack(UntilError::new(self.played()), &self.rig).ok())
            .flatten()
            .and_then(|packed| to_bytes(&packed, &self.rig, "").ok())
            .map(|bytes| bytes.len());
        let schedule = whole.then(|| self.counted());
        let texts = self.sources.iter();
        let about = About {
            title,
            inputs: texts
                .map(|source| (source.name().to_owned(), source.text().to_owned()))
                .collect(),
            explain,
        };
        let summary = checks.summary()?;
        let page = report.page(&about, &summary, schedule.as_ref(), packed);
        Ok((page, summary.ok))
    }

    fn counted(&self) -> Facts {
        let mut schedule = PeriodicSchedule::new(UntilError::new(self.program()), &self.rig);
        while let Some(part) = schedule.next_part() {
            if let SchedulePart::Ends(_) = part {
                schedule.leap();
            }
        }
        schedule.facts().clone()
    }
}

impl MotorSheet<'_> {
    /// Torque over speed of each motor, with its critical speeds and its start-stop rate.
    pub fn figure(title: String, rig: &Rig, sheets: &[Self]) -> Figure {
        let sheets = sheets.iter().enumerate();
        Figure {
            title,
            charts: sheets
                .map(|(number, sheet)| plots::motor(rig, number, &sheet.ability))
                .collect(),
        }
    }

    /// The pull-out torques of several motors over the speed of their loads, each under its
    /// name, in one chart for those that turn and one for those that travel.
    pub fn overlay(title: String, sheets: &[(&str, &Self)]) -> Figure {
        let linear = |(_, sheet): &(&str, &Self)| sheet.axis.load.linear.is_some();
        let (travel, turn): (Vec<_>, Vec<_>) = sheets.iter().copied().partition(linear);
        let charts = [turn, travel]
            .into_iter()
            .filter(|curves| !curves.is_empty());
        let charts = charts.map(|curves| {
            let curves = curves.into_iter();
            let curves = curves.map(|(name, sheet)| (name, sheet.axis, &sheet.ability));
            plots::overlay(curves.collect())
        });
        Figure {
            title,
            charts: charts.collect(),
        }
    }
}
