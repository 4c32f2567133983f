//! The trace: what an oscilloscope and an encoder would show.

use std::io::{self, Write};

use crate::physics::Simulator;
use crate::physics::machine::degrees;
use crate::units::Decimal;

/// One axis at one moment. Angles and speed at the load's shaft.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TraceSample<'a> {
    /// Since the program's start (s).
    pub time_s: f64,
    /// The axis.
    pub axis: &'a str,
    /// Commanded angle (degrees).
    pub commanded_deg: f64,
    /// True angle (degrees).
    pub angle_deg: f64,
    /// Speed (degrees/s).
    pub speed_deg_s: f64,
    /// Commanded minus true angle (electrical degrees).
    pub lag_electrical_deg: f64,
    /// Current of phase A (A).
    pub phase_a_a: f64,
    /// Current of phase B (A).
    pub phase_b_a: f64,
    /// Torque of the motor, detent included (N·m).
    pub torque_nm: f64,
}

impl<'a> TraceSample<'a> {
    pub(super) fn of(axis: &'a str, simulator: &Simulator<'_>) -> Self {
        let machine = simulator.machine();
        let state = simulator.state();
        let angle_deg = degrees(simulator.load_angle());
        let lag = simulator.lag_degrees();
        Self {
            time_s: simulator.time(),
            axis,
            commanded_deg: angle_deg + lag / (machine.rotor_teeth * machine.gearing),
            angle_deg,
            speed_deg_s: degrees(state.speed / machine.gearing),
            lag_electrical_deg: lag,
            phase_a_a: state.current_a,
            phase_b_a: state.current_b,
            torque_nm: simulator.torque(),
        }
    }
}

/// Writes samples as csv, one line each, with a header.
#[derive(Debug)]
pub struct TraceWriter<W> {
    out: W,
}

impl<W: Write> TraceWriter<W> {
    /// Writes the header.
    ///
    /// # Errors
    /// What the writer fails with.
    pub fn new(mut out: W) -> io::Result<Self> {
        writeln!(
            out,
            "time_s,axis,commanded_deg,angle_deg,speed_deg_s,lag_electrical_deg,phase_a_a,phase_b_a,torque_nm"
        )?;
        Ok(Self { out })
    }

    /// Writes one sample.
    ///
    /// # Errors
    /// What the writer fails with.
    pub fn write(&mut self, sample: &TraceSample<'_>) -> io::Result<()> {
        writeln!(
            self.out,
            "{:.7},{},{:.5},{:.5},{:.3},{:.3},{:.5},{:.5},{:.6}",
            Decimal(sample.time_s),
            sample.axis,
            Decimal(sample.commanded_deg),
            Decimal(sample.angle_deg),
            Decimal(sample.speed_deg_s),
            Decimal(sample.lag_electrical_deg),
            Decimal(sample.phase_a_a),
            Decimal(sample.phase_b_a),
            Decimal(sample.torque_nm),
        )
    }

    /// The writer.
    pub fn into_inner(self) -> W {
        self.out
    }
}
