//! The start-stop rate: the highest step rate at which the motor starts from rest and
//! stops again without a ramp and without losing a step, with its load attached.
//!
//! **Simulated.** The rotor stands at rest one microstep behind when the clock starts
//! at its full rate. The rate is good if the rotor comes up to it without slipping an
//! electrical cycle, and stops again: the stop out of a steady run is the start played
//! backwards, but from half a step better, and never the harder of the two. (A stop in
//! the middle of the first swings can be; that is one reason to quote only a share.)
//! A torque that always acts is taken against the motion, and an unbalance at its worst.
//!
//! Good and bad rates do not simply meet at one edge: below the highest good rate a
//! full-step drive has islands of bad ones near its natural frequency and the fractions
//! of it. So the range is scanned, the islands are reported, and only the top edge is
//! bisected.
//!
//! **Work.** A start takes [`LONGEST`] internal steps at most, some ten times what those of a
//! motor for a bench take; one that is not over by then counts as failed. Currents that settle
//! within a hundredth of a swing are slowed ([`Machine::for_swings`]).

use std::f64::consts::TAU;

use rayon::prelude::*;

use super::machine::{Machine, Simulator};
use super::remembered::Remembered;

/// Share of the simulated start-stop rate that is safe to use (common practice for
/// values from a model).
pub(crate) const QUOTED_SHARE: f64 = 0.8;

/// What the scan found.
#[derive(Debug, Clone, PartialEq)]
pub struct StartStop {
    /// The highest rate that starts and stops (full steps/s), to half a per cent;
    /// 0 where none of the rates that were tried does.
    pub rate: f64,
    /// Rates below it that fail, as ranges of neighbouring rates that were tried
    /// (full steps/s).
    pub islands: Vec<(f64, f64)>,
    /// The lowest rate that was tried (full steps/s).
    pub scanned_from: f64,
}

impl StartStop {
    /// The rate to use: [`QUOTED_SHARE`] of the highest good one (full steps/s).
    pub fn quoted(&self) -> f64 {
        QUOTED_SHARE * self.rate
    }

    /// Whether `rate` (full steps/s) starts and stops: not above the top edge and not
    /// inside an island.
    pub fn allows(&self, rate: f64) -> bool {
        rate <= self.rate
            && !self
                .islands
                .iter()
                .any(|&(from, to)| (from..=to).contains(&rate))
    }
}

/// Full steps to run. A start fails within the first few swings; this leaves time for a
/// swing to grow at a resonant rate as well (chosen).
const FULL_STEPS: u32 = 60;

/// Internal steps of a start, at most: chosen, see the module.
const LONGEST: u64 = 300_000;

/// Ratio of one rate of the scan to the one before: chosen, finer than the islands of full
/// steps are wide.
const SCAN_RATIO: f64 = 1.07;

/// Scans `machine`, with its own load, from 0.3 to 10 times its natural frequency. The
/// fastest that a rotor can be caught by a field that is already turning is 8 times
/// (in full steps/s; the equal-area limit without load), and the electrical side of a
/// fixed-voltage drive raises the natural frequency by up to a quarter.
pub(crate) fn start_stop(machine: &Machine) -> StartStop {
    let mut machine = machine.clone();
    machine.constant_torque = machine.constant_torque.abs() + machine.unbalance_torque;
    machine.unbalance_torque = 0.0;
    let machine = machine.for_swings();
    static KNOWN: Remembered<Machine, StartStop> = Remembered::new();
    KNOWN.or_find(machine, scan)
}

fn scan(machine: &Machine) -> StartStop {
    let natural = machine.natural_frequency() / TAU;
    let count = ((10.0_f64 / 0.3).ln() / SCAN_RATIO.ln()).ceil() as i32;
    let rates: Vec<f64> = (0..=count)
        .map(|step| 0.3 * natural * SCAN_RATIO.powi(step))
        .collect();
    let good: Vec<bool> = rates
        .par_iter()
        .map(|&rate| starts(machine, rate))
        .collect();
    let scanned_from = rates[0];
    let Some(top) = good.iter().rposition(|&good| good) else {
        return StartStop {
            rate: 0.0,
            islands: Vec::new(),
            scanned_from,
        };
    };
    let mut low = rates[top];
    let mut high = low * SCAN_RATIO;
    while high > 1.005 * low {
        let middle = (low * high).sqrt();
        if starts(machine, middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    let mut islands: Vec<(f64, f64)> = Vec::new();
    let mut inside = false;
    for (&rate, &good) in rates[..top].iter().zip(&good) {
        match islands.last_mut() {
            Some(island) if inside && !good => island.1 = rate,
            _ if !good => islands.push((rate, rate)),
            _ => {}
        }
        inside = !good;
    }
    StartStop {
        rate: low,
        islands,
        scanned_from,
    }
}

/// Whether `machine` starts at `rate` (full steps/s) from rest and follows without
/// losing a step.
pub(crate) fn starts(machine: &Machine, rate: f64) -> bool {
    starts_in_steps(machine, rate, machine.internal_step())
}

/// As [`starts`], with internal steps of at most `longest_step` seconds.
pub(crate) fn starts_in_steps(machine: &Machine, rate: f64, longest_step: f64) -> bool {
    let interval = 1.0 / (rate * f64::from(machine.microsteps()));
    let steps = i64::from(FULL_STEPS * machine.microsteps());
    let mut simulator = Simulator::at_rest(machine, 0, longest_step).at_most(LONGEST);
    (1..=steps).all(|step| {
        simulator.command(step);
        simulator.advance(step as f64 * interval);
        simulator.lag().abs() < TAU && !simulator.gave_up()
    })
}
