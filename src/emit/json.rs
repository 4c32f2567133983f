//! JSON (RFC 8259): one object, with one event a line.
//!
//! ```json
//! {"program": "…", "unchecked": null, "tick_rate_hz": 1000000.0, "timer_bits": 16, "axes": ["carousel"],
//!  "events": [
//! {"tick":0,"event":"direction","name":"carousel","value":1},
//! …
//! ], "end_tick": …, "steps": {"carousel": …}, "longest_wait_ticks": …, "waits_beyond_counter": …}
//! ```
//!
//! Events are those of [csv](super::Csv). A `seek-step` is made only until the input is seen that
//! the `seek` before it names; counts and ticks are those of the whole distance.

use std::io::Write;

use serde_json::{Map, Value, json};

use super::digits::TickLine;
use super::{EmitError, Format, Heading, Pages};
use crate::plan::{Direction, EachItem, Passages};
use crate::schedule::{Event, EventKind, Schedule, ScheduleRun};

/// The format `json`.
#[derive(Debug, Clone, Copy)]
pub struct Json;

impl Format for Json {
    fn name(&self) -> &'static str {
        "json"
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
                let name = json!(axis.name);
                [1, -1].map(|way| {
                    let after = format!(",\"event\":\"{event}\",\"name\":{name},\"value\":{way}}}");
                    TickLine::new(",\n{\"tick\":", &after)
                })
            })
            .collect()
        };
        let (mut steps, mut sought) = (lines_of("step"), lines_of("seek-step"));
        let mut pages = Pages::new(out);
        let axes: Vec<&str> = rig.axes.iter().map(|axis| axis.name.as_str()).collect();
        write!(
            pages,
            "{{\"program\": {}, \"unchecked\": {}, \"tick_rate_hz\": {}, \"timer_bits\": {}, \"axes\": {},\n \"events\": [",
            json!(heading.program),
            json!(heading.failure),
            json!(heading.tick_rate()),
            rig.timer.bits,
            json!(axes),
        )?;
        let mut schedule = Schedule::new(EachItem(passages), rig);
        let mut first = true;
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
                        None => &mut steps,
                        Some(_) => &mut sought,
                    };
                    lines[axis][way].append(ticks, pages.text());
                }
                ScheduleRun::Event(event) => {
                    // The first event of a program is never a step: a direction or
                    // an output comes before it.
                    let comma = if first { "" } else { "," };
                    write!(pages, "{comma}\n{}", object(&event, heading))?;
                }
            }
            first = false;
            pages.turn()?;
        }
        let facts = schedule.facts();
        let counts: Map<String, Value> = axes
            .iter()
            .zip(&facts.steps)
            .map(|(name, steps)| ((*name).to_owned(), json!(steps)))
            .collect();
        writeln!(
            pages,
            "\n], \"end_tick\": {}, \"steps\": {}, \"longest_wait_ticks\": {}, \"waits_beyond_counter\": {}}}",
            schedule.end_tick(),
            Value::Object(counts),
            facts.longest_wait,
            facts.waits_beyond_counter,
        )?;
        Ok(pages.finish()?)
    }
}

/// The object of an event, its keys in the order of the csv columns.
fn object(event: &Event, heading: &Heading<'_>) -> String {
    let rig = heading.rig;
    let (word, name, value) = match &event.what {
        EventKind::Step { axis, direction } => {
            ("step", json!(rig.axes[*axis].name), json!(direction.sign()))
        }
        EventKind::Direction { axis, direction } => {
            let name = json!(rig.axes[*axis].name);
            ("direction", name, json!(direction.sign()))
        }
        EventKind::Output { output, on } => {
            let name = json!(rig.outputs[*output].name);
            ("output", name, json!(u8::from(*on)))
        }
        EventKind::Await {
            input,
            until,
            timeout,
        } => {
            let name = json!(rig.inputs[*input].name);
            (until.event_word(), name, json!(timeout))
        }
        EventKind::Seek { axis, input, until } => {
            let name = json!(rig.axes[*axis].name);
            (until.seek_word(), name, json!(rig.inputs[*input].name))
        }
        EventKind::Sought { axis } => ("sought", json!(rig.axes[*axis].name), Value::Null),
        EventKind::Zero { axis, steps } => ("zero", json!(rig.axes[*axis].name), json!(steps)),
        EventKind::Mark(mark) => ("mark", Value::Null, json!(mark.as_ref())),
    };
    format!(
        "{{\"tick\":{},\"event\":\"{word}\",\"name\":{name},\"value\":{value}}}",
        event.tick
    )
}
