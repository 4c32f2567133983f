//! Coil tables as text, csv, json and C.
//!
//! csv (RFC 4180, lines ending in LF), one row a microstep and axis:
//! `axis,index,electrical_deg,sign_a,current_a_a,percent_a,code_a,code_error_a_a,sign_b,
//! current_b_a,percent_b,code_b,code_error_b_a,angle_error_deg,torque_ratio`; the fields
//! of the codes are empty where there is no converter. json carries the same by name.
//! Angle errors are at the motor's shaft.

use std::io::{self, Write};

use serde::Serialize;

use crate::physics::currents::{Code, CoilRow, CoilTable, PhaseCurrent};
use crate::rig::Amplitude;
use crate::units::{Decimal, Rounded, Time, two_digits, two_digits_down};

/// The forms in which coil tables are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum CoilFormat {
    /// For reading.
    Table,
    /// Comma-separated values.
    Csv,
    /// JSON.
    Json,
    /// A C99 header.
    C,
}

impl CoilFormat {
    /// Every form with its name on the command line.
    pub const ALL: [(&'static str, Self); 4] = [
        ("table", Self::Table),
        ("csv", Self::Csv),
        ("json", Self::Json),
        ("c", Self::C),
    ];

    /// The form of that name.
    pub fn named(name: &str) -> Option<Self> {
        let found = Self::ALL.iter().find(|(known, _)| *known == name);
        found.map(|(_, format)| *format)
    }

    /// Writes the tables of a rig's axes.
    ///
    /// # Errors
    /// What the writer fails with.
    pub fn write(self, tables: &[CoilTable], out: &mut dyn Write) -> io::Result<()> {
        match self {
            Self::Table => tables.iter().try_for_each(|table| text(table, out)),
            Self::Csv => csv(tables, out),
            Self::Json => json(tables, out),
            Self::C => c_header(tables, out),
        }
    }
}

/// Degrees of electrical angle that a row means.
fn electrical_degrees(row: &CoilRow) -> f64 {
    clean(row.electrical.to_degrees())
}

/// Without the last digits that differ by rounding, and without −0.
fn clean(value: f64) -> f64 {
    let rounded = (value * 1e9).round() / 1e9;
    if rounded == 0.0 { 0.0 } else { rounded }
}

/// Why the table is for less current than the rig asks for, where it is.
fn shortfall(amplitude: Amplitude) -> Option<String> {
    let limit = match (amplitude.beyond_supply(), amplitude.beyond_converter()) {
        (true, _) => "the supply drives no more",
        (false, true) => "the converter ends there",
        (false, false) => return None,
    };
    Some(format!(
        "warning: `peak_current` is {} A, and {limit}",
        Rounded(amplitude.asked)
    ))
}

const fn sign(sign: i8) -> &'static str {
    match sign {
        0 => "0",
        1.. => "+",
        _ => "-",
    }
}

fn text(table: &CoilTable, out: &mut dyn Write) -> io::Result<()> {
    writeln!(
        out,
        "{}: {}, {} microstep{} a full step; 100 % is {} A",
        table.axis,
        table.drive,
        table.microsteps,
        if table.microsteps == 1 { "" } else { "s" },
        Rounded(table.full_current),
    )?;
    if let Some(short) = table.amplitude.and_then(shortfall) {
        writeln!(out, "{short}")?;
    }
    let codes = table.converter.is_some();
    write!(out, "\n{:>5} {:>10} ", "step", "electrical")?;
    for phase in ["A", "B"] {
        write!(out, " {phase:>3} {:>9} {:>8}", "current", "share")?;
        if codes {
            write!(out, " {:>8} {:>9}", "code", "error")?;
        }
    }
    if codes {
        write!(out, " {:>11}", "angle error")?;
    }
    writeln!(out, " {:>7}", "torque")?;
    for row in &table.rows {
        write!(
            out,
            "{:>5} {:>9.2}° ",
            row.index,
            Decimal(electrical_degrees(row))
        )?;
        for phase in [row.a, row.b] {
            write!(
                out,
                " {:>3} {:>7.3} A {:>6.1} %",
                sign(phase.sign),
                Decimal(phase.current),
                Decimal(table.percent(phase.current.abs())),
            )?;
            if let Some(code) = phase.code {
                write!(
                    out,
                    " {:>8} {:>6.1} mA",
                    code.value,
                    Decimal(1e3 * code.error)
                )?;
            }
        }
        if codes {
            write!(out, " {:>10.4}°", Decimal(row.angle_error.to_degrees()))?;
        }
        writeln!(out, " {:>5.1} %", Decimal(100.0 * row.torque_ratio))?;
    }
    if codes {
        writeln!(
            out,
            "\nlargest angle error {:.4}° at the motor's shaft, from rounding of the codes only",
            Decimal(table.worst_angle_error().to_degrees()),
        )?;
    } else {
        writeln!(out)?;
    }
    let rest = table.rest_error;
    writeln!(
        out,
        "detent and friction {} up to {:.3}° at the motor's shaft (detent {:.3}°, friction {:.3}°)",
        if codes { "add" } else { "move the rest by" },
        Decimal(rest.total().to_degrees()),
        Decimal(rest.detent.to_degrees()),
        Decimal(rest.friction.to_degrees()),
    )?;
    if rest.uncorrected > rest.detent {
        writeln!(
            out,
            "the currents make up for the detent; those of a plain sine would leave {:.3}°",
            Decimal(rest.uncorrected.to_degrees())
        )?;
    }
    writeln!(
        out,
        "torque ripple {:.2} % from greatest to least",
        Decimal(100.0 * table.torque_ripple())
    )?;
    if let Some(filter) = table.filter {
        writeln!(
            out,
            "filtered PWM: ripple {} codes at half scale; settles to half a code in {} from a step over the whole scale; \
             the currents lag 10 electrical degrees behind at {} full steps/s",
            Rounded(two_digits(filter.ripple())),
            Time::new(two_digits(filter.settling())),
            Rounded(two_digits_down(filter.fastest())),
        )?;
    }
    writeln!(out)
}

fn csv(tables: &[CoilTable], out: &mut dyn Write) -> io::Result<()> {
    out.write_all(
        b"axis,index,electrical_deg,sign_a,current_a_a,percent_a,code_a,code_error_a_a,\
          sign_b,current_b_a,percent_b,code_b,code_error_b_a,angle_error_deg,torque_ratio\n",
    )?;
    for table in tables {
        for row in &table.rows {
            write!(
                out,
                "{},{},{}",
                table.axis,
                row.index,
                electrical_degrees(row)
            )?;
            for phase in [row.a, row.b] {
                write!(
                    out,
                    ",{},{},{},",
                    phase.sign,
                    clean(phase.current),
                    clean(table.percent(phase.current)),
                )?;
                match phase.code {
                    Some(code) => write!(out, "{},{}", code.value, clean(code.error))?,
                    None => out.write_all(b",")?,
                }
            }
            writeln!(
                out,
                ",{},{}",
                clean(row.angle_error.to_degrees()),
                clean(row.torque_ratio)
            )?;
        }
    }
    Ok(())
}

#[derive(Serialize)]
struct JsonRig<'a> {
    axes: Vec<JsonAxis<'a>>,
}

#[derive(Serialize)]
struct JsonAxis<'a> {
    axis: &'a str,
    drive: &'a str,
    microsteps: u32,
    full_current_a: f64,
    asked_current_a: Option<f64>,
    converter_bits: Option<u32>,
    worst_angle_error_deg: f64,
    detent_error_deg: f64,
    uncorrected_detent_error_deg: f64,
    friction_error_deg: f64,
    torque_ripple: f64,
    clamped: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    filter: Option<JsonFilter>,
    positions: Vec<JsonRow>,
}

/// What filters the PWM of the converters.
#[derive(Serialize)]
struct JsonFilter {
    ripple_codes: f64,
    settling_s: f64,
    fastest_full_steps_s: f64,
}

#[derive(Serialize)]
struct JsonRow {
    index: u32,
    electrical_deg: f64,
    phase_a: JsonPhase,
    phase_b: JsonPhase,
    angle_error_deg: f64,
    torque_ratio: f64,
}

#[derive(Serialize)]
struct JsonPhase {
    sign: i8,
    current_a: f64,
    percent: f64,
    code: Option<u32>,
    code_error_a: Option<f64>,
}

fn json(tables: &[CoilTable], out: &mut dyn Write) -> io::Result<()> {
    let axes = tables.iter().map(json_axis).collect();
    serde_json::to_writer_pretty(&mut *out, &JsonRig { axes }).map_err(io::Error::from)?;
    writeln!(out)
}

fn json_axis(table: &CoilTable) -> JsonAxis<'_> {
    let phase = |phase: PhaseCurrent| JsonPhase {
        sign: phase.sign,
        current_a: clean(phase.current),
        percent: clean(table.percent(phase.current)),
        code: phase.code.map(|code| code.value),
        code_error_a: phase.code.map(|code: Code| clean(code.error)),
    };
    JsonAxis {
        axis: &table.axis,
        drive: &table.drive,
        microsteps: table.microsteps,
        full_current_a: table.full_current,
        asked_current_a: table.amplitude.map(|amplitude| amplitude.asked),
        converter_bits: table.converter.map(|converter| converter.bits),
        worst_angle_error_deg: clean(table.worst_angle_error().to_degrees()),
        detent_error_deg: clean(table.rest_error.detent.to_degrees()),
        uncorrected_detent_error_deg: clean(table.rest_error.uncorrected.to_degrees()),
        friction_error_deg: clean(table.rest_error.friction.to_degrees()),
        torque_ripple: clean(table.torque_ripple()),
        clamped: table.beyond_converter(),
        filter: table.filter.map(|filter| JsonFilter {
            ripple_codes: clean(filter.ripple()),
            settling_s: clean(filter.settling()),
            fastest_full_steps_s: clean(filter.fastest()),
        }),
        positions: table
            .rows
            .iter()
            .map(|row| JsonRow {
                index: row.index,
                electrical_deg: electrical_degrees(row),
                phase_a: phase(row.a),
                phase_b: phase(row.b),
                angle_error_deg: clean(row.angle_error.to_degrees()),
                torque_ratio: clean(row.torque_ratio),
            })
            .collect(),
    }
}

fn c_header(tables: &[CoilTable], out: &mut dyn Write) -> io::Result<()> {
    out.write_all(
        b"/* Coil tables: what the two phases carry at each microstep of one electrical\n \
          * cycle. Signs are the directions of the currents; magnitudes are converter codes\n \
          * where the rig has a converter, microamperes where it has none. */\n\n\
          #ifndef COIL_TABLES_H\n#define COIL_TABLES_H\n\n#include <stdint.h>\n\n\
          #if defined(__AVR__)\n#include <avr/pgmspace.h>\n#define COIL_STORED PROGMEM\n\
          #else\n#define COIL_STORED\n#endif\n",
    )?;
    let mut taken = Vec::new();
    for table in tables {
        let name = c_name(&table.axis, &mut taken);
        let upper = name.to_ascii_uppercase();
        writeln!(
            out,
            "\n/* {}, {} microsteps a full step, 100 % is {} A. */\n#define COIL_{upper}_POSITIONS {}u",
            table.drive,
            table.microsteps,
            Rounded(table.full_current),
            table.rows.len(),
        )?;
        for (letter, phase) in [
            ("a", (|row| row.a) as fn(&CoilRow) -> PhaseCurrent),
            ("b", |row| row.b),
        ] {
            let signs = table.rows.iter().map(|row| i64::from(phase(row).sign));
            array(out, "int8_t", &format!("coil_{name}_sign_{letter}"), signs)?;
            let sizes = table.rows.iter().map(|row| size(&phase(row)));
            let kind = if table.converter.is_some() {
                "code"
            } else {
                "microamperes"
            };
            array(
                out,
                "uint32_t",
                &format!("coil_{name}_{kind}_{letter}"),
                sizes,
            )?;
        }
    }
    out.write_all(b"\n#endif\n")
}

/// The code, or the size of the current in microamperes.
fn size(phase: &PhaseCurrent) -> i64 {
    phase.code.map_or_else(
        || (phase.current.abs() * 1e6).round() as i64,
        |code| i64::from(code.value),
    )
}

fn array(
    out: &mut dyn Write,
    kind: &str,
    name: &str,
    values: impl ExactSizeIterator<Item = i64>,
) -> io::Result<()> {
    let suffix = if kind.starts_with('u') { "u" } else { "" };
    writeln!(
        out,
        "static const {kind} {name}[{}] COIL_STORED = {{",
        values.len()
    )?;
    let mut line = String::new();
    for value in values {
        let number = format!(" {value}{suffix},");
        if line.len() + number.len() > 76 {
            writeln!(out, "   {line}")?;
            line.clear();
        }
        line.push_str(&number);
    }
    writeln!(out, "   {line}\n}};")
}

/// A name of a rig as a C identifier, none twice.
fn c_name(name: &str, taken: &mut Vec<String>) -> String {
    let mut plain: String = name
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '_' })
        .collect();
    plain.make_ascii_lowercase();
    let mut unique = plain.clone();
    let mut number = 2;
    while taken.contains(&unique) {
        unique = format!("{plain}_{number}");
        number += 1;
    }
    taken.push(unique.clone());
    unique
}
