//! Coils, currents and heat: what depends on the rig alone.

use super::page::{Cell, Column, PageBlock, PagePlot, PageTable};
use crate::draw::{Chart, rig_charts};
use crate::physics::currents::{CoilRow, CoilTable, PhaseCurrent};
use crate::physics::heat::{Heat, LossPart, Losses};
use crate::rig::{Axis, Rig};
use crate::units::{Decimal, Rounded};

/// Microsteps of which a table shows the whole cycle; of finer ones it shows a quarter,
/// and of still finer ones every second, fourth … microstep.
const WHOLE_CYCLE: u32 = 4;
/// Rows of a table of currents, about.
const ROWS: usize = 17;

/// Coil tables of every axis.
pub(super) fn coils(rig: &Rig) -> Vec<PageBlock> {
    let mut blocks = Vec::new();
    for axis in &rig.axes {
        blocks.push(plot(
            rig_charts::coils(axis),
            "the currents of both phases through one electrical cycle, microstep by microstep; the table lists them.",
        ));
        blocks.push(PageBlock::Table(coil_table(
            &CoilTable::of(axis),
            rig.axes.len() > 1,
        )));
    }
    blocks
}

/// A chart that nothing is read off at an instant.
fn plot(chart: Chart, says: &str) -> PageBlock {
    PageBlock::Plot(Box::new(PagePlot {
        description: format!("{}: {says}", chart.title),
        chart,
        note: String::new(),
        tall: false,
        live: Vec::new(),
        over_time: false,
        rescales: false,
        table: None,
    }))
}

fn coil_table(coils: &CoilTable, several: bool) -> PageTable {
    let whole = coils.microsteps <= WHOLE_CYCLE;
    let quarter = coils.microsteps as usize + 1;
    let shown = if whole { coils.rows.len() } else { quarter };
    let every = (shown - 1).div_ceil(ROWS - 1).max(1);
    let converter = coils.converter.is_some();
    let mut columns = vec![
        Column::numbers("microstep"),
        Column::numbers("electrical angle"),
    ];
    for phase in ["A", "B"] {
        columns.push(Column::numbers(format!("phase {phase}")));
        columns.push(Column::numbers(format!("share of {phase}")));
        if converter {
            columns.push(Column::numbers(format!("code of {phase}")));
        }
    }
    if converter {
        columns.push(Column::numbers("angle error"));
    }
    let extent = if whole {
        "one electrical cycle (four full steps)"
    } else {
        "the first full step of four; the others mirror it"
    };
    let stride = if every > 1 {
        format!("; every {every} microsteps")
    } else {
        String::new()
    };
    let axis = if several {
        format!("{}: ", coils.axis)
    } else {
        String::new()
    };
    PageTable {
        caption: format!(
            "{axis}{}, {extent}{stride}. 100 % is {} A.",
            coils.drive,
            Rounded(coils.full_current)
        ),
        columns,
        rows: coils.rows[..shown]
            .iter()
            .step_by(every)
            .map(|row| coil_cells(coils, row, converter))
            .collect(),
        follows: Vec::new(),
    }
}

fn coil_cells(coils: &CoilTable, row: &CoilRow, converter: bool) -> Vec<Cell> {
    let mut cells: Vec<Cell> = vec![
        row.index.to_string().into(),
        format!("{}°", Rounded(row.electrical.to_degrees())).into(),
    ];
    for phase in [&row.a, &row.b] {
        cells.push(format!("{} A", Rounded(tidy(phase.current))).into());
        cells.push(format!("{:.1} %", Decimal(coils.percent(phase.current))).into());
        if converter {
            cells.push(code(phase));
        }
    }
    if converter {
        cells.push(format!("{}°", Rounded(tidy(row.angle_error.to_degrees()))).into());
    }
    cells
}

/// The code of a phase.
fn code(phase: &PhaseCurrent) -> Cell {
    phase
        .code
        .map_or_else(|| "–".into(), |code| code.value.to_string().into())
}

/// Without what rounding leaves of a zero.
fn tidy(value: f64) -> f64 {
    if value.abs() < 1e-9 { 0.0 } else { value }
}

/// Where the power of every axis goes.
pub(super) fn heat(rig: &Rig) -> Vec<PageBlock> {
    let mut blocks = vec![PageBlock::Text(
        "Running: slowly, at full current (the worst case). Standing: with the hold current, at the worst microstep. \
        Iron losses are not modelled; they add to this at speed."
            .into(),
    )];
    for axis in &rig.axes {
        blocks.push(PageBlock::Table(heat_table(
            axis,
            &Heat::of(axis),
            rig.axes.len() > 1,
        )));
        blocks.push(plot(
            rig_charts::heat(axis),
            "power at standstill, over the hold current from zero to full.",
        ));
    }
    blocks
}

fn heat_table(axis: &Axis, heat: &Heat, several: bool) -> PageTable {
    let watts = |value: f64| -> Cell { format!("{} W", Rounded(value)).into() };
    let row = |what: &str, of: fn(&Losses) -> f64| {
        vec![
            what.into(),
            watts(of(&heat.running)),
            watts(of(&heat.holding)),
        ]
    };
    let mut rows = vec![row("motor windings", |losses| losses.copper)];
    let parts: [(&str, LossPart); 4] = [
        ("switches", |losses| losses.switches),
        ("ballast", |losses| losses.ballast),
        ("transistors of the linear source", |losses| {
            losses.transistors
        }),
        ("sense resistors", |losses| losses.sense),
    ];
    for (what, of) in parts {
        if of(&heat.running) > 0.0 || of(&heat.holding) > 0.0 {
            rows.push(row(what, of));
        }
    }
    rows.push(row("drawn from the supply", |losses| losses.supply));
    let name = if several {
        format!("{}: ", axis.name)
    } else {
        String::new()
    };
    PageTable {
        caption: format!(
            "{name}power losses; {} A rms in each phase while turning",
            Rounded(heat.rms_current)
        ),
        columns: vec![
            Column::words("in"),
            Column::numbers("turning"),
            Column::numbers("standing"),
        ],
        rows,
        follows: Vec::new(),
    }
}
