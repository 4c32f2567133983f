//! Where a program stops, and how far off: the error of every stop of an axis, as bars on a
//! circle for a rotary load and on a line for a linear one.
//!
//! A stop is a whole number of microsteps, so it may differ from what the script asks for; the
//! rotor may come to rest beside its microstep, as friction and detent hold it. Stops at one
//! place count as one; the worst is shown.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use super::page::{Cell, Column, PageBlock, PageStops, PageTable, StopBar};
use crate::check::MoveCheck;
use crate::plan::MovePart;
use crate::rig::{Axis, DriveKind, Rig, Sequence, TravelUnit};
use crate::units::Rounded;

/// Places kept for an axis at most: a bar each, and a row of the table.
const PLACES: usize = 200;
/// Places in a microstep that are told apart, so that what arithmetic leaves of a turn does not
/// make two of one.
const TOLD_APART: f64 = 4.0;
/// An error below this share of a microstep is what arithmetic leaves of zero.
const NOTHING: f64 = 1e-6;

/// The stops of every axis.
#[derive(Debug)]
pub(super) struct StopPlaces {
    axes: Vec<AxisPlaces>,
}

/// The places at which an axis stops, in their order.
#[derive(Debug, Default)]
struct AxisPlaces {
    places: BTreeMap<i64, StopBar>,
    /// Whether a place found no room.
    more: bool,
}

impl StopPlaces {
    /// Of a rig with so many axes.
    pub(super) fn new(axes: usize) -> Self {
        Self {
            axes: (0..axes).map(|_| AxisPlaces::default()).collect(),
        }
    }

    /// Takes in a move.
    pub(super) fn add(&mut self, rig: &Rig, checked: &MoveCheck) {
        let planned = &checked.planned;
        match planned.part {
            MovePart::Whole | MovePart::Approach => {}
            MovePart::Beyond => return,
        }
        let motions = planned.motion.axes.iter().zip(&planned.travel).enumerate();
        for (number, (motion, travel)) in motions {
            let axis = &rig.axes[motion.axis];
            let unit = TravelUnit::of(axis);
            let to = match axis.load.linear {
                None => travel.to.rem_euclid(TAU),
                Some(_) => travel.to,
            };
            let fine = TOLD_APART * axis.microsteps_per_travel();
            let mut key = (to * fine).round() as i64;
            if axis.load.linear.is_none() && key == (TAU * fine).round() as i64 {
                key = 0;
            }
            let played = checked.played.get(number);
            let outcome = played.and_then(|played| played.outcome.as_ref());
            let asked = tidy(travel.target_error, axis) * unit.per_si;
            let bar = StopBar {
                place: key as f64 / fine * unit.per_si,
                rounded: asked,
                on_half_steps: takes_full_steps(axis)
                    .then(|| tidy(on_half_steps(axis, travel.target_error), axis) * unit.per_si),
                at_rest: outcome.map(|outcome| asked + outcome.final_error),
            };
            self.axes[motion.axis].add(key, bar);
        }
    }

    /// A plot for each axis that stops anywhere.
    pub(super) fn blocks(&self, rig: &Rig) -> Vec<PageBlock> {
        let axes = rig.axes.iter().zip(&self.axes);
        axes.filter(|(_, stops)| !stops.places.is_empty())
            .map(|(axis, stops)| PageBlock::Stops(stops.shown(axis)))
            .collect()
    }
}

impl AxisPlaces {
    fn add(&mut self, key: i64, bar: StopBar) {
        if let Some(known) = self.places.get_mut(&key) {
            if bar.most() > known.most() {
                *known = bar;
            }
        } else if self.places.len() < PLACES {
            self.places.insert(key, bar);
        } else {
            self.more = true;
        }
    }

    fn shown(&self, axis: &Axis) -> PageStops {
        let unit = TravelUnit::of(axis);
        let bars: Vec<StopBar> = self.places.values().copied().collect();
        let half = 0.5 / axis.microsteps_per_travel() * unit.per_si;
        let most = bars.iter().map(StopBar::most).fold(0.0, f64::max);
        let many = match bars.len() {
            1 => "1 place".to_owned(),
            many => format!("{many} places"),
        };
        let more = if self.more { ", the first ones" } else { "" };
        let far = if most > 0.0 {
            format!("off by up to {} {}", Rounded(most), unit.name)
        } else {
            "each exactly as asked".to_owned()
        };
        PageStops {
            title: format!("Error of the stops of {}", axis.name),
            says: format!(
                "{} stops at {many}{more}, {far}; half a microstep is {} {}.",
                axis.name,
                Rounded(half),
                unit.name
            ),
            round: axis.load.linear.is_none(),
            unit: unit.name,
            most,
            table: table(axis, &bars),
            bars,
        }
    }
}

/// Whether the drive could take half steps and takes full ones.
const fn takes_full_steps(axis: &Axis) -> bool {
    match axis.drive.kind {
        DriveKind::FixedVoltage { sequence } => match sequence {
            Sequence::Wave | Sequence::TwoPhase => true,
            Sequence::HalfStep => false,
        },
        DriveKind::LinearCurrent { .. } | DriveKind::Chopper { .. } => false,
    }
}

/// What would be left of an error (rad or m) on half steps.
fn on_half_steps(axis: &Axis, error: f64) -> f64 {
    let half = 0.5 / axis.microsteps_per_travel();
    error - (error / half).round() * half
}

/// Without what arithmetic leaves of a zero.
fn tidy(error: f64, axis: &Axis) -> f64 {
    if error.abs() * axis.microsteps_per_travel() <= NOTHING {
        0.0
    } else {
        error
    }
}

fn table(axis: &Axis, bars: &[StopBar]) -> PageTable {
    let unit = TravelUnit::of(axis).name;
    let mut columns = vec![
        Column::numbers(format!("stop ({unit})")),
        Column::numbers(format!("rounded off by ({unit})")),
    ];
    let halves = bars.iter().any(|bar| bar.on_half_steps.is_some());
    if halves {
        columns.push(Column::numbers(format!("on half steps ({unit})")));
    }
    let played = bars.iter().any(|bar| bar.at_rest.is_some());
    if played {
        columns.push(Column::numbers(format!("in the motor model ({unit})")));
    }
    let number = |value: Option<f64>| -> Cell {
        value.map_or_else(|| "–".into(), |value| Rounded(value).to_string().into())
    };
    let rows = bars.iter().map(|bar| {
        let mut cells = vec![number(Some(bar.place)), number(Some(bar.rounded))];
        cells.extend(halves.then(|| number(bar.on_half_steps)));
        cells.extend(played.then(|| number(bar.at_rest)));
        cells
    });
    PageTable {
        caption: format!(
            "Stops of {}: the true place less the one asked for",
            axis.name
        ),
        columns,
        rows: rows.collect(),
        follows: Vec::new(),
    }
}
