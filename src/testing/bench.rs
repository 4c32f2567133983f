//! Motors on the bench.

#![allow(dead_code, reason = "each test binary uses its own part")]

use crate::rig::{Axis, Drive, DriveKind, Limits, Load, Motor, Sequence};
use crate::testing::model;
use crate::testing::motors::{self, Likely};
use crate::units::{Current, Damping, Inductance, Inertia, Resistance, Torque, Voltage};
use serde_json::Value;

/// A motor with a drive and a load, put together piece by piece.
#[derive(Debug, Clone)]
pub(crate) struct Bench {
    motor: Motor,
    kind: DriveKind,
    supply: f64,
    switch_resistance: f64,
    load_inertia: f64,
    load_friction: f64,
    load_viscous: f64,
}

/// A motor's data in SI units.
#[derive(Debug, Clone, Copy)]
pub(crate) struct MotorData {
    pub resistance: f64,
    pub inductance: f64,
    pub rated_current: f64,
    pub holding_torque: f64,
    pub inertia: f64,
    pub detent: f64,
}

impl From<Likely> for MotorData {
    fn from(rule: Likely) -> Self {
        Self {
            resistance: rule.phase_resistance,
            inductance: rule.phase_inductance,
            rated_current: rule.rated_current,
            holding_torque: rule.holding_torque,
            inertia: rule.rotor_inertia,
            detent: rule.detent_torque,
        }
    }
}

impl Bench {
    pub(crate) fn new(data: MotorData) -> Self {
        Self {
            motor: Motor {
                name: None,
                rotor_teeth: 50,
                phase_resistance: Resistance::new(data.resistance),
                phase_inductance: Inductance::new(data.inductance),
                rated_current: Current::new(data.rated_current),
                holding_torque: Torque::new(data.holding_torque),
                detent_torque: Some(Torque::new(data.detent)),
                rotor_inertia: Inertia::new(data.inertia),
                viscous_damping: Some(Damping::new(0.0)),
                core_loss_resistance: None,
                friction_torque: Some(Torque::new(0.0)),
                pull_out: None,
                source: None,
                tolerances: crate::rig::MotorTolerances::default(),
                guessed: Vec::new(),
            },
            kind: DriveKind::FixedVoltage {
                sequence: Sequence::TwoPhase,
            },
            supply: data.resistance * data.rated_current,
            switch_resistance: 0.0,
            load_inertia: 0.0,
            load_friction: 0.0,
            load_viscous: 0.0,
        }
    }

    /// The [medium](motors::medium) motor of the tests.
    pub(crate) fn medium() -> Self {
        Self::new(motors::medium().into())
    }

    /// The motor, supply and series resistance of a case of [`limits`](model::limits).
    pub(crate) fn of_case(limits: &Value, case: &Value) -> Self {
        let motor = model::of_motor(limits, case);
        let mut bench = Self::new(MotorData {
            resistance: motor("R"),
            inductance: motor("L"),
            rated_current: motor("I"),
            holding_torque: motor("Th"),
            inertia: motor("J"),
            detent: motor("Td"),
        });
        if let Some(total) = case["resistance_ohm"].as_f64() {
            bench.switch_resistance = total - motor("R");
        }
        let supply = model::number(&case["supply_v"]);
        match case["sequence"].as_str() {
            Some("two-phase-on") => bench.fixed_voltage(supply, Sequence::TwoPhase),
            Some("one-phase-on") => bench.fixed_voltage(supply, Sequence::Wave),
            Some("half-step") => bench.fixed_voltage(supply, Sequence::HalfStep),
            Some(other) => panic!("{other}"),
            // A regulator holds a sine of √2 times the rated current.
            None => bench.regulated(supply, 2_f64.sqrt() * motor("I"), 16),
        }
    }

    pub(crate) fn fixed_voltage(mut self, supply: f64, sequence: Sequence) -> Self {
        self.supply = supply;
        self.kind = DriveKind::FixedVoltage { sequence };
        self
    }

    pub(crate) fn regulated(mut self, supply: f64, peak_current: f64, microsteps: u32) -> Self {
        self.supply = supply;
        self.kind = DriveKind::Chopper {
            peak_current: Current::new(peak_current),
            microsteps,
        };
        self
    }

    pub(crate) fn detent(mut self, torque: f64) -> Self {
        self.motor.detent_torque = Some(Torque::new(torque));
        self
    }

    /// Viscous damping of the motor (N·m·s/rad).
    pub(crate) fn viscous(mut self, damping: f64) -> Self {
        self.motor.viscous_damping = Some(Damping::new(damping));
        self
    }

    /// Coulomb friction at the shaft (N·m).
    pub(crate) fn friction(mut self, torque: f64) -> Self {
        self.load_friction = torque;
        self
    }

    /// Inertia of the load (kg·m²), without gearing.
    pub(crate) fn inertia(mut self, inertia: f64) -> Self {
        self.load_inertia = inertia;
        self
    }

    pub(crate) fn axis(&self) -> Axis {
        Axis {
            name: "bench".to_owned(),
            motor: self.motor.clone(),
            drive: Drive {
                kind: self.kind,
                supply: Voltage::new(self.supply),
                switch_resistance: Resistance::new(self.switch_resistance),
                ballast: None,
                chopping: None,
                correction: None,
                hold_current: 1.0,
                sense_resistor: None,
                converter: None,
                lines: crate::rig::DriveLines::default(),
            },
            load: Load {
                inertia: Inertia::new(self.load_inertia),
                friction: Torque::new(self.load_friction),
                viscous: Damping::new(self.load_viscous),
                ..Load::NONE
            },
            must_home: false,
            tolerances: crate::rig::AxisTolerances::NONE,
            limits: Limits {
                torque_margin: 0.3,
                settle: Some(0.01),
                ..Limits::NONE
            },
        }
    }
}
