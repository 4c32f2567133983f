//! The schedule as a project in C99 that plays it: the player, the board's side of it,
//! the packed schedule, a Makefile and a README.
//!
//! For 8-bit AVRs whose timer the rig describes the project builds as it stands. For
//! any other board it holds the same player, which needs five functions of the board;
//! `board.h` describes them.

use super::board::{Board, OtherBoard};
use super::options::{PlayerOptions, ProgramParts, ScheduleSource};
use super::readme::readme;
use super::verdict::{Refusal, Table};
use super::wiring::Wiring;
use super::{coils, makefile, text};
use crate::emit::Heading;
use crate::plan::Passages;

/// What the project is called among the formats.
pub const NAME: &str = "firmware";

/// The file that says how to build, wire and use the player.
const README: &str = "README.md";

/// A file of a project.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProjectFile {
    /// Its name within the project.
    pub name: &'static str,
    /// What it holds.
    pub text: String,
    /// What becomes of it where the builder has edited it.
    pub edits: Edits,
}

/// What becomes of a file that the builder has edited, when its project is written again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Edits {
    /// It is kept.
    Kept,
    /// It is kept, and fits only the wiring that it is for.
    Wiring,
    /// The project is not written: it holds the program, and the old one would be played.
    Refused,
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

/// Files that hold the program or its coils.
fn of_the_program(name: &'static str, text: String) -> ProjectFile {
    ProjectFile {
        edits: Edits::Refused,
        ..file(name, text)
    }
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

/// Files that it needs to seek inputs.
const SEEK: [(&str, &str); 2] = [
    ("seek.h", include_str!("c/seek.h")),
    ("seek.c", include_str!("c/seek.c")),
];

/// Files for functions of the builder's own.
const USER: [(&str, &str); 2] = [
    ("user.h", include_str!("c/user.h")),
    ("user.c", include_str!("c/user.c")),
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
        passages: &mut dyn Passages,
    ) -> Result<Self, Refusal> {
        Self::of_several(&mut [(*heading, passages)], options).map_err(|(_, refusal)| refusal)
    }

    /// The project that plays one of several planned programs of a rig, as its inputs select it.
    /// There is at least one, and no more where they come over a line.
    ///
    /// # Errors
    /// As [`of`](Self::of), with the number of the program that is refused.
    pub fn of_several(
        programs: &mut [(Heading<'_>, &mut dyn Passages)],
        options: PlayerOptions,
    ) -> Result<Self, (usize, Refusal)> {
        let names: Vec<String> = programs
            .iter()
            .map(|(heading, _)| heading.program.to_owned())
            .collect();
        let all = names.join(" and ");
        let failure = programs.iter().find_map(|(heading, _)| heading.failure);
        let heading = &Heading {
            program: &all,
            rig: programs[0].0.rig,
            failure,
        };
        let mut board = Board::of(heading.rig, options).map_err(|one| (0, one.into()))?;
        let table = match options.source {
            ScheduleSource::Memory => Some(board.load(programs)?),
            ScheduleSource::Line { .. } => None,
        };
        let Board {
            wiring,
            coils: tables,
            ..
        } = board;
        let mut files = copies(&COMMON);
        match &table {
            Some(Table { layout, seeks, .. }) => {
                files.extend(copies(&TABLE));
                if *seeks {
                    files.extend(copies(&SEEK));
                }
                if options.user_code {
                    files.extend(copies(&USER));
                }
                files.push(of_the_program(
                    "schedule.c",
                    text::schedule_c(heading, layout),
                ));
            }
            None => files.extend(copies(&LINK)),
        }
        let layout = table.as_ref().map(|table| &table.layout);
        let marks = table.as_ref().map_or(&[][..], |table| &table.marks);
        let parts = ProgramParts {
            seeks: table.as_ref().is_some_and(|table| table.seeks),
            several: names.len() > 1,
            user_code: table.is_some() && options.user_code,
        };
        files.push(of_the_program(
            "schedule.h",
            text::schedule_h(heading, wiring.as_ref().ok(), layout, parts, marks),
        ));
        if let Ok(wiring) = &wiring {
            files.extend(copies(&AVR));
            if !tables.is_empty() {
                files.extend(copies(&COILS));
                files.push(of_the_program(
                    "coil_table.h",
                    coils::table_h(heading, &tables),
                ));
            }
            files.push(ProjectFile {
                edits: Edits::Wiring,
                ..file("pins.h", text::pins_h(heading.rig, wiring))
            });
        }
        files.push(file(
            "Makefile",
            makefile::makefile(heading.rig, wiring.as_ref().ok(), options.source, parts),
        ));
        let counts = table
            .as_ref()
            .map(|table| (table.steps, table.layout.bytes.len()));
        files.push(file(
            README,
            readme(heading, &names, &wiring, options.source, counts, parts),
        ));
        for ProjectFile { name, text, .. } in &mut files {
            *text = text::sealed(name, text);
        }
        Ok(Self {
            files,
            wiring,
            table: counts.map(|(_, bytes)| bytes),
        })
    }

    /// Adds a section to the README, which still counts as written and not as edited.
    pub fn add_to_readme(&mut self, section: &str) {
        let readme = self.files.iter_mut().find(|file| file.name == README);
        if let Some(ProjectFile { name, text, .. }) = readme
            && let Some(inside) = text::unsealed(name, text)
        {
            *text = text::sealed(name, &format!("{inside}{section}"));
        }
    }
}

/// Whether two texts of `pins.h` are for one wiring, so that a builder's can be kept.
pub fn same_wiring(one: &str, other: &str) -> bool {
    text::same_wiring(one, other)
}

/// Whether the text of a project's file is as it was written, so that nothing of the builder's
/// is lost with it.
pub fn is_as_written(name: &str, text: &str) -> bool {
    text::is_as_written(name, text)
}

fn file(name: &'static str, text: String) -> ProjectFile {
    ProjectFile {
        name,
        text,
        edits: Edits::Kept,
    }
}

fn copies(files: &'static [(&str, &str)]) -> Vec<ProjectFile> {
    let copy = |&(name, text): &(&'static str, &str)| file(name, text.to_owned());
    files.iter().map(copy).collect()
}
