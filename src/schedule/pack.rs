//! Packing: a whole program in so few bytes that a small flash holds it.
//!
//! A [`Packed`] program has one stream of operations for each axis and one for
//! outputs, inputs and texts. A stream plays motions; each distinct motion is stored
//! once, as stretches of ramps played forwards or backwards and even stretches
//! between them; ramps consist of runs, polynomials that additions alone decode. What
//! a stream does over and over is stored once with a count.
//!
//! Each motion is packed relative to its own start, and its start keeps a fraction
//! of a tick, so whatever the ideal start, every decoded step lies within one tick of
//! its ideal time, the last step of each motion falls on exactly its tick, and
//! nothing is handed on to the next.
//!
//! ```text
//! decoded tick = ⌊ start + P(k) + ½ ⌋      |P(k) − t(k)| < ½
//! ```
//!
//! with t(k) the ideal time of step k since the start, and P(k) the decoded one in
//! 2⁻¹⁶ ticks.

mod build;
pub(crate) mod bytes;
mod error;
pub(crate) mod fit;
mod fold;
mod motion;
mod op;
mod place;
mod play;
mod ramp;

pub(crate) use build::pack;
pub(crate) use error::{Malformed, PackError};
pub(crate) use op::awaited;
#[cfg(test)]
pub(crate) use op::read_awaited;
pub(crate) use play::PackedEvents;

use bytes::Reader;
use motion::PackedMotion;
use op::Op;
use ramp::PackedRamp;

/// The longest gap and the longest interval that one number of the layout holds (ticks).
/// A decoder counts what it waits for in 32 bits, and has up to 2¹⁵ ticks of it left when
/// it reads the next number.
pub(crate) const LONGEST_WAIT: u64 = 1 << 31;

/// A packed program.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Packed {
    ramps: Vec<PackedRamp>,
    motions: Vec<PackedMotion>,
    /// One for each axis of the rig, then the one for everything else.
    streams: Vec<Vec<Op>>,
    /// The texts of the script's marks, each once.
    marks: Vec<String>,
}

/// The sections that the bytes of a packed program consist of.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Sections {
    /// The ramps, one after the other.
    pub ramps: Vec<u8>,
    /// The motions, one after the other.
    pub motions: Vec<u8>,
    /// The streams: each axis, then everything else.
    pub streams: Vec<Vec<u8>>,
    /// The texts.
    pub marks: Vec<String>,
}

impl Packed {
    /// The texts of its marks.
    pub(crate) fn marks(&self) -> &[String] {
        &self.marks
    }

    /// Whether it seeks an input or sets a position.
    pub(crate) fn seeks(&self) -> bool {
        self.streams.iter().any(|ops| op::seeks(ops))
    }

    /// Whether it repeats without end.
    pub(crate) fn is_endless(&self) -> bool {
        self.streams.iter().flatten().any(Op::is_endless)
    }

    /// Its events in the order of ticks, decoded; without end where it repeats so.
    pub(crate) fn events(&self) -> PackedEvents<'_> {
        PackedEvents::new(self, false)
    }

    /// The same without the periods that were not gone through when it was packed. The tick
    /// of whatever follows them stays. What repeats without end is gone through once.
    pub(crate) fn events_in_short(&self) -> PackedEvents<'_> {
        PackedEvents::new(self, true)
    }

    /// Its bytes.
    pub(crate) fn sections(&self) -> Sections {
        let mut sections = Sections {
            marks: self.marks.clone(),
            ..Sections::default()
        };
        let mut ramp_starts = Vec::new();
        for ramp in &self.ramps {
            ramp_starts.push(sections.ramps.len());
            ramp.write(&mut sections.ramps);
        }
        let mut motion_starts = Vec::new();
        for motion in &self.motions {
            motion_starts.push(sections.motions.len());
            motion.write(&ramp_starts, &mut sections.motions);
        }
        for stream in &self.streams {
            let mut bytes = Vec::new();
            op::write(stream, &motion_starts, &mut bytes);
            sections.streams.push(bytes);
        }
        sections
    }
}

impl Sections {
    /// Reads a program back from its sections.
    ///
    /// # Errors
    ///
    /// Where the bytes are not those of a packed program.
    pub(crate) fn read(&self) -> Result<Packed, Malformed> {
        let mut packed = Packed {
            marks: self.marks.clone(),
            ..Packed::default()
        };
        let mut ramp_starts = Vec::new();
        let mut reader = Reader::new(&self.ramps);
        while !reader.is_empty() {
            ramp_starts.push(reader.position());
            packed.ramps.push(PackedRamp::read(&mut reader)?);
        }
        let mut motion_starts = Vec::new();
        let mut reader = Reader::new(&self.motions);
        while !reader.is_empty() {
            motion_starts.push(reader.position());
            let motion = PackedMotion::read(&mut reader, &packed.ramps, &ramp_starts)?;
            packed.motions.push(motion);
        }
        for bytes in &self.streams {
            let ops = op::read(&mut Reader::new(bytes), &motion_starts, op::MOST_NESTED)?;
            op::check(&ops, packed.marks.len())?;
            packed.streams.push(ops);
        }
        Ok(packed)
    }
}
