//! Motors on the bench, and the values from outside.

#![allow(dead_code, reason = "each test binary uses its own part")]

use crate::rig::{Axis, Drive, DriveKind, Limits, Load, Motor, Sequence};
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

    /// N 50, R 1.6 Ω, L 3.2 mH, 1.5 A, 0.42 N·m, 57 g·cm², detent 18 mN·m.
    pub(crate) fn motor_a() -> Self {
        Self::new(MotorData {
            resistance: 1.6,
            inductance: 3.2e-3,
            rated_current: 1.5,
            holding_torque: 0.42,
            inertia: 57e-7,
            detent: 0.018,
        })
    }

    /// The motor, drive and series resistance of an outside value.
    pub(crate) fn of_reference(entry: &OutsideValue) -> Self {
        let motor = entry.motor();
        let number = |key: &str| motor[key].as_f64().unwrap();
        let mut bench = Self::new(MotorData {
            resistance: number("R"),
            inductance: number("L"),
            rated_current: number("I"),
            holding_torque: number("Th"),
            inertia: number("J"),
            detent: number("Td"),
        });
        if let Some(total) = entry.inputs["R_total"].as_f64() {
            bench.switch_resistance = total - number("R");
        }
        let supply = ["V", "V_bus"]
            .iter()
            .find_map(|key| entry.inputs[*key].as_f64())
            .unwrap();
        match entry.inputs["sequence"].as_str() {
            Some("two-phase-on") => bench.fixed_voltage(supply, Sequence::TwoPhase),
            Some("one-phase-on") => bench.fixed_voltage(supply, Sequence::Wave),
            Some("half-step") => bench.fixed_voltage(supply, Sequence::HalfStep),
            // The outside values regulate a sine of √2 times the rated current.
            _ => {
                let peak = 2_f64.sqrt() * number("I");
                bench.regulated(supply, peak, 16)
            }
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

/// A value worked out outside this project.
#[derive(Debug, Clone)]
pub(crate) struct OutsideValue {
    pub id: String,
    pub inputs: Value,
    pub expected: Value,
    note: String,
    motors: Value,
}

impl OutsideValue {
    /// A number among the inputs.
    pub(crate) fn input(&self, key: &str) -> f64 {
        self.inputs[key].as_f64().unwrap()
    }

    /// The data of the entry's motor.
    pub(crate) fn motor(&self) -> &Value {
        &self.motors[self.inputs["motor"].as_str().unwrap()]
    }

    /// The number that follows `words` in the entry's note.
    pub(crate) fn note_value(&self, words: &str) -> Option<f64> {
        let (_, after) = self.note.split_once(words)?;
        after.trim().parse().ok()
    }
}

/// The outside values whose name begins with `prefix`.
pub(crate) fn outside_values(prefix: &str) -> Vec<OutsideValue> {
    let text = include_str!("../../tests/reference/outside_values.json");
    let file: Value = serde_json::from_str(text).unwrap();
    file["entries"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|entry| entry["id"].as_str().unwrap().starts_with(prefix))
        .map(|entry| OutsideValue {
            id: entry["id"].as_str().unwrap().to_owned(),
            inputs: entry["inputs"].clone(),
            expected: entry["expected"].clone(),
            note: entry["note"].as_str().unwrap_or_default().to_owned(),
            motors: file["motors"].clone(),
        })
        .collect()
}
