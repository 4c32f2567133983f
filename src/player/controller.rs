//! Microcontrollers that the player is made for as it stands: their memories, their pins
//! and what makes these.
//!
//! The steps come out of the compare outputs of a 16-bit timer, whose pins are fixed. An
//! output is exact on a pin that a compare output of another timer makes. A further part is
//! an entry of [`CONTROLLERS`].

use std::fmt;

use super::fuses::{FuseLayout, FuseTable};

/// A pin of a part: its port and its number there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PartPin {
    /// The letter of the port.
    pub port: char,
    /// The bit of the port.
    pub bit: u8,
}

pub(super) const fn pin(port: char, bit: u8) -> PartPin {
    PartPin { port, bit }
}

pub(super) const fn whole_port(port: char) -> [PartPin; 8] {
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
    pub(super) fn parse(text: &str) -> Option<Self> {
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
pub struct Controller {
    /// What the compiler calls its usual member …
    pub compiler_name: &'static str,
    /// … and the macros by which it knows the members that have these pins and memories.
    pub(super) macros: &'static [&'static str],
    /// Whether it is taken without being named. The others are on boards with a boot loader
    /// or a debugger of their own: whoever has one names it.
    pub(super) is_chosen: bool,
    /// Its highest clock (Hz).
    pub(super) fastest: u32,
    /// Its flash …
    pub flash: usize,
    /// … and its RAM (bytes).
    pub ram: usize,
    /// Its fuses.
    pub(super) fuses: FuseTable,
    /// Whether its watchdog waits for 2 s at most, not for 8 s.
    pub(super) watchdog_is_short: bool,
    /// Pins of the compare outputs, channel by channel. The last channel that is in use
    /// times everything but steps, and its pin stays free.
    pub(super) compare: &'static [PartPin],
    /// What can make outputs, in the order in which it is given out, and the bits of
    /// these timers.
    pub(super) exact: &'static [CompareOutput],
    pub(super) exact_bits: u32,
    /// Pins of the serial port: receive, transmit.
    pub(super) serial: [PartPin; 2],
    /// Pins that can interrupt on an edge, by number of the interrupt.
    pub(super) interrupts: &'static [PartPin],
    /// Pins that nothing else needs and that are not exact, in the order in which they are
    /// given out: port, first and last bit.
    pub(super) free: &'static [(char, u8, u8)],
    /// Letters of its ports.
    pub(super) ports: &'static str,
    /// Pins that are not there or carry the crystal or the reset: port, first and last
    /// bit.
    pub(super) unusable: &'static [(char, u8, u8)],
    /// Where the player switches coils itself: pins for the bridges of each axis, and the
    /// ports of its two converters.
    pub(super) switches: &'static [&'static [PartPin]],
    pub(super) converters: &'static [[char; 2]],
    /// By the number of axes, the port of the upper bits of both converters of each axis.
    pub(super) upper: &'static [&'static [char]],
    /// What makes a PWM for both converters of each axis.
    pub(super) pwm: &'static [PwmOutputs],
    /// Pins of the serial bus: clock, data out, data in, select.
    pub(super) bus: [PartPin; 4],
}

/// Two channels of a timer that make a PWM for the converters of an axis: A and B.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PwmOutputs {
    /// The number of the timer.
    pub timer: u8,
    /// Fewest and most bits that it counts.
    pub bits: [u32; 2],
    /// The pins of both phases.
    pub pins: [PartPin; 2],
}

const fn pwm(timer: u8, bits: [u32; 2], a: PartPin, b: PartPin) -> PwmOutputs {
    PwmOutputs {
        timer,
        bits,
        pins: [a, b],
    }
}

/// The timer that chops bridges at standstill: every part has it.
pub(super) const CHOP_TIMER: u8 = 0;

/// Fuses of most parts.
const USUAL_FUSES: FuseTable = FuseTable {
    layout: FuseLayout::Usual {
        full_swing: true,
        slow: true,
    },
    high: 0xD9,
    extended: Some(0xFF),
    divides_when_new: 0,
};

/// Those of the small 28-pin parts, whose boot loader is set by the extended byte.
const SMALL_FUSES: FuseTable = FuseTable {
    high: 0xDF,
    extended: Some(0xF9),
    ..USUAL_FUSES
};

/// 28-pin parts, which differ in their memories and in the size of their vectors.
const SMALL: Controller = Controller {
    compiler_name: "atmega328p",
    macros: &["__AVR_ATmega328P__", "__AVR_ATmega328__"],
    is_chosen: true,
    fastest: 20_000_000,
    flash: 32 * 1024,
    ram: 2 * 1024,
    fuses: USUAL_FUSES,
    watchdog_is_short: false,
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
    switches: &[&[
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
    upper: &[],
    pwm: &[pwm(2, [8, 8], pin('B', 3), pin('D', 3))],
    bus: [pin('B', 5), pin('B', 3), pin('B', 4), pin('B', 2)],
};

/// 40-pin parts.
const MIDDLE: Controller = Controller {
    compiler_name: "atmega644p",
    macros: &[
        "__AVR_ATmega644P__",
        "__AVR_ATmega644PA__",
        "__AVR_ATmega644__",
        "__AVR_ATmega644A__",
    ],
    is_chosen: false,
    fastest: 20_000_000,
    flash: 64 * 1024,
    ram: 4 * 1024,
    fuses: USUAL_FUSES,
    watchdog_is_short: false,
    compare: &[pin('D', 5), pin('D', 4)],
    exact: &[
        compare(pin('B', 3), 0, 'A'),
        compare(pin('B', 4), 0, 'B'),
        compare(pin('D', 7), 2, 'A'),
        compare(pin('D', 6), 2, 'B'),
    ],
    exact_bits: 8,
    serial: [pin('D', 0), pin('D', 1)],
    interrupts: &[pin('D', 2), pin('D', 3), pin('B', 2)],
    free: &[('A', 0, 7), ('C', 0, 7), ('B', 0, 1), ('B', 5, 7)],
    ports: "ABCD",
    unusable: &[],
    switches: &[&whole_port('C')],
    converters: &[['A', 'B']],
    upper: &[],
    pwm: &[pwm(2, [8, 8], pin('D', 7), pin('D', 6))],
    bus: [pin('B', 7), pin('B', 5), pin('B', 6), pin('B', 4)],
};

/// The families, smallest first. Source: the data sheets of these parts.
pub(super) const CONTROLLERS: [Controller; 8] = [
    // Its timers make no output but the steps, and its brown-out detector is off.
    Controller {
        compiler_name: "atmega8",
        macros: &["__AVR_ATmega8__", "__AVR_ATmega8A__"],
        is_chosen: false,
        fastest: 16_000_000,
        flash: 8 * 1024,
        ram: 1024,
        fuses: FuseTable {
            layout: FuseLayout::Older,
            high: 0xD9,
            extended: None,
            divides_when_new: 0,
        },
        watchdog_is_short: true,
        exact: &[],
        pwm: &[],
        free: &[
            ('D', 4, 7),
            ('C', 0, 5),
            ('B', 0, 0),
            ('B', 3, 5),
            ('D', 3, 3),
        ],
        ..SMALL
    },
    Controller {
        compiler_name: "atmega88",
        macros: &[
            "__AVR_ATmega88__",
            "__AVR_ATmega88A__",
            "__AVR_ATmega88P__",
            "__AVR_ATmega88PA__",
        ],
        flash: 8 * 1024,
        ram: 1024,
        fuses: SMALL_FUSES,
        ..SMALL
    },
    Controller {
        compiler_name: "atmega168",
        macros: &[
            "__AVR_ATmega168__",
            "__AVR_ATmega168A__",
            "__AVR_ATmega168P__",
            "__AVR_ATmega168PA__",
        ],
        flash: 16 * 1024,
        ram: 1024,
        fuses: SMALL_FUSES,
        ..SMALL
    },
    SMALL,
    Controller {
        compiler_name: "atmega32u4",
        macros: &["__AVR_ATmega32U4__"],
        is_chosen: false,
        fastest: 16_000_000,
        flash: 32 * 1024,
        ram: 2560,
        fuses: FuseTable {
            layout: FuseLayout::Usual {
                full_swing: false,
                slow: false,
            },
            high: 0xD9,
            extended: Some(0xFB),
            divides_when_new: 8,
        },
        watchdog_is_short: false,
        compare: &[pin('B', 5), pin('B', 6), pin('B', 7)],
        exact: &[compare(pin('C', 6), 3, 'A')],
        exact_bits: 16,
        serial: [pin('D', 2), pin('D', 3)],
        interrupts: &[pin('D', 0), pin('D', 1)],
        free: &[
            ('F', 0, 1),
            ('F', 4, 7),
            ('D', 4, 7),
            ('B', 4, 4),
            ('C', 7, 7),
            ('E', 6, 6),
            ('B', 0, 3),
        ],
        ports: "BCDEF",
        unusable: &[
            ('C', 0, 5),
            ('E', 0, 1),
            ('E', 3, 5),
            ('E', 7, 7),
            ('F', 2, 3),
        ],
        switches: &[
            &[
                pin('F', 0),
                pin('F', 1),
                pin('F', 4),
                pin('F', 5),
                pin('F', 6),
                pin('F', 7),
                pin('C', 7),
                pin('E', 6),
            ],
            &[pin('D', 4), pin('D', 5), pin('D', 6), pin('D', 7)],
        ],
        converters: &[],
        upper: &[],
        pwm: &[],
        bus: [pin('B', 1), pin('B', 2), pin('B', 3), pin('B', 0)],
    },
    MIDDLE,
    Controller {
        compiler_name: "atmega1284p",
        macros: &["__AVR_ATmega1284P__", "__AVR_ATmega1284__"],
        flash: 128 * 1024,
        ram: 16 * 1024,
        ..MIDDLE
    },
    Controller {
        compiler_name: "atmega2560",
        macros: &["__AVR_ATmega2560__"],
        is_chosen: true,
        fastest: 16_000_000,
        flash: 256 * 1024,
        ram: 8 * 1024,
        fuses: USUAL_FUSES,
        watchdog_is_short: false,
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
        switches: &[&whole_port('A'), &whole_port('F')],
        converters: &[['L', 'K'], ['C', 'J']],
        upper: &[&['C'], &['H', 'B']],
        pwm: &[
            pwm(3, [6, 12], pin('E', 3), pin('E', 4)),
            pwm(4, [6, 12], pin('H', 3), pin('H', 4)),
        ],
        bus: [pin('B', 1), pin('B', 2), pin('B', 3), pin('B', 0)],
    },
];

/// Axes that the largest part steps; one of its channels times everything else.
pub(super) const MOST_AXES: usize = CONTROLLERS[CONTROLLERS.len() - 1].compare.len() - 1;

impl Controller {
    /// The family that a rig names.
    pub(super) fn named(name: &str) -> Option<&'static Self> {
        let is_named = |part: &&Self| part.compiler_name.eq_ignore_ascii_case(name.trim());
        CONTROLLERS.iter().find(is_named)
    }

    /// What makes outputs exact where the timer divides its clock by that. Timers of 8
    /// bits turn over too soon where they count the clock itself.
    pub(super) fn exact_at(&self, prescaler: u32) -> &'static [CompareOutput] {
        if self.exact_bits == 8 && prescaler == 1 {
            &[]
        } else {
            self.exact
        }
    }
}
