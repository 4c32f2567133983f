//! Which pin of a microcontroller does what.
//!
//! Step lines and switches have their places on each part. Directions, outputs and inputs
//! go where the rig says, or to pins that are free.

use super::bridge::{self, bridge_lines};
use super::budget;
use super::controller::{
    CHOP_TIMER, CONTROLLERS, CompareOutput, Controller, PartPin, PwmOutputs, pin, whole_port,
};
use super::options::PlayerOptions;
use super::shortcoming::{ForeignPin, Lack, PinUse, Shortcoming, Unwired};
use crate::rig::{Pin, Rig};
use crate::units::Frequency;

/// Which pin does what.
#[derive(Debug, Clone, PartialEq)]
pub struct Wiring {
    /// The part …
    pub controller: &'static Controller,
    /// … and why it is no smaller one.
    pub not_smaller: Option<Shortcoming>,
    /// The step line of each axis; none where the player switches the coils.
    pub steps: Vec<PartPin>,
    /// The direction line of each axis, likewise.
    pub directions: Vec<PartPin>,
    /// The enable line of each axis that has one.
    pub enables: Vec<Option<PartPin>>,
    /// The inputs of the bridges of each axis, where the player switches the coils, phase A
    /// first.
    pub switches: Vec<Vec<PartPin>>,
    /// The ports of the converters of both phases of each axis, where there are any.
    pub converters: Vec<[char; 2]>,
    /// The port of the upper bits of both codes of each axis, where they have more than eight.
    pub upper: Vec<char>,
    /// The lines of converters on a serial bus, where there are any.
    pub bus: Option<BusPins>,
    /// What makes the PWM of the converters of each axis, where they are filtered ones.
    pub pwm: Vec<PwmOutputs>,
    /// The outputs of the rig.
    pub outputs: Vec<PartPin>,
    /// What makes outputs on their very ticks: those on its pins.
    pub exact: Vec<CompareOutput>,
    /// The inputs of the rig.
    pub inputs: Vec<PartPin>,
    /// The stop contact …
    pub stop_contact: PartPin,
    /// … and the number of its interrupt.
    pub interrupt: usize,
}

/// The lines of converters on a serial bus.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BusPins {
    /// Its clock, …
    pub clock: PartPin,
    /// … its data, from the part, …
    pub data: PartPin,
    /// … and the pin at which the part would read data.
    pub unused: PartPin,
    /// What selects the converters of phase A and B of each axis; one line for both where
    /// their frames tell them apart.
    pub selects: Vec<[PartPin; 2]>,
    /// The line that brings all codes into force.
    pub latch: PartPin,
}

/// Who switches the coils.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Coils {
    /// A drive that takes steps and a direction.
    OfTheDrive,
    /// The player: bridges that put the whole supply on the windings.
    Bare,
    /// The player, with converters of so many bits that set the currents.
    Parallel {
        /// The widest of them.
        bits: u32,
    },
    /// The player, with such converters on a serial bus.
    OnBus,
    /// The player, with such converters made of a filtered PWM.
    Pwm {
        /// The widest of them.
        bits: u32,
    },
}

impl BusPins {
    /// All of its pins.
    fn pins(&self) -> impl Iterator<Item = &PartPin> {
        let own = [&self.clock, &self.data, &self.unused, &self.latch];
        own.into_iter().chain(self.selects.iter().flatten())
    }
}

impl Wiring {
    /// The wiring for a rig on the part that it names, or on the smallest that has the pins
    /// and the memories for the player and so many bytes of tables; or what each part lacks.
    pub(super) fn of(
        rig: &Rig,
        coils: Coils,
        options: PlayerOptions,
        tables: usize,
    ) -> Result<Self, Unwired> {
        let foreign = foreign_pins(rig);
        if !foreign.is_empty() {
            return Err(Unwired::ForeignPins(foreign));
        }
        let named = rig.controller.part.as_deref();
        let only = named
            .map(|name| {
                Controller::named(name).ok_or(Unwired::NoSuchPart {
                    name: name.to_owned(),
                })
            })
            .transpose()?;
        let mut lacking = Vec::new();
        let parts = CONTROLLERS.iter().filter(|part| match only {
            Some(only) => *part == only,
            None => part.is_chosen,
        });
        for controller in parts {
            let code = budget::code_bytes(rig, options);
            let needed = [code + tables, budget::ram_bytes(rig, options)];
            match Self::on(controller, rig, coils, needed) {
                Ok(wiring) => {
                    return Ok(Self {
                        not_smaller: lacking.pop(),
                        ..wiring
                    });
                }
                Err(lack) => lacking.push(Shortcoming { controller, lack }),
            }
        }
        Err(Unwired::Parts(lacking))
    }

    /// The wiring on one part; `needed` is bytes of flash and of RAM.
    fn on(
        part: &'static Controller,
        rig: &Rig,
        coils: Coils,
        needed: [usize; 2],
    ) -> Result<Self, Lack> {
        if rig.timer.clock.si() > f64::from(part.fastest) {
            return Err(Lack::Clock {
                most: Frequency::new(part.fastest.into()),
                clock: rig.timer.clock,
            });
        }
        let axes = rig.axes.len();
        if axes >= part.compare.len() {
            let most = part.compare.len() - 1;
            return Err(Lack::Axes { most, axes });
        }
        let mut steps = part.compare[..axes].to_vec();
        let mut taken = steps.clone();
        taken.extend(part.serial);
        let (mut switches, mut converters) = (Vec::new(), Vec::new());
        if coils != Coils::OfTheDrive {
            for (number, axis) in rig.axes.iter().enumerate() {
                let needs = bridge_lines(&axis.drive.lines).len();
                let pins = part.switches.get(number).copied().unwrap_or_default();
                let enough = pins.get(..needs).ok_or_else(|| Lack::Bridges {
                    axis: axis.name.clone(),
                    has: pins.len(),
                    needs,
                })?;
                switches.push(enough.to_vec());
            }
            taken.extend(switches.iter().flatten());
            steps.clear();
        }
        let mut upper = Vec::new();
        if let Coils::Parallel { bits } = coils {
            let uppers = part.upper.get(axes - 1).copied().unwrap_or_default();
            let has = match part.converters.get(..axes) {
                None => 0,
                Some(_) if uppers.is_empty() => 8,
                Some(_) => 12,
            };
            if bits > has {
                let needs = bits;
                return Err(Lack::Converters { has, axes, needs });
            }
            converters = part.converters[..axes].to_vec();
            if bits > 8 {
                upper = uppers.to_vec();
                taken.extend(upper.iter().flat_map(|&port| whole_port(port)));
            }
            taken.extend(
                converters
                    .iter()
                    .flatten()
                    .flat_map(|&port| whole_port(port)),
            );
        }
        if coils == Coils::OnBus {
            taken.extend(part.bus);
        }
        let mut pwm = Vec::new();
        if let Coils::Pwm { bits } = coils {
            let makes = |outputs: &PwmOutputs| {
                let [fewest, most] = outputs.bits;
                (fewest..=most).contains(&bits)
            };
            let outputs = part.pwm.get(..axes);
            pwm = outputs
                .filter(|outputs| outputs.iter().all(makes))
                .ok_or(Lack::Pwm { bits, axes })?
                .to_vec();
            taken.extend(pwm.iter().flat_map(|outputs| outputs.pins));
        }
        let outputs = named(part, &rig.outputs, &mut taken)?;
        let inputs = named(part, &rig.inputs, &mut taken)?;
        let mut interrupts = part.interrupts.iter().enumerate();
        let (interrupt, stop_contact) = interrupts
            .find(|(_, pin)| !taken.contains(pin))
            .map(|(number, pin)| (number, *pin))
            .ok_or(Lack::Interrupt)?;
        taken.push(stop_contact);
        let chops = coils == Coils::Bare && rig.axes.iter().any(bridge::is_chopped);
        let is_free = |output: &&CompareOutput| {
            let is_pwm = pwm.iter().any(|outputs| outputs.timer == output.timer);
            !(is_pwm || chops && output.timer == CHOP_TIMER)
        };
        let exact = part.exact_at(rig.timer.prescaler).iter();
        let exact: Vec<CompareOutput> = exact.filter(is_free).copied().collect();
        let free = part
            .free
            .iter()
            .flat_map(|&(port, first, last)| (first..=last).map(move |bit| pin(port, bit)));
        let compare = || part.exact.iter().map(|output| output.pin);
        // Outputs choose first, and leave what is exact alone where that is no use to them.
        let exact_first: Vec<_> = exact.iter().map(|output| output.pin).collect();
        let outputs = give(
            outputs,
            exact_first.into_iter().chain(free.clone()).chain(compare()),
            &mut taken,
        )?;
        let mut others = |wanted| give(wanted, free.clone().chain(compare()), &mut taken);
        let directions = others(vec![None; steps.len()])?;
        let mut enables = Vec::new();
        for axis in &rig.axes {
            let wanted = axis.drive.lines.enable.map(|_| None);
            enables.push(others(wanted.into_iter().collect())?.pop());
        }
        let bus = if coils == Coils::OnBus {
            let [clock, data, unused, first] = part.bus;
            let mut selects = Vec::new();
            for axis in &rig.axes {
                // The part's own select line has to be an output: it takes the first place.
                let a = match selects.len() {
                    0 => first,
                    _ => others(vec![None])?[0],
                };
                let is_shared = axis
                    .drive
                    .lines
                    .serial
                    .is_some_and(|serial| serial.is_shared);
                let b = if is_shared { a } else { others(vec![None])?[0] };
                selects.push([a, b]);
            }
            let latch = others(vec![None])?[0];
            Some(BusPins {
                clock,
                data,
                unused,
                selects,
                latch,
            })
        } else {
            None
        };
        let inputs = others(inputs)?;
        let (flash, ram) = (part.flash, part.ram);
        let [needed, needed_ram] = needed;
        if needed_ram > ram {
            let needed = needed_ram;
            return Err(Lack::Ram { needed, ram });
        }
        if needed > flash {
            return Err(Lack::Flash { needed, flash });
        }
        Ok(Self {
            controller: part,
            not_smaller: None,
            steps,
            directions,
            enables,
            switches,
            converters,
            upper,
            bus,
            pwm,
            outputs,
            exact,
            inputs,
            stop_contact,
            interrupt,
        })
    }

    /// Which outputs of a rig may be late, and what cures that; none where every output
    /// is exact.
    pub fn late_outputs(&self, rig: &Rig) -> Option<String> {
        let written = rig.outputs.iter().zip(&self.outputs);
        let written = written.filter(|(_, pin)| self.compare_of(**pin).is_none());
        let names: Vec<String> = written
            .map(|(output, pin)| format!("`{}` ({pin})", output.name))
            .collect();
        if names.is_empty() {
            return None;
        }
        let taken = self.outputs.iter().chain(&self.inputs);
        let taken: Vec<PartPin> = taken
            .chain(self.switches.iter().flatten())
            .chain(self.enables.iter().flatten())
            .chain(self.bus.iter().flat_map(BusPins::pins))
            .chain(self.pwm.iter().flat_map(|outputs| &outputs.pins))
            .chain([&self.stop_contact])
            .copied()
            .collect();
        let ports = || self.converters.iter().flatten().chain(&self.upper);
        let in_converter = |pin: &PartPin| ports().any(|port| *port == pin.port);
        let left = self.exact.iter().map(|compare| compare.pin);
        let left: Vec<String> = left
            .filter(|pin| !taken.contains(pin) && !in_converter(pin))
            .map(|pin| pin.to_string())
            .collect();
        let cure = match left.as_slice() {
            [] if self.controller.exact.is_empty() => "no pin of this part is exact".to_owned(),
            [] if self.exact.is_empty() => {
                "with a prescaler of 8 or more some pins are exact".into()
            }
            [] => "no exact pin is free".to_owned(),
            pins => format!("exact pins: {}", pins.join(", ")),
        };
        Some(format!(
            "switched by software, up to {} clock cycles late while axes step: {}; {cure}",
            budget::late_cycles(rig),
            names.join(", "),
        ))
    }

    /// What makes an output on its very tick; none where the player writes it.
    pub fn compare_of(&self, output: PartPin) -> Option<&CompareOutput> {
        self.exact.iter().find(|compare| compare.pin == output)
    }
}

/// The pins that are wanted, or the first that are free.
fn give(
    wanted: Vec<Option<PartPin>>,
    free: impl Iterator<Item = PartPin>,
    taken: &mut Vec<PartPin>,
) -> Result<Vec<PartPin>, Lack> {
    let mut free = free;
    let mut one = |wanted: Option<PartPin>| {
        let pin = wanted.or_else(|| free.find(|pin| !taken.contains(pin)));
        let pin = pin.ok_or(Lack::Pins)?;
        taken.push(pin);
        Ok(pin)
    };
    wanted.into_iter().map(&mut one).collect()
}

/// What the rig calls its pins where no part has a pin of that name.
fn foreign_pins(rig: &Rig) -> Vec<ForeignPin> {
    let known = |pin: PartPin| CONTROLLERS.iter().any(|part| part.ports.contains(pin.port));
    rig.outputs
        .iter()
        .chain(&rig.inputs)
        .filter_map(|Pin { name, pin, .. }| Some((name, pin.as_deref()?)))
        .filter(|(_, text)| !PartPin::parse(text).is_some_and(known))
        .map(|(name, text)| ForeignPin {
            text: text.to_owned(),
            name: name.clone(),
            meant: meant_pin(text),
        })
        .collect()
}

/// The one pin whose name is a slip of the pen away from `text`.
fn meant_pin(text: &str) -> Option<PartPin> {
    let ports = CONTROLLERS.last()?.ports.chars();
    let mut near = ports.flat_map(whole_port).filter(|pin| {
        strsim::damerau_levenshtein(&pin.to_string(), &text.to_ascii_uppercase()) == 1
    });
    let first = near.next();
    first.filter(|_| near.next().is_none())
}

/// The pins that the rig names; each must exist and be free.
fn named(
    part: &Controller,
    pins: &[Pin],
    taken: &mut Vec<PartPin>,
) -> Result<Vec<Option<PartPin>>, Lack> {
    let mut found = Vec::new();
    for Pin { name, pin, .. } in pins {
        let Some(text) = pin else {
            found.push(None);
            continue;
        };
        let name = || name.clone();
        let known = PartPin::parse(text).filter(|pin| part.ports.contains(pin.port));
        let known = known.ok_or_else(|| Lack::NoSuchPin {
            text: text.clone(),
            name: name(),
        })?;
        let within = |&(port, first, last): &(char, u8, u8)| {
            known.port == port && (first..=last).contains(&known.bit)
        };
        let in_use = if part.unusable.iter().any(within) {
            Some(PinUse::OfThePart)
        } else if part.compare.contains(&known) {
            Some(PinUse::Steps)
        } else if part.serial.contains(&known) {
            Some(PinUse::Serial)
        } else if taken.contains(&known) {
            Some(PinUse::Other)
        } else {
            None
        };
        if let Some(in_use) = in_use {
            return Err(Lack::Taken {
                pin: known,
                name: name(),
                taken: in_use,
            });
        }
        taken.push(known);
        found.push(Some(known));
    }
    Ok(found)
}
