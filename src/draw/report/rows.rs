//! The moves of a program as rows: moves of one statement with one motion share one.

use std::collections::HashMap;
use std::sync::Arc;

use super::page::{Cell, Column, PageTable, Tone};
use super::simulation::Simulation;
use crate::check::{AxisCheck, MoveCheck, Verdict};
use crate::plan::Motion;
use crate::rig::{Rig, TravelUnit};
use crate::simulate::MoveOutcome;
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
    pub fn new(axes: usize) -> Self {
        Self {
            axes,
            ..Self::default()
        }
    }

    /// Takes in a move that begins at `from`; gives the number of its row, if it has one.
    pub fn add(&mut self, checked: &MoveCheck, from: f64) -> Option<usize> {
        let key = (checked.planned.line, Arc::as_ptr(&checked.planned.motion));
        match self.known.get(&key) {
            Some(index) => {
                let row = &mut self.rows[*index];
                row.moves += 1;
                if checked.verdict() > row.sample.verdict() {
                    row.sample = checked.clone();
                }
                Some(*index)
            }
            None if self.rows.len() < MOST => {
                self.known.insert(key, self.rows.len());
                self.rows.push(TableRow {
                    sample: checked.clone(),
                    moves: 1,
                    from,
                });
                Some(self.rows.len() - 1)
            }
            None => {
                self.beyond += 1;
                None
            }
        }
    }

    /// The rows.
    pub fn rows(&self) -> &[TableRow] {
        &self.rows
    }

    /// How many moves found no room.
    pub fn beyond(&self) -> u64 {
        self.beyond
    }

    /// The rows as a table, one for each axis that moves.
    pub fn table(&self, rig: &Rig, simulation: Option<&Simulation>) -> PageTable {
        let mut columns = vec![Column::numbers("line")];
        if self.axes > 1 {
            columns.push(Column::words("axis"));
        }
        columns.extend([
            Column::words("verdict"),
            Column::numbers("travel"),
            Column::numbers("moves"),
            Column::numbers("first at"),
            Column::numbers("takes"),
            Column::words("shape"),
            Column::numbers("peak speed"),
            Column::numbers("torque needed"),
            Column::numbers("torque left"),
            Column::words("in critical bands"),
            Column::numbers("target error"),
        ]);
        if simulation.is_some() {
            columns.push(Column::numbers("peak lag"));
        }
        PageTable {
            caption: "Equal moves of one statement share a row. Torque needed, and the share of the pull-out torque \
                     left, are those at the least margin. Times link to the plots."
                .to_owned(),
            columns,
            rows: self.rows.iter().flat_map(|row| self.cells(row, rig, simulation)).collect(),
            follows: self.rows.iter().enumerate().flat_map(|(index, row)| vec![index; row.sample.check.axes.len()]).collect(),
        }
    }

    fn cells(&self, row: &TableRow, rig: &Rig, simulation: Option<&Simulation>) -> Vec<Vec<Cell>> {
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
                    check.margin_text(rig).into(),
                    check.bands_text().into(),
                    format!(
                        "{} {}",
                        Rounded(tidy(travel.target_error * unit.per_si)),
                        unit.name
                    )
                    .into(),
                ]);
                if let Some(simulation) = simulation {
                    cells.push(lag(simulation.outcome(planned.index, &axis.name)));
                }
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

/// The peak lag of a row's first move, where it was simulated.
fn lag(outcome: Option<&MoveOutcome>) -> Cell {
    match outcome {
        None => "–".into(),
        Some(outcome) if outcome.lost_steps != 0 => Cell {
            tone: Tone::Bad,
            ..format!("{} steps lost", outcome.lost_steps).into()
        },
        Some(outcome) => format!("{:.0}°", outcome.peak_lag_electrical_deg).into(),
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
