//! A schedule becomes files that firmware and instruments read.
//!
//! Every format is one file here with one type that implements [`Format`], and one
//! line in [`FORMATS`]. All of them stream: memory does not grow with the number of
//! steps, except where a format holds a table in the controller's memory, which is
//! limited.

pub(crate) mod binary;
pub(crate) mod c_header;
pub(crate) mod coils;
pub(crate) mod comment;
mod csv;
mod digits;
mod identifiers;
mod json;
#[cfg(test)]
mod tests;
mod vcd;

use std::io::{self, Write};

use thiserror::Error;

use crate::plan::Passages;
use crate::rig::Rig;

pub use binary::{Binary, ReadError, unpack, unpack_first};
pub use c_header::CHeader;
pub use coils::CoilFormat;
pub use csv::Csv;
pub use json::Json;
pub use vcd::Vcd;

/// What stands at the head of every file.
#[derive(Debug, Clone, Copy)]
pub struct Heading<'a> {
    /// Name of the program, usually of its script.
    pub program: &'a str,
    /// The rig that it is scheduled for.
    pub rig: &'a Rig,
    /// Why the program must not run, where it is written anyway.
    pub failure: Option<&'a str>,
}

impl Heading<'_> {
    /// Nominal ticks a second.
    pub fn tick_rate(&self) -> f64 {
        self.rig.timer.tick_rate()
    }
}

/// A file format for schedules.
pub trait Format: Sync {
    /// Its name on the command line.
    fn name(&self) -> &'static str;

    /// Whether it can hold a program without end.
    fn can_be_endless(&self) -> bool;

    /// Writes a planned program. One without end comes up to the end of a first period, and
    /// offers to leave out all others.
    ///
    /// # Errors
    /// What the writer fails with, and programs that the format cannot hold.
    fn write(
        &self,
        heading: &Heading<'_>,
        passages: &mut dyn Passages,
        out: &mut dyn Write,
    ) -> Result<(), EmitError>;
}

/// Every format, in the order in which the help names them.
pub const FORMATS: &[&dyn Format] = &[&Csv, &Json, &Binary, &Vcd, &CHeader];

/// The format of that name.
pub fn format(name: &str) -> Option<&'static dyn Format> {
    FORMATS.iter().find(|format| format.name() == name).copied()
}

/// Why a schedule was not written.
#[derive(Debug, Error)]
pub enum EmitError {
    /// The writer failed.
    #[error(transparent)]
    Io(#[from] io::Error),
    /// The format cannot hold the program.
    #[error("{format} cannot hold this program: {reason}")]
    Unfit {
        /// Which format.
        format: &'static str,
        /// What is too much for it.
        reason: String,
    },
}

/// Gathers small pieces of text and hands them on in large ones.
pub(crate) struct Pages<'a> {
    text: Vec<u8>,
    out: &'a mut dyn Write,
}

impl<'a> Pages<'a> {
    const SIZE: usize = 1 << 16;

    pub(crate) fn new(out: &'a mut dyn Write) -> Self {
        Self {
            text: Vec::with_capacity(2 * Self::SIZE),
            out,
        }
    }

    /// The text gathered so far, to append to.
    pub(crate) fn text(&mut self) -> &mut Vec<u8> {
        &mut self.text
    }

    /// Hands on what is there, once it is enough.
    pub(crate) fn turn(&mut self) -> io::Result<()> {
        if self.text.len() >= Self::SIZE {
            self.out.write_all(&self.text)?;
            self.text.clear();
        }
        Ok(())
    }

    /// Hands on the rest.
    pub(crate) fn finish(self) -> io::Result<()> {
        self.out.write_all(&self.text)?;
        self.out.flush()
    }
}

impl Write for Pages<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.text.extend_from_slice(bytes);
        self.turn()?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
