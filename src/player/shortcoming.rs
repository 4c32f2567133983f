//! What parts lack for a rig, in words.

use std::fmt;

use thiserror::Error;

use super::controller::{CONTROLLERS, Controller, PartPin};
use crate::diagnostic::alternatives;
use crate::units::Frequency;

/// What a part lacks for a rig.
#[derive(Debug, Clone, PartialEq, Error)]
#[error("{}: {lack}", controller.compiler_name)]
pub struct Shortcoming {
    /// The part.
    pub controller: &'static Controller,
    /// What it lacks.
    pub lack: Lack,
}

/// What a part may lack.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum Lack {
    /// Compare outputs.
    #[error("its timer supports {most} axes, and the rig has {axes}")]
    Axes {
        /// Axes that it steps.
        most: usize,
        /// Axes of the rig.
        axes: usize,
    },
    /// Pins for bridges.
    #[error("it has {has} pins for the bridges of `{axis}`, which need {needs}")]
    Bridges {
        /// The axis.
        axis: String,
        /// Pins that it has.
        has: usize,
        /// Pins that they need.
        needs: usize,
    },
    /// Ports for converters.
    #[error("it has {has} lines for each converter of {axes} axes, which need {needs}")]
    Converters {
        /// Lines that it has.
        has: u32,
        /// Axes of the rig.
        axes: usize,
        /// Lines that the widest needs.
        needs: u32,
    },
    /// Timers for converters.
    #[error("its timers make no PWM of {bits} bits for the converters of {axes} axes")]
    Pwm {
        /// Bits of the widest.
        bits: u32,
        /// Axes of the rig.
        axes: usize,
    },
    /// Pins for anything else.
    #[error("it has too few pins")]
    Pins,
    /// A pin that can interrupt.
    #[error("it has no free interrupt pin for the stop contact")]
    Interrupt,
    /// A pin that the rig names.
    #[error("it has no pin `{text}` for `{name}`")]
    NoSuchPin {
        /// What the rig calls it.
        text: String,
        /// What is on it.
        name: String,
    },
    /// A pin that the rig names and that is no port's, or taken.
    #[error("pin {pin} of `{name}` {taken}")]
    Taken {
        /// The pin.
        pin: PartPin,
        /// What the rig wants on it.
        name: String,
        /// What it is.
        taken: PinUse,
    },
    /// A fast clock.
    #[error("its clock is {most} at most, and the rig has {clock}")]
    Clock {
        /// Its highest clock.
        most: Frequency,
        /// The rig's clock.
        clock: Frequency,
    },
    /// RAM.
    #[error("the player needs {needed} bytes of RAM with its stack; it has {ram}")]
    Ram {
        /// Bytes that are needed.
        needed: usize,
        /// Bytes that it has.
        ram: usize,
    },
    /// Flash.
    #[error("player and schedule need {needed} bytes of flash; it has {flash}")]
    Flash {
        /// Bytes that are needed.
        needed: usize,
        /// Bytes that it has.
        flash: usize,
    },
}

/// Why a pin cannot be had.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum PinUse {
    /// No package has it, or the part needs it itself.
    #[error("does not exist, or belongs to the crystal or the reset")]
    OfThePart,
    /// A compare output of the timer of the steps.
    #[error("is a step line of the timer")]
    Steps,
    /// A pin of the serial port.
    #[error("is the serial port's")]
    Serial,
    /// Something else that the rig wants.
    #[error("is already in use")]
    Other,
}

/// Why no part fits a rig.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum Unwired {
    /// Pins that no part has.
    #[error(
        "no part has {}; a pin is called P, the letter of its port ({}) and a number from 0 to 7, \
         as in PB0, whatever the board's own print says",
        listed(.0), ports()
    )]
    ForeignPins(Vec<ForeignPin>),
    /// A part that the player does not support.
    #[error("`{name}` is none of the parts that the player supports: {}", alternatives(&names()))]
    NoSuchPart {
        /// What the rig calls it.
        name: String,
    },
    /// Each part lacks something.
    #[error("{}", joined(.0))]
    Parts(Vec<Shortcoming>),
}

/// A pin that no part has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ForeignPin {
    /// What the rig calls it.
    pub text: String,
    /// What is on it.
    pub name: String,
    /// What is probably meant.
    pub meant: Option<PartPin>,
}

impl fmt::Display for ForeignPin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "`{}` of `{}`", self.text, self.name)?;
        match self.meant {
            Some(pin) => write!(f, ", perhaps {pin}"),
            None => Ok(()),
        }
    }
}

fn listed(pins: &[ForeignPin]) -> String {
    let pins: Vec<String> = pins.iter().map(ForeignPin::to_string).collect();
    format!("pin {}", pins.join(" and "))
}

fn names() -> Vec<String> {
    let names = CONTROLLERS.iter().map(|part| part.compiler_name.to_owned());
    names.collect()
}

fn ports() -> String {
    let mut ports: Vec<(&str, Vec<String>)> = Vec::new();
    for part in &CONTROLLERS {
        let name = part.compiler_name.to_owned();
        match ports.iter_mut().find(|(letters, _)| *letters == part.ports) {
            Some((_, names)) => names.push(name),
            None => ports.push((part.ports, vec![name])),
        }
    }
    let ports: Vec<String> = ports
        .iter()
        .map(|(letters, names)| format!("{letters} on an {}", alternatives(names)))
        .collect();
    ports.join(", ")
}

/// Parts that lack the same are named together.
fn joined(parts: &[Shortcoming]) -> String {
    let mut text = String::new();
    for (at, part) in parts.iter().enumerate() {
        text += part.controller.compiler_name;
        match parts.get(at + 1) {
            Some(next) if next.lack == part.lack => text += ", ",
            Some(_) => text += &format!(": {}; ", part.lack),
            None => text += &format!(": {}", part.lack),
        }
    }
    text
}
