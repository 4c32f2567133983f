//! The packed schedule as bytes, for a player on a small microcontroller.
//!
//! Numbers of a fixed size are little-endian. The others, written n below, have seven
//! bits a byte, lowest first, and the highest bit set in all bytes but the last
//! (LEB128).
//!
//! ```text
//! 4 bytes  "SLW" and 0x1A
//! 1        version of the layout: 2, or 3 with a repeat without end
//! 1        number of axes
//! 1        number of outputs
//! 1        number of inputs
//! 8        clock of the timer (Hz), IEEE 754 double
//! n        clock cycles a tick
//! n        shortest step pulse (ticks)
//! n        direction set-up (ticks)
//! …        sections, each its length in bytes (n) and its bytes:
//!          ramps, motions, the stream of each axis, the stream of everything else,
//!          texts
//! 4        CRC-32 (ISO 3309) of all bytes before it
//! ```
//!
//! **Texts**: a remark (empty, or why the program failed its check), the names of
//! axes, outputs and inputs, then the texts of marks to the end of the section; each
//! its length in bytes (n) and as much UTF-8.
//!
//! **Stream**: operations, each one byte and what follows it.
//!
//! ```text
//!  0        end of the stream, or of the body of a repeat
//!  1 n      play the motion that begins at that byte of the motions
//!  2        the axis turns towards rising positions from now on
//!  3        … towards falling ones
//!  4 u8     output off                  5 u8   output on
//!  6 n      the mark with the text of that number
//!  7 u8     wait for an input           8 u8 n   … for so many ticks at most (n below 2⁶⁰)
//!  9        another stream waits for an input, seeks one or sets a position (7, 8, 17, 18, 19); go on
//!           with it
//! 10 n      the operations up to the matching 0, so many times, or without end where n is
//!           0; up to 4 deep
//! 11        nothing (between two gaps)
//! 17 u8 u8  seek an input, whose byte comes first, with the axis of that number: the one motion
//!           of the axis up to 18 ends early, at the step at which the input is seen
//! 18        end of the seek; where the input has not been seen, the program ends here
//! 19 u8 n   the place of that axis is at so many microsteps from now on: 2p where p is not
//!           negative, else −2p − 1
//! 12 … 16   a gap: 0 … 4 bytes of its fraction of a tick, the last of them worth 2⁻⁸
//!           and each one before it 2⁻⁸ of that, then whole ticks (n, at most 2³¹)
//! ```
//!
//! The byte of an input holds its number, and in its two highest bits what is waited for:
//! 0 it is active, 1 it is not, 2 it becomes active after it was not.
//!
//! A stream keeps a clock that starts at 0. A gap moves it on before the next
//! operation; without one, that follows at once. A motion moves it on by its
//! intervals, with a step behind each. Whatever happens falls on ⌊clock⌋, its whole
//! ticks. (The clock is half a tick ahead of time, so that this rounds.)
//!
//! **Motion**: parts up to one that ends it. Each interval ends in a step. An interval
//! i that stands here is 2 bytes of its fraction, 2⁻¹⁶ ticks, then whole ticks (n, below
//! 2³²).
//!
//! ```text
//! 0            end
//! 1 n n        the ramp that begins at that byte of the ramps; so many of its intervals
//! 2 n i        so many equal intervals
//! 3 n          so many intervals back along the last ramp, from where it ended
//! 4 i n n n i  one interval; a ramp and how many of its intervals, as in 1; an even
//!              stretch, as in 2; as many intervals of the ramp back; end
//! ```
//!
//! **Ramp**: how many runs (n), then the runs, whose intervals are below 2¹⁵ ticks:
//!
//! ```text
//! 1 byte   widths in bytes of the four changes, two bits each, the first lowest
//! 1        highest bit: the changes count 2⁻⁸ ticks, else 2⁻¹⁶; the other bits c:
//!          below 112 the run has c + 1 intervals, else
//! [1]      … this byte b follows, and it has 256 (c − 112) + b + 1
//! …        the changes of interval i and differences d₁, d₂, d₃, signed
//! 1        length of the run in bytes, this one included
//! ```
//!
//! At the start of a ramp i = d₁ = d₂ = d₃ = 0. Entering a run adds its changes, and
//! each of its intervals is i, after which i += d₁, d₁ += d₂, d₂ += d₃; all in 2⁻¹⁶
//! ticks, modulo 2³², i without a sign. Going back undoes this step by step: d₂ −= d₃,
//! d₁ −= d₂, i −= d₁, then i is the interval; behind the first interval of a run its
//! changes come off.

use std::io::{self, Write};

use crc::{CRC_32_ISO_HDLC, Crc};
use thiserror::Error;

use super::{EmitError, Format, Heading};
use crate::plan::Passages;
use crate::rig::{Pin, Rig};
use crate::schedule::Event;
use crate::schedule::pack::bytes::{Reader, write_number};
use crate::schedule::pack::{Malformed, PackError, Packed, Sections, pack};
use crate::units::Frequency;

/// The checksum at the end.
pub(crate) const CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);
/// The first four bytes.
const MAGIC: [u8; 4] = *b"SLW\x1a";
/// The version of the layout, and the one with repeats without end.
const VERSION: u8 = 2;
const ENDLESS_VERSION: u8 = 3;

/// The format `binary`.
#[derive(Debug, Clone, Copy)]
pub struct Binary;

impl Format for Binary {
    fn name(&self) -> &'static str {
        "binary"
    }

    fn can_be_endless(&self) -> bool {
        true
    }

    fn write(
        &self,
        heading: &Heading<'_>,
        passages: &mut dyn Passages,
        out: &mut dyn Write,
    ) -> Result<(), EmitError> {
        let unfit = |error: PackError| EmitError::Unfit {
            format: self.name(),
            reason: error.to_string(),
        };
        let program = pack(passages, heading.rig).map_err(unfit)?;
        write(
            &program,
            heading.rig,
            heading.failure.unwrap_or_default(),
            out,
        )?;
        Ok(())
    }
}

/// What the bytes hold.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Contents {
    /// Clock of the timer.
    pub clock: Frequency,
    /// Clock cycles a tick.
    pub prescaler: u32,
    /// Shortest step pulse (ticks).
    pub step_pulse: u32,
    /// Direction set-up (ticks).
    pub direction_setup: u32,
    /// Why the program failed its check; empty where it passed.
    pub remark: String,
    /// Names of the axes.
    pub axes: Vec<String>,
    /// Names of the outputs.
    pub outputs: Vec<String>,
    /// Names of the inputs.
    pub inputs: Vec<String>,
    /// The program.
    pub program: Packed,
}

/// Why bytes are refused.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum ReadError {
    /// The first bytes are not those of a packed schedule.
    #[error("this is not a packed schedule")]
    NotOurs,
    /// A version that is not known.
    #[error("version {0} of the layout is not known")]
    Version(u8),
    /// Bytes have changed or are missing.
    #[error("the checksum does not match: the schedule is damaged")]
    Damaged,
    /// It repeats without end, so that its events cannot be listed.
    #[error("this schedule repeats without end: its events cannot be listed")]
    Endless,
    /// The checksum matches, but the content makes no sense.
    #[error(transparent)]
    Malformed(#[from] Malformed),
}

/// Writes a packed program for a rig. `remark` is empty, or says why the program
/// failed its check. Returns how many bytes were written.
///
/// # Errors
///
/// Where writing fails, or the rig has more than 255 axes, outputs or inputs.
pub(crate) fn write(
    program: &Packed,
    rig: &Rig,
    remark: &str,
    out: &mut (impl Write + ?Sized),
) -> io::Result<usize> {
    let bytes = to_bytes(program, rig, remark)?;
    out.write_all(&bytes)?;
    Ok(bytes.len())
}

/// The same as a vector.
///
/// # Errors
///
/// Where the rig has more than 255 axes, outputs or inputs.
pub(crate) fn to_bytes(program: &Packed, rig: &Rig, remark: &str) -> io::Result<Vec<u8>> {
    Ok(lay_out(program, rig, remark)?.bytes)
}

/// The events of a packed schedule, as a player of one's own should play them.
///
/// # Errors
/// These bytes are not a whole packed schedule, or it has no end; see [`unpack_first`].
pub fn unpack(bytes: &[u8]) -> Result<Vec<Event>, ReadError> {
    let program = read(bytes)?.program;
    if program.is_endless() {
        return Err(ReadError::Endless);
    }
    Ok(program.events().collect())
}

/// The first `most` events of a packed schedule, which may repeat without end.
///
/// # Errors
/// These bytes are not a whole packed schedule.
pub fn unpack_first(bytes: &[u8], most: usize) -> Result<Vec<Event>, ReadError> {
    Ok(read(bytes)?.program.events().take(most).collect())
}

/// A packed schedule as bytes, and where in them its sections begin.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Layout {
    pub(crate) bytes: Vec<u8>,
    pub(crate) ramps: usize,
    pub(crate) motions: usize,
    /// Each axis, then everything else.
    pub(crate) streams: Vec<usize>,
}

/// Lays the bytes of a packed program out.
///
/// # Errors
///
/// As [`to_bytes`].
pub(crate) fn lay_out(program: &Packed, rig: &Rig, remark: &str) -> io::Result<Layout> {
    let timer = &rig.timer;
    let fastest = timer.tick_rate() * (1.0 + timer.tolerance);
    let sections = program.sections();
    let mut out = Vec::new();
    out.extend(MAGIC);
    out.push(if program.is_endless() {
        ENDLESS_VERSION
    } else {
        VERSION
    });
    for count in [rig.axes.len(), rig.outputs.len(), rig.inputs.len()] {
        out.push(u8::try_from(count).map_err(|_| too_large())?);
    }
    out.extend(timer.clock.si().to_le_bytes());
    write_number(timer.prescaler.into(), &mut out);
    for time in [timer.step_pulse, timer.direction_setup] {
        write_number((time.si() * fastest).ceil() as u64, &mut out);
    }
    let mut texts = Vec::new();
    write_texts(rig, remark, &sections.marks, &mut texts);
    let mut place = |section: &[u8]| {
        write_number(section.len() as u64, &mut out);
        out.extend(section);
        out.len() - section.len()
    };
    let ramps = place(&sections.ramps);
    let motions = place(&sections.motions);
    let streams = sections
        .streams
        .iter()
        .map(|stream| place(stream))
        .collect();
    place(&texts);
    let checksum = CRC.checksum(&out);
    out.extend(checksum.to_le_bytes());
    Ok(Layout {
        bytes: out,
        ramps,
        motions,
        streams,
    })
}

fn too_large() -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidInput,
        "the program is too large for the layout",
    )
}

fn write_texts(rig: &Rig, remark: &str, marks: &[String], out: &mut Vec<u8>) {
    let axes = rig.axes.iter().map(|axis| axis.name.as_str());
    let pins = rig.outputs.iter().chain(&rig.inputs);
    let names = axes.chain(pins.map(|Pin { name, .. }| name.as_str()));
    for text in [remark]
        .into_iter()
        .chain(names)
        .chain(marks.iter().map(String::as_str))
    {
        write_number(text.len() as u64, out);
        out.extend(text.as_bytes());
    }
}

/// Reads a packed schedule.
///
/// # Errors
///
/// Where the bytes are not one, or are damaged; see [`ReadError`].
pub(crate) fn read(bytes: &[u8]) -> Result<Contents, ReadError> {
    if !bytes.starts_with(&MAGIC) {
        return Err(ReadError::NotOurs);
    }
    let (content, checksum) = bytes.split_last_chunk::<4>().ok_or(ReadError::Damaged)?;
    let mut reader = Reader::new(content);
    reader.take(MAGIC.len())?;
    let version = reader.u8()?;
    if ![VERSION, ENDLESS_VERSION].contains(&version) {
        return Err(ReadError::Version(version));
    }
    if CRC.checksum(content) != u32::from_le_bytes(*checksum) {
        return Err(ReadError::Damaged);
    }
    let [axes, outputs, inputs] = [reader.u8()?, reader.u8()?, reader.u8()?];
    let clock = Frequency::new(f64::from_bits(reader.little_endian(8)?));
    let [prescaler, step_pulse, direction_setup] = [reader.u32()?, reader.u32()?, reader.u32()?];
    let mut section = || {
        let length = usize::try_from(reader.number()?);
        reader.take(length.unwrap_or(usize::MAX))
    };
    let (ramps, motions) = (section()?.to_vec(), section()?.to_vec());
    let mut streams = Vec::new();
    for _ in 0..=axes {
        streams.push(section()?.to_vec());
    }
    let mut texts = Reader::new(section()?);
    if !reader.is_empty() {
        return Err(Malformed("something follows its last section").into());
    }
    let remark = text(&mut texts)?;
    let mut names = |count: u8| {
        (0..count)
            .map(|_| text(&mut texts))
            .collect::<Result<_, _>>()
    };
    let (axes, outputs, inputs) = (names(axes)?, names(outputs)?, names(inputs)?);
    let mut marks = Vec::new();
    while !texts.is_empty() {
        marks.push(text(&mut texts)?);
    }
    let sections = Sections {
        ramps,
        motions,
        streams,
        marks,
    };
    Ok(Contents {
        clock,
        prescaler,
        step_pulse,
        direction_setup,
        remark,
        axes,
        outputs,
        inputs,
        program: sections.read()?,
    })
}

fn text(reader: &mut Reader<'_>) -> Result<String, Malformed> {
    let length = usize::try_from(reader.number()?).unwrap_or(usize::MAX);
    let text = std::str::from_utf8(reader.take(length)?);
    Ok(text
        .map_err(|_| Malformed("a text is not UTF-8"))?
        .to_owned())
}
