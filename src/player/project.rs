//! The schedule as a project in C99 that plays it: the player, the board's side of it,
//! the packed schedule, a Makefile and a README.
//!
//! For 8-bit AVRs whose timer the rig describes the project builds as it stands. For
//! any other board it holds the same player behind four functions that the board has to
//! have; `board.h` says which.

use super::board::{Board, OtherBoard};
use super::options::{PlayerOptions, ScheduleSource};
use super::verdict::{Refusal, Table};
use super::wiring::Wiring;
use super::{coils, text};
use crate::emit::Heading;
use crate::plan::Item;

/// What the project is called among the formats.
pub const NAME: &str = "firmware";

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
#[derive(Debug, Clone, PartialEq)]
pub struct Project {
    /// Its files.
    pub files: Vec<ProjectFile>,
    /// The wiring, where the player is made for the board as it stands; otherwise why
    /// it is not.
    pub wiring: Result<Wiring, OtherBoard>,
    /// Bytes of the packed schedule; none where it comes over a line.
    pub table: Option<usize>,
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
        options: PlayerOptions,
        items: &mut dyn Iterator<Item = Item>,
    ) -> Result<Self, Refusal> {
        let mut board = Board::of(heading.rig, options)?;
        let table = match options.source {
            ScheduleSource::Memory => Some(board.load(heading.failure.unwrap_or_default(), items)?),
            ScheduleSource::Line { .. } => None,
        };
        let Board {
            wiring,
            coils: tables,
            ..
        } = board;
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
        files.push(file(
            "Makefile",
            text::makefile(wiring.as_ref().ok(), options.source),
        ));
        let counts = table
            .as_ref()
            .map(|table| (table.steps, table.layout.bytes.len()));
        files.push(file(
            "README.md",
            text::readme(heading, &wiring, options.source, counts),
        ));
        Ok(Self {
            files,
            wiring,
            table: counts.map(|(_, bytes)| bytes),
        })
    }
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
