//! Records: what the board puts into the rings of its streams.
//!
//! A board has one stream of events for each axis and one for everything else. Each
//! stream has a clock, which every record of that stream moves on; a record begins where
//! the one before it ended. The first byte of a record is 8 · kind + stream.
//!
//! | kind | rest of the record | what it is |
//! | --- | --- | --- |
//! | 0 … 3 | count, widths (1 byte), interval, as many differences as the kind says | a run of steps |
//! | 8 | gap | nothing: a part of a wait |
//! | 9 | gap | one step |
//! | 10, 11 | gap | the direction of the axis: rising, falling |
//! | 12, 13 | gap, number of the output (1) | the output goes off, on |
//! | 14 | gap, number of the mark (1; from 1 to 255, and then from 1 again) | a mark of the script |
//! | 15 | gap | the end of the program |
//! | 16 | gap | the stream meets the others where an input is waited for |
//! | 17 | gap, the input (1; what is waited for in its two highest bits: 0 active, 1 released, 2 pressed), time-out in ticks or 0 for none | the same, in the stream of everything else |
//!
//! A gap, in ticks from the record's start, is written seven bits a byte, lowest first,
//! with the highest bit set in all bytes but the last (LEB128, as in the DWARF standard);
//! so are a count and a time-out.
//!
//! The interval i and the differences d₁, d₂, d₃ of a run count 2⁻¹⁶ ticks; `widths`
//! holds the bytes of each less one, two bits each, the interval's lowest. They are
//! signed and stand lowest byte first; the interval is taken modulo 2³². The steps fall
//! on the whole ticks of
//!
//! ```text
//! start + ½ + Σ i      with, after each step,   i += d₁,  d₁ += d₂,  d₂ += d₃
//! ```

use crate::schedule::pack::awaited;
use crate::script::Until;

/// Bits of the first byte that hold the stream.
pub(super) const STREAM_BITS: u32 = 3;
/// The most axes that records can tell apart, with one more stream for the rest.
pub(crate) const MOST_AXES: usize = (1 << STREAM_BITS) - 1;
/// Marks are numbered from 1 to this, and then from 1 again.
pub(crate) const MARK_NUMBERS: u8 = 255;
/// The most steps of a run.
pub(crate) const LONGEST_RUN: usize = 4096;

/// A run of steps: `state` holds the first interval and its first, second and third
/// difference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct StepRun {
    /// How many steps.
    pub count: u16,
    /// Interval and differences (2⁻¹⁶ ticks, modulo 2³²).
    pub state: [u32; 4],
}

impl StepRun {
    /// When each of its steps falls (whole ticks since its start).
    pub(crate) fn ticks(&self) -> impl Iterator<Item = u64> + use<> {
        let mut state = self.state;
        let mut time = 1u64 << 15;
        (0..self.count).map(move |_| {
            time += u64::from(state[0]);
            state[0] = state[0].wrapping_add(state[1]);
            state[1] = state[1].wrapping_add(state[2]);
            state[2] = state[2].wrapping_add(state[3]);
            time >> 16
        })
    }

    /// How many differences it needs.
    fn order(&self) -> usize {
        (1..4).rfind(|&j| self.state[j] != 0).unwrap_or(0)
    }

    /// How many bytes it takes.
    pub(crate) fn size(&self) -> usize {
        let count = if self.count < 0x80 { 1 } else { 2 };
        2 + count
            + (0..=self.order())
                .map(|j| width(self.state[j]))
                .sum::<usize>()
    }
}

/// What a record says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum RecordKind {
    /// Steps.
    Run(StepRun),
    /// Something after a gap.
    Event {
        /// Ticks since the record's start.
        gap: u64,
        /// What.
        act: Act,
    },
}

impl RecordKind {
    /// Whether the streams meet at it.
    pub(crate) const fn is_meeting(&self) -> bool {
        matches!(
            self,
            Self::Event {
                act: Act::Meet | Act::Await(..),
                ..
            }
        )
    }
}

/// What happens at an event.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Act {
    /// Nothing.
    Pass,
    /// One step.
    Step,
    /// The direction line of the axis: rising position.
    Forwards,
    /// The direction line of the axis: falling position.
    Backwards,
    /// An output goes on or off.
    Output(u8, bool),
    /// A mark, by its number from 1 to [`MARK_NUMBERS`].
    Mark(u8),
    /// The end of the program.
    End,
    /// The stream meets the others where an input is waited for.
    Meet,
    /// The input, and after how many ticks to give up (0: never).
    Await(u8, Until, u64),
}

/// Appends a record of a stream.
pub(crate) fn write(stream: usize, what: &RecordKind, out: &mut Vec<u8>) {
    let head = |kind: u8| kind << STREAM_BITS | stream as u8;
    match what {
        RecordKind::Run(run) => {
            let order = run.order();
            let coefficients = &run.state[..=order];
            let widths = coefficients.iter().enumerate();
            let widths = widths.fold(0, |all, (j, value)| {
                all | ((width(*value) - 1) as u8) << (2 * j)
            });
            // At most 3.
            out.push(head(order as u8));
            write_number(u64::from(run.count), out);
            out.push(widths);
            for value in coefficients {
                out.extend(&value.to_le_bytes()[..width(*value)]);
            }
        }
        RecordKind::Event { gap, act } => {
            let kind = match act {
                Act::Pass => 8,
                Act::Step => 9,
                Act::Forwards => 10,
                Act::Backwards => 11,
                Act::Output(_, on) => 12 + u8::from(*on),
                Act::Mark(_) => 14,
                Act::End => 15,
                Act::Meet => 16,
                Act::Await(..) => 17,
            };
            out.push(head(kind));
            write_number(*gap, out);
            match act {
                Act::Output(number, _) | Act::Mark(number) => out.push(*number),
                Act::Await(input, until, timeout) => {
                    out.push(awaited(*input, *until));
                    write_number(*timeout, out);
                }
                _ => {}
            }
        }
    }
}

/// Bytes of a signed number.
fn width(value: u32) -> usize {
    match value as i32 {
        -0x80..=0x7f => 1,
        -0x8000..=0x7fff => 2,
        -0x80_0000..=0x7f_ffff => 3,
        _ => 4,
    }
}

fn write_number(mut value: u64, out: &mut Vec<u8>) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_adds_up() {
        let run = StepRun {
            count: 4,
            state: [10 << 16, 1 << 15, 1 << 16, 0],
        };
        // Intervals 10, 10.5, 12, 14.5; half a tick stands in front.
        assert_eq!(run.ticks().collect::<Vec<_>>(), [10, 21, 33, 47]);
    }
}
