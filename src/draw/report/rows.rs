//! The moves of a program as rows: moves of one statement with one motion share one.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use super::page::{Cell, Column, PageTable, Tone};
use super::simulation::MoveKey;
use crate::check::{AxisCheck, LITTLE_LAG_LEFT, MoveCheck, Verdict};
use crate::plan::{Motion, MovePart};
use crate::rig::{Rig, TravelUnit};
use crate::units::{Rounded, Time};

/// Rows at most.
const MOST: usize = 200;

/// A row: the worst move of its kind, the first of equals, and how many there are.
#[derive(Debug)]
pub(super) struct TableRow {
    /// That move.
    pub sample: MoveCheck,
    /// How many.
    pub moves: u64,
    /// When the first one begins (s).
    pub from: f64,
    /// When `sample` ends (s).
    sample_until: f64,
    /// What the motor model makes of them, by the axes of the motion: the greatest lag of any
    /// (electrical degrees), and the most steps lost; none where none was played.
    played: Vec<Option<PlayedRow>>,
}

/// The worst that the motor model makes of the moves of a row.
#[derive(Debug, Clone, Copy, Default)]
struct PlayedRow {
    lag: f64,
    lost_steps: u64,
}

impl TableRow {
    fn take_in(&mut self, checked: &MoveCheck, from: f64) {
        self.moves = self.moves.saturating_add(checked.times);
        for (row, played) in self.played.iter_mut().zip(&checked.played) {
            if let Some(outcome) = &played.outcome {
                let row = row.get_or_insert_default();
                row.lag = row.lag.max(outcome.peak_lag_electrical_deg);
                row.lost_steps = row.lost_steps.max(outcome.lost_steps.unsigned_abs());
            }
        }
        if checked.verdict() > self.sample.verdict() {
            self.sample = checked.clone();
            self.sample_until = from + checked.planned.motion.duration;
        }
    }
}

/// Rows as they come.
#[derive(Debug, Default)]
pub(super) struct Rows {
    rows: Vec<TableRow>,
    known: HashMap<(usize, *const Motion), usize>,
    /// Moves that found no room.
    beyond: u64,
    /// How many axes the rig has.
    axes: usize,
}

impl Rows {
    /// For a rig with so many axes.
    pub(super) fn new(axes: usize) -> Self {
        Self {
            axes,
            ..Self::default()
        }
    }

    /// Takes in a move that begins at `from`; gives the number of its row, if it has one.
    pub(super) fn add(&mut self, checked: &MoveCheck, from: f64) -> Option<usize> {
        let key = (checked.planned.line, Arc::as_ptr(&checked.planned.motion));
        match self.known.get(&key) {
            Some(index) => {
                self.rows[*index].take_in(checked, from);
                Some(*index)
            }
            None if self.rows.len() < MOST => {
                self.known.insert(key, self.rows.len());
                let mut row = TableRow {
                    sample: checked.clone(),
                    moves: 0,
                    from,
                    sample_until: from + checked.planned.motion.duration,
                    played: vec![None; checked.played.len()],
                };
                row.take_in(checked, from);
                self.rows.push(row);
                Some(self.rows.len() - 1)
            }
            None => {
                self.beyond = self.beyond.saturating_add(checked.times);
                None
            }
        }
    }

    /// The rows.
    pub(super) fn rows(&self) -> &[TableRow] {
        &self.rows
    }

    /// How many moves found no room.
    pub(super) fn beyond(&self) -> u64 {
        self.beyond
    }

    /// The moves whose stops are worth a look from close by: for each statement and axis the
    /// one with the worst verdict and the greatest lag that ends before `until`, the worst of
    /// these where there are more than `most`; and of how many.
    pub(super) fn stops(&self, rig: &Rig, until: f64, most: usize) -> (HashSet<MoveKey>, usize) {
        let mut stops = Vec::new();
        for row in &self.rows {
            let planned = &row.sample.planned;
            let ends_there = match planned.part {
                MovePart::Whole | MovePart::Approach => true,
                MovePart::Beyond => false,
            };
            if !ends_there || row.sample_until > until {
                continue;
            }
            for (number, motion) in planned.motion.axes.iter().enumerate() {
                if motion.steps > 0 {
                    let played = row.played.get(number).copied().flatten();
                    let lag = played.unwrap_or_default().lag;
                    let name = rig.axes[motion.axis].name.clone();
                    let key = (planned.index, planned.part.word(), name);
                    stops.push((row.sample.axis_verdict(number), lag, planned.line, key));
                }
            }
        }
        stops.sort_by(|one, other| other.0.cmp(&one.0).then(other.1.total_cmp(&one.1)));
        let mut seen = HashSet::new();
        stops.retain(|(.., line, (.., axis))| seen.insert((*line, axis.clone())));
        let all = stops.len();
        let worst = stops.into_iter().take(most);
        (worst.map(|(.., key)| key).collect(), all)
    }

    /// The rows as a table, one for each axis that moves; what decides comes first.
    pub(super) fn table(&self, rig: &Rig) -> PageTable {
        let mut columns = vec![Column::numbers("line")];
        if self.axes > 1 {
            columns.push(Column::words("axis"));
        }
        columns.extend([Column::words("verdict"), Column::numbers("torque left")]);
        let played = self.rows.iter().any(|row| !row.played.is_empty());
        if played {
            columns.push(Column::numbers("peak lag"));
        }
        columns.extend([
            Column::words("in critical bands"),
            Column::numbers("travel"),
            Column::numbers("moves"),
            Column::numbers("first at"),
            Column::numbers("takes"),
            Column::words("shape"),
            Column::numbers("peak speed"),
            Column::numbers("torque needed"),
            Column::numbers("target error"),
        ]);
        PageTable {
            caption: "Equal moves of one statement share a row, with the worst verdict of any, on its torque and in the motor model. \
                     Torque needed, and the share of the pull-out torque left, are those at the least margin. Times link to the plots."
                .to_owned(),
            columns,
            rows: self.rows.iter().flat_map(|row| self.cells(row, rig, played)).collect(),
            follows: self.rows.iter().enumerate().flat_map(|(index, row)| vec![index; row.sample.check.axes.len()]).collect(),
        }
    }

    fn cells(&self, row: &TableRow, rig: &Rig, played: bool) -> Vec<Vec<Cell>> {
        let planned = &row.sample.planned;
        let axes = row.sample.check.axes.iter().zip(&planned.travel);
        axes.enumerate()
            .map(|(number, (check, travel))| {
                let axis = &rig.axes[check.axis];
                let unit = TravelUnit::of(axis);
                let mut cells: Vec<Cell> = vec![planned.line.to_string().into()];
                if self.axes > 1 {
                    cells.push(axis.name.clone().into());
                }
                let verdict = row.sample.axis_verdict(number);
                let tone = match verdict {
                    Verdict::Pass => Tone::Good,
                    Verdict::Warn => Tone::Doubtful,
                    Verdict::Fail => Tone::Bad,
                };
                cells.extend([
                    Cell {
                        tone,
                        ..verdict.word().into()
                    },
                    check.margin_text(rig).into(),
                ]);
                if played {
                    cells.push(lag(row.played.get(number).copied().flatten()));
                }
                cells.extend([
                    check.bands_text().into(),
                    format!(
                        "{} {}",
                        signed((travel.to - travel.from) * unit.per_si),
                        unit.name
                    )
                    .into(),
                    row.moves.to_string().into(),
                    Cell {
                        at: Some(row.from),
                        ..Time::new(row.from).to_string().into()
                    },
                    Time::new(planned.motion.duration).to_string().into(),
                    planned.motion.shape.name().into(),
                    format!(
                        "{} {}/s",
                        Rounded(check.peak_speed * unit.per_si),
                        unit.name
                    )
                    .into(),
                    asked(check).into(),
                    format!(
                        "{} {}",
                        Rounded(tidy(travel.target_error * unit.per_si)),
                        unit.name
                    )
                    .into(),
                ]);
                cells
            })
            .collect()
    }
}

/// Without what arithmetic leaves of a zero.
fn tidy(value: f64) -> f64 {
    if value.abs() < 1e-9 { 0.0 } else { value }
}

fn asked(check: &AxisCheck) -> String {
    check.torque.map_or_else(
        || "–".to_owned(),
        |margin| format!("{} mN·m", Rounded(margin.required * 1e3)),
    )
}

/// The peak lag of a row, where it was played.
fn lag(played: Option<PlayedRow>) -> Cell {
    match played {
        None => "–".into(),
        Some(played) if played.lost_steps != 0 => Cell {
            tone: Tone::Bad,
            ..format!("{} steps lost", played.lost_steps).into()
        },
        Some(played) => Cell {
            tone: match played.lag >= LITTLE_LAG_LEFT {
                true => Tone::Doubtful,
                false => Tone::Plain,
            },
            ..format!("{:.0}°", played.lag).into()
        },
    }
}

/// A rounded number that shows its sign.
fn signed(value: f64) -> String {
    let text = Rounded(value).to_string();
    if value > 0.0 {
        format!("+{text}")
    } else {
        text.replace('-', "−")
    }
}
