//! What the timer has to play.

use super::page::{PageBlock, Section};
use crate::rig::{Rig, Timer};
use crate::schedule::Facts;
use crate::schedule::timer::TickRules;
use crate::units::{Rounded, Time};

/// A fact and its name.
type LabelledValue = (String, String);

/// The section; `timing` holds the shortest and the longest interval of each axis (ticks)
/// and `packed` how many bytes the packed schedule takes, where that is known.
pub(super) fn section(
    rig: &Rig,
    timing: &[Option<(u64, u64)>],
    facts: Option<&Facts>,
    packed: Option<usize>,
) -> Section {
    let mut lines = of_timer(&rig.timer);
    lines.extend(intervals(rig, timing));
    lines.extend(
        facts
            .into_iter()
            .flat_map(|facts| counted(rig, facts, packed)),
    );
    lines.push((
        "error of every event".to_owned(),
        "at most half a tick, from start to end; errors do not accumulate".to_owned(),
    ));
    Section {
        id: "schedule",
        heading: "Schedule".into(),
        blocks: vec![PageBlock::Facts(lines)],
    }
}

fn in_ticks(timer: &Timer, ticks: u64) -> String {
    format!(
        "{ticks} ticks, {}",
        Time::new(ticks as f64 / timer.tick_rate())
    )
}

fn of_timer(timer: &Timer) -> Vec<LabelledValue> {
    vec![
        (
            "tick".to_owned(),
            format!(
                "{}, from a clock of {} over {}",
                Time::new(1.0 / timer.tick_rate()),
                timer.clock,
                timer.prescaler
            ),
        ),
        (
            "counter".to_owned(),
            format!(
                "{} bits, {} full scale",
                timer.bits,
                in_ticks(timer, timer.longest_interval())
            ),
        ),
    ]
}

/// Intervals between the steps of each axis.
fn intervals(rig: &Rig, timing: &[Option<(u64, u64)>]) -> Vec<LabelledValue> {
    let least = TickRules::new(&rig.timer).between_steps;
    let in_ticks = |ticks| in_ticks(&rig.timer, ticks);
    let mut lines = Vec::new();
    for (axis, timing) in rig.axes.iter().zip(timing) {
        let Some((shortest, longest)) = timing else {
            continue;
        };
        let name = |what: &str| {
            if rig.axes.len() > 1 {
                format!("{what} interval of {}", axis.name)
            } else {
                format!("{what} interval")
            }
        };
        lines.push((
            name("shortest"),
            format!(
                "{}; the timer's minimum is {}",
                in_ticks(*shortest),
                in_ticks(least)
            ),
        ));
        lines.push((
            name("longest"),
            format!("{} between two steps of a move", in_ticks(*longest)),
        ));
    }
    lines
}

/// What the whole schedule came to.
fn counted(rig: &Rig, facts: &Facts, packed: Option<usize>) -> Vec<LabelledValue> {
    let in_ticks = |ticks| in_ticks(&rig.timer, ticks);
    let mut lines = vec![("events".to_owned(), facts.events.to_string())];
    for (axis, steps) in rig.axes.iter().zip(&facts.steps) {
        lines.push((format!("microsteps of {}", axis.name), steps.to_string()));
    }
    if let Some(bytes) = packed {
        let steps = facts.steps.iter().sum::<u64>().max(1);
        lines.push((
            "packed".to_owned(),
            format!(
                "{bytes} bytes, {} a step",
                Rounded(bytes as f64 / steps as f64)
            ),
        ));
    }
    lines.push(("last event".to_owned(), in_ticks(facts.last_tick)));
    if facts.waits_beyond_counter > 0 {
        lines.push((
            "waits beyond the counter".to_owned(),
            format!(
                "{}; the firmware counts several turns",
                facts.waits_beyond_counter
            ),
        ));
    }
    if facts.added_ticks > 0 {
        lines.push((
            "added for the direction".to_owned(),
            in_ticks(facts.added_ticks),
        ));
    }
    lines
}
