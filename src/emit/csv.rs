//! Comma-separated values (RFC 4180, lines ending in LF): `tick,event,name,value`.
//!
//! | event | name | value |
//! | --- | --- | --- |
//! | `step`, `direction` | axis | 1 or −1 |
//! | `output` | output | 1 or 0 |
//! | `await` | input | ticks after which it gives up, or empty |
//! | `seek`, `seek-released` | axis | the input that is sought; what follows up to `sought` depends on it |
//! | `seek-step` | axis | 1 or −1: a step that is made only until the input is seen |
//! | `sought` | axis | empty: the input has been seen, or the program has ended at the last `seek-step` |
//! | `zero` | axis | its position from now on (microsteps) |
//! | `mark` | empty | the text; with `'` before `=`, `+`, `-` or `@`, so that no spreadsheet reckons with it |
//! | `unchecked` | empty | why the program must not run; the first row, if there is one |

use std::borrow::Cow;
use std::io::Write;

use super::digits::{TickLine, append_number};
use super::{EmitError, Format, Heading, Pages};
use crate::plan::{Direction, EachItem, Passages};
use crate::schedule::{Event, EventKind, Schedule, ScheduleRun};

/// The format `csv`.
#[derive(Debug, Clone, Copy)]
pub struct Csv;

impl Format for Csv {
    fn name(&self) -> &'static str {
        "csv"
    }

    fn can_be_endless(&self) -> bool {
        false
    }

    fn write(
        &self,
        heading: &Heading<'_>,
        passages: &mut dyn Passages,
        out: &mut dyn Write,
    ) -> Result<(), EmitError> {
        let rig = heading.rig;
        let lines_of = |event: &str| -> Vec<[TickLine; 2]> {
            let axes = rig.axes.iter();
            axes.map(|axis| {
                let name = field(&axis.name);
                ["1", "-1"].map(|way| TickLine::new("", &format!(",{event},{name},{way}\n")))
            })
            .collect()
        };
        let (mut lines, mut sought) = (lines_of("step"), lines_of("seek-step"));
        let mut pages = Pages::new(out);
        pages.text().extend_from_slice(b"tick,event,name,value\n");
        if let Some(failure) = heading.failure {
            writeln!(pages, "0,unchecked,,{}", field(failure))?;
        }
        let mut schedule = Schedule::new(EachItem(passages), rig);
        while let Some(run) = schedule.next_run() {
            match run {
                ScheduleRun::Steps {
                    axis,
                    direction,
                    ticks,
                    of,
                } => {
                    let way = usize::from(direction == Direction::Negative);
                    let lines = match of.planned.seeks {
                        None => &mut lines,
                        Some(_) => &mut sought,
                    };
                    lines[axis][way].append(ticks, pages.text());
                }
                ScheduleRun::Event(event) => row(&event, heading, pages.text()),
            }
            pages.turn()?;
        }
        Ok(pages.finish()?)
    }
}

/// Appends the row of an event.
fn row(event: &Event, heading: &Heading<'_>, text: &mut Vec<u8>) {
    let rig = heading.rig;
    let (word, name, value) = match &event.what {
        EventKind::Step { axis, direction } => {
            ("step", rig.axes[*axis].name.as_str(), way(*direction))
        }
        EventKind::Direction { axis, direction } => {
            ("direction", rig.axes[*axis].name.as_str(), way(*direction))
        }
        EventKind::Output { output, on } => {
            let value = if *on { "1" } else { "0" };
            ("output", rig.outputs[*output].name.as_str(), value.into())
        }
        EventKind::Await {
            input,
            until,
            timeout,
        } => {
            let value = timeout.map_or(Cow::Borrowed(""), |ticks| ticks.to_string().into());
            (until.event_word(), rig.inputs[*input].name.as_str(), value)
        }
        EventKind::Seek { axis, input, until } => (
            until.seek_word(),
            rig.axes[*axis].name.as_str(),
            field(&rig.inputs[*input].name),
        ),
        EventKind::Sought { axis } => ("sought", rig.axes[*axis].name.as_str(), "".into()),
        EventKind::Zero { axis, steps } => {
            let value = steps.to_string().into();
            ("zero", rig.axes[*axis].name.as_str(), value)
        }
        EventKind::Mark(mark) => ("mark", "", field(mark)),
    };
    append_number(event.tick, text);
    let parts = [",", word, ",", &field(name), ",", &value, "\n"];
    text.extend(parts.iter().flat_map(|part| part.bytes()));
}

fn way(direction: Direction) -> Cow<'static, str> {
    Cow::Borrowed(if direction == Direction::Positive {
        "1"
    } else {
        "-1"
    })
}

/// A field, in quotes where RFC 4180 wants them. A text that a spreadsheet would take for a
/// formula has a `'` before it (common practice).
fn field(text: &str) -> Cow<'_, str> {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        return Cow::Owned(quoted(&format!("'{text}")).into_owned());
    }
    quoted(text)
}

fn quoted(text: &str) -> Cow<'_, str> {
    if text.contains(['"', ',', '\n', '\r']) {
        Cow::Owned(format!("\"{}\"", text.replace('"', "\"\"")))
    } else {
        Cow::Borrowed(text)
    }
}
