//! The schedule as a project in C99 that plays it: the player, the board's side of it,
//! the packed schedule, a Makefile and a README.
//!
//! For 8-bit AVRs whose timer the rig describes the project builds as it stands. For
//! any other board it holds the same player behind four functions that the board has to
//! have; `board.h` says which.

mod coils;
mod pace;
mod part;
mod text;

use super::binary::{Layout, lay_out};
use super::{EmitError, Heading};
use crate::diagnostic::alternatives;
use crate::plan::Item;
use crate::rig::Rig;
use crate::schedule::pack::{PackError, pack};
use crate::schedule::timer::{PLAYER_CLOCK, PLAYER_PRESCALERS, suits_player};
use crate::schedule::{Event, What};
use crate::units::Frequency;

use pace::Pace;

pub use part::{CompareOutput, Part, PartPin, Wiring};

/// What the player puts out for its axes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Lines {
    /// A step and a direction line for each, for a drive that takes them.
    #[default]
    Steps,
    /// The switches of their bridges, and codes for converters where the rig has them.
    Coils,
}

/// Where the player has its schedule from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Feed {
    /// The program's own memory.
    #[default]
    Memory,
    /// A serial line of so many bits a second, on which `stream` sends any program for
    /// the same rig.
    Line {
        /// Bits a second.
        baud: u32,
    },
}

/// What is to be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Options {
    /// What the player puts out.
    pub lines: Lines,
    /// Where it has its schedule from.
    pub feed: Feed,
    /// Whether it is for another board than those that the player is made for, whatever
    /// the rig says.
    pub other_board: bool,
}

/// What the format is called on the command line.
pub const NAME: &str = "firmware";

/// Width of the counter that the player uses on the parts that it is made for.
pub const TIMER_BITS: u32 = 16;

/// One object of the compiler for these parts holds no more bytes.
const LONGEST_TABLE: usize = 32_767;
/// An event names a mark in one byte, and 0 is none.
const MOST_MARKS: usize = 254;

/// A file of a project.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProjectFile {
    /// Its name within the project.
    pub name: &'static str,
    /// What it holds.
    pub text: String,
    /// Whether it is the builder's once it is there: which pin does what.
    pub keep: bool,
}

/// A project that plays one program.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Project {
    /// Its files.
    pub files: Vec<ProjectFile>,
    /// The wiring, where the player is made for the board as it stands; otherwise why
    /// it is not.
    pub wiring: Result<Wiring, String>,
    /// Bytes of the packed schedule; none where it comes over a line.
    pub table: Option<usize>,
}

/// A packed schedule as a project holds it.
struct Table {
    layout: Layout,
    /// Steps of the program, of all axes.
    steps: u64,
}

/// Files that every project holds as they are.
const COMMON: [(&str, &str); 6] = [
    ("player.h", include_str!("c/player.h")),
    ("player.c", include_str!("c/player.c")),
    ("event.h", include_str!("c/event.h")),
    ("source.h", include_str!("c/source.h")),
    ("board.h", include_str!("c/board.h")),
    ("board_other.h", include_str!("c/board_other.h")),
];

/// Files that read a schedule in memory.
const TABLE: [(&str, &str); 2] = [
    ("decoder_table.h", include_str!("c/decoder_table.h")),
    ("table.c", include_str!("c/table.c")),
];

/// Files that read one from a serial line.
const LINK: [(&str, &str); 3] = [
    ("decoder_link.h", include_str!("c/decoder_link.h")),
    ("link.h", include_str!("c/link.h")),
    ("link.c", include_str!("c/link.c")),
];

/// Files that a project for an AVR holds besides.
const AVR: [(&str, &str); 3] = [
    ("board_avr.h", include_str!("c/board_avr.h")),
    ("board_avr.c", include_str!("c/board_avr.c")),
    ("step_avr.h", include_str!("c/step_avr.h")),
];

/// Files that it needs to switch coils.
const COILS: [(&str, &str); 2] = [
    ("coils.h", include_str!("c/coils.h")),
    ("coils_avr.c", include_str!("c/coils_avr.c")),
];

impl Project {
    /// The project that plays a planned program, or any program of the rig that comes over
    /// a line.
    ///
    /// # Errors
    /// Programs that the player cannot hold or cannot keep up with, coils that it cannot
    /// switch, and pins that no part has although the timer would fit.
    pub fn of(
        heading: &Heading<'_>,
        Options {
            lines,
            feed,
            other_board,
        }: Options,
        items: &mut dyn Iterator<Item = Item>,
    ) -> Result<Self, EmitError> {
        let rig = heading.rig;
        let tables = match lines {
            Lines::Steps => Vec::new(),
            Lines::Coils => coils::tables(rig).map_err(unfit)?,
        };
        let wiring = if other_board {
            Err("--other-board says so".to_owned())
        } else if suits_player(&rig.timer) {
            Wiring::of(rig, coils::kind(&tables))
        } else {
            Err(format!(
                "its timer counts {} divided by {}, and would have to count {} at most, divided by {}",
                rig.timer.clock,
                rig.timer.prescaler,
                Frequency::new(PLAYER_CLOCK),
                alternatives(&PLAYER_PRESCALERS.map(|by| by.to_string()))
            ))
        };
        if let (Lines::Coils, Err(reason)) = (lines, &wiring) {
            return Err(unfit(format!(
                "the player switches coils only where it is made for the board, and here {reason}"
            )));
        }
        if let Err(reason) = &wiring
            && suits_player(&rig.timer)
            && rig.axes.len() <= part::MOST_AXES
            && !other_board
        {
            return Err(unfit(format!(
                "the pins of its rig fit none of the parts that the player is made for: {reason}. --other-board writes the \
                 player for a board of another kind, behind four functions of your own"
            )));
        }
        let table = match feed {
            Feed::Memory => Some(table(heading, items, lines, wiring.as_ref().ok())?),
            Feed::Line { baud } => {
                if wiring.is_ok() {
                    check_rate(rig.timer.clock.si(), baud).map_err(unfit)?;
                }
                None
            }
        };
        let mut files = copies(&COMMON);
        match &table {
            Some(Table { layout, .. }) => {
                files.extend(copies(&TABLE));
                files.push(file("schedule.c", text::schedule_c(heading, layout)));
            }
            None => files.extend(copies(&LINK)),
        }
        let layout = table.as_ref().map(|table| &table.layout);
        files.push(file(
            "schedule.h",
            text::schedule_h(heading, wiring.as_ref().ok(), layout),
        ));
        if let Ok(wiring) = &wiring {
            files.extend(copies(&AVR));
            if !tables.is_empty() {
                files.extend(copies(&COILS));
                files.push(file("coil_table.h", coils::table_h(heading, &tables)));
            }
            files.push(ProjectFile {
                keep: true,
                ..file("pins.h", text::pins_h(wiring))
            });
        }
        files.push(file("Makefile", text::makefile(wiring.as_ref().ok(), feed)));
        let counts = table
            .as_ref()
            .map(|table| (table.steps, table.layout.bytes.len()));
        files.push(file(
            "README.md",
            text::readme(heading, &wiring, feed, counts),
        ));
        Ok(Self {
            files,
            wiring,
            table: counts.map(|(_, bytes)| bytes),
        })
    }
}

/// Share by which a serial port may be off its rate: host and board together may be off
/// by some 4 % before the last bit of a byte is misread (common practice).
const RATE_TOLERANCE: f64 = 0.025;

/// Rates of serial lines (bits a second) that computers offer (common practice), fastest
/// first.
const COMMON_RATES: [u32; 8] = [
    250_000, 115_200, 76_800, 57_600, 38_400, 19_200, 9_600, 4_800,
];

/// Whether the serial port of a part with this clock (Hz) makes so many bits a second; it
/// divides an eighth of the clock by a whole number.
fn check_rate(clock: f64, baud: u32) -> Result<(), String> {
    let made = |baud: u32| clock / 8.0 / (clock / 8.0 / f64::from(baud)).round().max(1.0);
    let fits = |baud: &u32| (made(*baud) / f64::from(*baud) - 1.0).abs() <= RATE_TOLERANCE;
    if fits(&baud) {
        return Ok(());
    }
    let cure = COMMON_RATES.into_iter().find(fits);
    let cure = cure.map_or_else(String::new, |baud| format!("; --baud {baud} fits"));
    Err(format!(
        "with a clock of {} its serial port makes {:.0} bits a second, not {baud}{cure}",
        Frequency::new(clock),
        made(baud)
    ))
}

/// Whether the player has everything of a program ready in time that comes to it over a
/// line, where it is made for the board that the rig describes. How fast it decodes from
/// a line is another matter: see [`crate::stream::STEP_CYCLES`].
///
/// # Errors
/// What comes too close together, and how far apart it has to be.
pub fn ready_in_time(rig: &Rig, mut events: impl Iterator<Item = Event>) -> Result<(), String> {
    if !suits_player(&rig.timer) {
        return Ok(());
    }
    let Ok(wiring) = Wiring::of(rig, coils::kind(&[])) else {
        return Ok(());
    };
    let mut pace = Pace::new(rig, Lines::Steps, &wiring);
    events
        .try_for_each(|event| pace.pass(&event))
        .and_then(|()| pace.finish())
        .map_err(|problem| problem.to_string())
}

/// Whether two texts of `pins.h` are for one wiring, so that a builder's can be kept.
pub fn same_wiring(one: &str, other: &str) -> bool {
    text::same_wiring(one, other)
}

/// Whether a text of `pins.h` is as it was written, so that nothing of the builder's is lost
/// with it.
pub fn is_as_written(pins: &str) -> bool {
    text::is_as_written(pins)
}

fn unfit(reason: String) -> EmitError {
    EmitError::Unfit {
        format: NAME,
        reason,
    }
}

fn file(name: &'static str, text: String) -> ProjectFile {
    ProjectFile {
        name,
        text,
        keep: false,
    }
}

fn copies(files: &'static [(&str, &str)]) -> Vec<ProjectFile> {
    let copy = |&(name, text): &(&'static str, &str)| file(name, text.to_owned());
    files.iter().map(copy).collect()
}

/// Packs a program for a player that puts out these lines, with this wiring; none: for a
/// board whose pace is not known.
fn table(
    heading: &Heading<'_>,
    items: &mut dyn Iterator<Item = Item>,
    lines: Lines,
    wiring: Option<&Wiring>,
) -> Result<Table, EmitError> {
    let rig = heading.rig;
    let packed = pack(items, rig).map_err(|error: PackError| unfit(error.to_string()))?;
    let layout = lay_out(&packed, rig, heading.failure.unwrap_or_default())?;
    if layout.bytes.len() > LONGEST_TABLE {
        return Err(unfit(format!(
            "its schedule takes {} bytes even when packed, and a table in the program's memory holds {LONGEST_TABLE}; `stream` sends it over a line instead",
            layout.bytes.len()
        )));
    }
    if packed.marks().len() > MOST_MARKS {
        return Err(unfit(format!(
            "it has more than {MOST_MARKS} different marks"
        )));
    }
    let mut pace = wiring.map(|wiring| Pace::new(rig, lines, wiring));
    let mut steps = 0;
    for event in packed.events() {
        steps += u64::from(matches!(event.what, What::Step { .. }));
        if let Some(pace) = &mut pace {
            pace.pass(&event)
                .map_err(|problem| unfit(problem.to_string()))?;
        }
    }
    if let Some(pace) = &mut pace {
        pace.finish()
            .map_err(|problem| unfit(problem.to_string()))?;
    }
    Ok(Table { layout, steps })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_that_a_serial_port_cannot_make_are_refused() {
        // Errors of the rates as the data sheets of these parts list them for double
        // speed: 2.1 % at 115200 and none at 250000 from 16 MHz, 8.5 % at 230400 from
        // 8 MHz; from memory.
        assert_eq!(check_rate(16e6, 115_200), Ok(()));
        assert_eq!(check_rate(16e6, 250_000), Ok(()));
        assert!(check_rate(8e6, 230_400).is_err());
        assert!(check_rate(1e6, 115_200).is_err());
        let said = check_rate(8e6, 115_200).unwrap_err();
        assert!(said.ends_with("; --baud 250000 fits"), "{said}");
    }
}
