//! Microcontrollers that the player is made for as it stands, and which pin does what.
//!
//! The steps come out of the compare outputs of a 16-bit timer, whose pins are fixed.
//! Directions, outputs and inputs go where the rig says, or to pins that are free; an
//! output is exact on a pin that a compare output of another timer makes.

use std::fmt;

use super::pace::late_cycles;
use crate::rig::{Pin, Rig};

/// A pin of a part: its port and its number there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PartPin {
    /// The letter of the port.
    pub port: char,
    /// The bit of the port.
    pub bit: u8,
}

const fn pin(port: char, bit: u8) -> PartPin {
    PartPin { port, bit }
}

const fn whole_port(port: char) -> [PartPin; 8] {
    let mut pins = [pin(port, 0); 8];
    let mut bit = 0;
    while bit < 8 {
        pins[bit] = pin(port, bit as u8);
        bit += 1;
    }
    pins
}

impl fmt::Display for PartPin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "P{}{}", self.port, self.bit)
    }
}

impl PartPin {
    /// The pin that a text such as `PB1` names.
    fn parse(text: &str) -> Option<Self> {
        let mut letters = text.trim().chars();
        let (p, port, bit) = (letters.next()?, letters.next()?, letters.next()?);
        let bit = u8::try_from(bit.to_digit(8)?).ok()?;
        let whole = p.eq_ignore_ascii_case(&'p') && letters.next().is_none();
        (whole && port.is_ascii_alphabetic()).then(|| pin(port.to_ascii_uppercase(), bit))
    }
}

/// A compare output of a timer that runs in step with the one of the steps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CompareOutput {
    /// The pin that it makes.
    pub pin: PartPin,
    /// The number of the timer …
    pub timer: u8,
    /// … and the letter of its channel.
    pub channel: char,
}

const fn compare(pin: PartPin, timer: u8, channel: char) -> CompareOutput {
    CompareOutput {
        pin,
        timer,
        channel,
    }
}

/// One family of microcontrollers.
#[derive(Debug, PartialEq, Eq)]
pub struct Part {
    /// What the compiler calls its usual member.
    pub compiler_name: &'static str,
    /// Pins of the compare outputs, channel by channel. The last channel that is in use
    /// times everything but steps, and its pin stays free.
    compare: &'static [PartPin],
    /// What can make outputs, in the order in which it is given out, and the bits of
    /// these timers.
    exact: &'static [CompareOutput],
    exact_bits: u32,
    /// Pins of the serial port: receive, transmit.
    pub(super) serial: [PartPin; 2],
    /// Pins that can interrupt on an edge, by number of the interrupt.
    interrupts: &'static [PartPin],
    /// Pins that nothing else needs and that are not exact, in the order in which they are
    /// given out: port, first and last bit.
    free: &'static [(char, u8, u8)],
    /// Letters of its ports.
    ports: &'static str,
    /// Pins that are not there or carry the crystal or the reset: port, first and last
    /// bit.
    unusable: &'static [(char, u8, u8)],
    /// Where the player switches coils itself: the pins of the eight switches of each
    /// axis, and the ports of its two converters.
    switches: &'static [[PartPin; 8]],
    converters: &'static [[char; 2]],
}

/// The families, smallest first. Source: the data sheets of these parts.
const PARTS: [Part; 2] = [
    Part {
        compiler_name: "atmega328p",
        compare: &[pin('B', 1), pin('B', 2)],
        exact: &[
            compare(pin('D', 6), 0, 'A'),
            compare(pin('D', 5), 0, 'B'),
            compare(pin('B', 3), 2, 'A'),
            compare(pin('D', 3), 2, 'B'),
        ],
        exact_bits: 8,
        serial: [pin('D', 0), pin('D', 1)],
        interrupts: &[pin('D', 2), pin('D', 3)],
        free: &[
            ('D', 4, 4),
            ('D', 7, 7),
            ('C', 0, 5),
            ('B', 0, 0),
            ('B', 4, 5),
        ],
        ports: "BCD",
        unusable: &[('B', 6, 7), ('C', 6, 7)],
        switches: &[[
            pin('C', 0),
            pin('C', 1),
            pin('C', 2),
            pin('C', 3),
            pin('D', 4),
            pin('D', 5),
            pin('D', 6),
            pin('D', 7),
        ]],
        converters: &[],
    },
    Part {
        compiler_name: "atmega2560",
        compare: &[pin('B', 5), pin('B', 6), pin('B', 7)],
        exact: &[
            compare(pin('E', 3), 3, 'A'),
            compare(pin('E', 4), 3, 'B'),
            compare(pin('E', 5), 3, 'C'),
            compare(pin('H', 3), 4, 'A'),
            compare(pin('H', 4), 4, 'B'),
            compare(pin('H', 5), 4, 'C'),
            compare(pin('L', 3), 5, 'A'),
            compare(pin('L', 4), 5, 'B'),
            compare(pin('L', 5), 5, 'C'),
        ],
        exact_bits: 16,
        serial: [pin('E', 0), pin('E', 1)],
        interrupts: &[pin('D', 0), pin('D', 1), pin('D', 2), pin('D', 3)],
        free: &[
            ('F', 0, 7),
            ('K', 0, 7),
            ('J', 0, 7),
            ('H', 0, 2),
            ('H', 6, 6),
            ('G', 0, 5),
            ('E', 6, 7),
        ],
        ports: "ABCDEFGHJKL",
        unusable: &[('G', 6, 7)],
        switches: &[whole_port('A'), whole_port('F')],
        converters: &[['L', 'K'], ['C', 'J']],
    },
];

/// Axes that the largest part steps; one of its channels times everything else.
pub(super) const MOST_AXES: usize = PARTS[PARTS.len() - 1].compare.len() - 1;

/// Which pin does what.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wiring {
    /// The part …
    pub part: &'static Part,
    /// … and why it is no smaller one.
    pub not_smaller: Option<String>,
    /// The step line of each axis; none where the player switches the coils.
    pub steps: Vec<PartPin>,
    /// The direction line of each axis, likewise.
    pub directions: Vec<PartPin>,
    /// The eight switches of each axis, where the player switches the coils: phase A, high
    /// and low of leg 1, high and low of leg 2, then phase B.
    pub switches: Vec<[PartPin; 8]>,
    /// The ports of the converters of both phases of each axis, where there are any.
    pub converters: Vec<[char; 2]>,
    /// The outputs of the rig.
    pub outputs: Vec<PartPin>,
    /// What makes outputs on their very ticks: those on its pins.
    pub exact: Vec<CompareOutput>,
    /// The inputs of the rig.
    pub inputs: Vec<PartPin>,
    /// The stop contact …
    pub emergency: PartPin,
    /// … and the number of its interrupt.
    pub interrupt: usize,
}

/// Who switches the coils.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Coils {
    /// A drive that takes steps and a direction.
    OfTheDrive,
    /// The player: bridges that put the whole supply on the windings.
    Bare,
    /// The player, with converters that set the currents.
    WithConverters,
}

impl Wiring {
    /// The wiring for a rig on the smallest part that has the pins, or what every part
    /// lacks.
    pub(super) fn of(rig: &Rig, coils: Coils) -> Result<Self, String> {
        if let Some(reason) = foreign_pins(rig) {
            return Err(reason);
        }
        let mut lacking = Vec::new();
        for part in &PARTS {
            match Self::on(part, rig, coils) {
                Ok(wiring) => {
                    return Ok(Self {
                        not_smaller: lacking.pop(),
                        ..wiring
                    });
                }
                Err(reason) => lacking.push(format!("{}: {reason}", part.compiler_name)),
            }
        }
        Err(lacking.join("; "))
    }

    fn on(part: &'static Part, rig: &Rig, coils: Coils) -> Result<Self, String> {
        let axes = rig.axes.len();
        if axes >= part.compare.len() {
            return Err(format!(
                "its timer steps {} axes at most, and the rig has {axes}",
                part.compare.len() - 1
            ));
        }
        let mut steps = part.compare[..axes].to_vec();
        let mut taken = steps.clone();
        taken.extend(part.serial);
        let (mut switches, mut converters) = (Vec::new(), Vec::new());
        if coils != Coils::OfTheDrive {
            let enough = "it has too few pins for the switches of so many axes";
            switches = part.switches.get(..axes).ok_or(enough)?.to_vec();
            taken.extend(switches.iter().flatten());
            steps.clear();
        }
        if coils == Coils::WithConverters {
            let enough = "it has too few ports for the converters";
            converters = part.converters.get(..axes).ok_or(enough)?.to_vec();
            taken.extend(
                converters
                    .iter()
                    .flatten()
                    .flat_map(|&port| whole_port(port)),
            );
        }
        let outputs = named(part, &rig.outputs, &mut taken)?;
        let inputs = named(part, &rig.inputs, &mut taken)?;
        let mut interrupts = part.interrupts.iter().enumerate();
        let (interrupt, emergency) = interrupts
            .find(|(_, pin)| !taken.contains(pin))
            .map(|(number, pin)| (number, *pin))
            .ok_or("no pin that can interrupt is left for the stop contact")?;
        taken.push(emergency);
        let exact = part.exact_at(rig.timer.prescaler);
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
        let inputs = others(inputs)?;
        Ok(Self {
            part,
            not_smaller: None,
            steps,
            directions,
            switches,
            converters,
            outputs,
            exact: exact.to_vec(),
            inputs,
            emergency,
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
            .chain([&self.emergency])
            .copied()
            .collect();
        let in_converter = |pin: &PartPin| self.converters.iter().flatten().any(|p| *p == pin.port);
        let left = self.exact.iter().map(|compare| compare.pin);
        let left: Vec<String> = left
            .filter(|pin| !taken.contains(pin) && !in_converter(pin))
            .map(|pin| pin.to_string())
            .collect();
        let cure = match left.as_slice() {
            [] if self.exact.is_empty() => {
                "with a prescaler of 8 or more some pins are exact".into()
            }
            [] => "no pin that is exact is left".to_owned(),
            pins => format!("exact are {}", pins.join(", ")),
        };
        Some(format!(
            "written by the player, and up to {} clock cycles late while axes step: {}; {cure}",
            late_cycles(rig),
            names.join(", "),
        ))
    }

    /// What makes an output on its very tick; none where the player writes it.
    pub fn compare_of(&self, output: PartPin) -> Option<&CompareOutput> {
        self.exact.iter().find(|compare| compare.pin == output)
    }
}

impl Part {
    /// What makes outputs exact where the timer divides its clock by that. Timers of 8
    /// bits turn over too soon where they count the clock itself.
    fn exact_at(&self, prescaler: u32) -> &'static [CompareOutput] {
        if self.exact_bits == 8 && prescaler == 1 {
            &[]
        } else {
            self.exact
        }
    }
}

/// The pins that are wanted, or the first that are free.
fn give(
    wanted: Vec<Option<PartPin>>,
    free: impl Iterator<Item = PartPin>,
    taken: &mut Vec<PartPin>,
) -> Result<Vec<PartPin>, String> {
    let mut free = free;
    let mut one = |wanted: Option<PartPin>| {
        let pin = wanted.or_else(|| free.find(|pin| !taken.contains(pin)));
        let pin = pin.ok_or("it has too few pins")?;
        taken.push(pin);
        Ok(pin)
    };
    wanted.into_iter().map(&mut one).collect()
}

/// What the rig calls its pins where no part has a pin of that name, and what the names
/// of the parts are.
fn foreign_pins(rig: &Rig) -> Option<String> {
    let known = |pin: PartPin| PARTS.iter().any(|part| part.ports.contains(pin.port));
    let foreign: Vec<String> = rig
        .outputs
        .iter()
        .chain(&rig.inputs)
        .filter_map(|Pin { name, pin }| Some((name, pin.as_deref()?)))
        .filter(|(_, text)| !PartPin::parse(text).is_some_and(known))
        .map(|(name, text)| {
            let meant = meant_pin(text).map_or_else(String::new, |pin| format!(", perhaps {pin}"));
            format!("`{text}` of `{name}`{meant}")
        })
        .collect();
    let ports: Vec<String> = PARTS
        .iter()
        .map(|part| format!("{} on an {}", part.ports, part.compiler_name))
        .collect();
    (!foreign.is_empty()).then(|| {
        format!(
            "they have no pin {}; a pin is called P, the letter of its port ({}) and a number from 0 to 7, \
             as in PB0, whatever is printed beside it on a board",
            foreign.join(" and "),
            ports.join(", ")
        )
    })
}

/// The one pin whose name is a slip of the pen away from `text`.
fn meant_pin(text: &str) -> Option<PartPin> {
    let ports = PARTS.last()?.ports.chars();
    let mut near = ports.flat_map(whole_port).filter(|pin| {
        strsim::damerau_levenshtein(&pin.to_string(), &text.to_ascii_uppercase()) == 1
    });
    let first = near.next();
    first.filter(|_| near.next().is_none())
}

/// The pins that the rig names, which have to be there and free.
fn named(
    part: &Part,
    pins: &[Pin],
    taken: &mut Vec<PartPin>,
) -> Result<Vec<Option<PartPin>>, String> {
    let mut found = Vec::new();
    for Pin { name, pin } in pins {
        let Some(text) = pin else {
            found.push(None);
            continue;
        };
        let known = PartPin::parse(text).filter(|pin| part.ports.contains(pin.port));
        let known = known.ok_or_else(|| format!("it has no pin `{text}`, which `{name}` is on"))?;
        let within = |&(port, first, last): &(char, u8, u8)| {
            known.port == port && (first..=last).contains(&known.bit)
        };
        if part.unusable.iter().any(within) {
            return Err(format!(
                "pin {known} of `{name}` is not there, or belongs to the crystal or the reset"
            ));
        }
        if part.compare.contains(&known) {
            return Err(format!(
                "pin {known} of `{name}` is a step line of the timer"
            ));
        }
        if part.serial.contains(&known) {
            return Err(format!("pin {known} of `{name}` is the serial port's"));
        }
        if taken.contains(&known) {
            return Err(format!(
                "pin {known} of `{name}` is needed for something else"
            ));
        }
        taken.push(known);
        found.push(Some(known));
    }
    Ok(found)
}
