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

use super::binary::lay_out;
use super::{EmitError, Heading};
use crate::plan::Item;
use crate::schedule::What;
use crate::schedule::pack::{PackError, pack};
use crate::schedule::timer::suits_player;

pub use pace::EVENT_CYCLES;
pub use part::{Part, PartPin, Wiring};

/// What the player puts out for its axes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Lines {
    /// A step and a direction line for each, for a drive that takes them.
    #[default]
    Steps,
    /// The switches of their bridges, and codes for converters where the rig has them.
    Coils,
}

/// What the format is called on the command line.
pub const NAME: &str = "firmware";

/// One object of the compiler for these parts holds no more bytes.
const LONGEST_TABLE: usize = 32_767;

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
    /// Bytes of the packed schedule.
    pub table: usize,
    /// Steps of the program, of all axes.
    pub steps: u64,
}

/// Files that every project holds as they are.
const COMMON: [(&str, &str); 8] = [
    ("player.h", include_str!("c/player.h")),
    ("player.c", include_str!("c/player.c")),
    ("event.h", include_str!("c/event.h")),
    ("source.h", include_str!("c/source.h")),
    ("decoder_table.h", include_str!("c/decoder_table.h")),
    ("table.c", include_str!("c/table.c")),
    ("board.h", include_str!("c/board.h")),
    ("board_other.h", include_str!("c/board_other.h")),
];

/// Files that a project for an AVR holds besides.
const AVR: [(&str, &str); 2] = [
    ("board_avr.h", include_str!("c/board_avr.h")),
    ("board_avr.c", include_str!("c/board_avr.c")),
];

/// Files that it needs to switch coils.
const COILS: [(&str, &str); 2] = [
    ("coils.h", include_str!("c/coils.h")),
    ("coils_avr.c", include_str!("c/coils_avr.c")),
];

impl Project {
    /// The project that plays a planned program.
    ///
    /// # Errors
    /// Programs that the player cannot hold or cannot keep up with.
    pub fn of(
        heading: &Heading<'_>,
        lines: Lines,
        items: &mut dyn Iterator<Item = Item>,
    ) -> Result<Self, EmitError> {
        let unfit = |reason: String| EmitError::Unfit {
            format: NAME,
            reason,
        };
        let rig = heading.rig;
        let packed = pack(items, rig).map_err(|error: PackError| unfit(error.to_string()))?;
        let layout = lay_out(&packed, rig, heading.failure.unwrap_or_default())?;
        if layout.bytes.len() > LONGEST_TABLE {
            return Err(unfit(format!(
                "its schedule takes {} bytes even when packed, and a table in the program's memory holds {LONGEST_TABLE}",
                layout.bytes.len()
            )));
        }
        if packed.marks().len() > 254 {
            return Err(unfit("it has more than 254 different marks".to_owned()));
        }
        let tables = match lines {
            Lines::Steps => Vec::new(),
            Lines::Coils => coils::tables(rig).map_err(unfit)?,
        };
        let wiring = if suits_player(&rig.timer) {
            Wiring::of(rig, coils::kind(&tables))
        } else {
            Err(format!(
                "its timer counts {} divided by {}",
                rig.timer.clock, rig.timer.prescaler
            ))
        };
        if let (Lines::Coils, Err(reason)) = (lines, &wiring) {
            return Err(unfit(format!(
                "the player switches coils only where it is made for the board, and here {reason}"
            )));
        }
        let mut pace = pace::Pace::new(rig, lines);
        let mut steps = 0;
        for event in packed.events() {
            steps += u64::from(matches!(event.what, What::Step { .. }));
            if wiring.is_ok() {
                pace.pass(&event)
                    .map_err(|problem| unfit(problem.to_string()))?;
            }
        }
        let file = |name, text| ProjectFile {
            name,
            text,
            keep: false,
        };
        let mut files: Vec<ProjectFile> = COMMON
            .iter()
            .map(|&(name, text)| file(name, text.to_owned()))
            .collect();
        files.push(file("schedule.h", text::schedule_h(heading, &layout)));
        files.push(file("schedule.c", text::schedule_c(heading, &layout)));
        if let Ok(wiring) = &wiring {
            files.extend(AVR.iter().map(|&(name, text)| file(name, text.to_owned())));
            if !tables.is_empty() {
                files.extend(
                    COILS
                        .iter()
                        .map(|&(name, text)| file(name, text.to_owned())),
                );
                files.push(file("coil_table.h", coils::table_h(heading, &tables)));
            }
            files.push(ProjectFile {
                keep: true,
                ..file("pins.h", text::pins_h(heading, wiring))
            });
        }
        files.push(file("Makefile", text::makefile(wiring.as_ref().ok())));
        files.push(file(
            "README.md",
            text::readme(heading, &wiring, &layout, steps),
        ));
        Ok(Self {
            files,
            wiring,
            table: layout.bytes.len(),
            steps,
        })
    }
}
