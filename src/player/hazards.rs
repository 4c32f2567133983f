//! What happens when something goes wrong, as the README of a project states it.

use std::fmt::Write;

use super::budget;
use super::options::{Lines, ProgramParts, ScheduleSource};
use super::wiring::Wiring;
use crate::rig::Rig;

/// One thing that goes wrong.
struct Hazard {
    what: String,
    /// What becomes of pulses, coils, drives and outputs.
    then: &'static str,
    /// What is reported, and what starts the player again.
    says: &'static str,
}

/// The table of what happens at resets, stops and faults on one of our parts.
pub(super) fn hazards(
    rig: &Rig,
    wiring: &Wiring,
    source: ScheduleSource,
    parts: ProgramParts,
) -> String {
    let mut rows = Vec::new();
    let mut row = |what: String, then, says| rows.push(Hazard { what, then, says });
    const OFF: &str = "all off; positions unknown";
    const AT_ONCE: &str = "pulses end within one interrupt, all off";
    let from_memory = source == ScheduleSource::Memory;
    let reset = if from_memory {
        "reset"
    } else {
        "to the next host: ready"
    };
    let watchdog = match budget::watchdog(wiring.controller, &rig.timer) {
        Some((time, _)) => {
            format!("decoder or timer interrupt hangs: the watchdog resets after {time}")
        }
        None => "decoder or timer interrupt hangs: no watchdog waits long enough at this clock"
            .to_owned(),
    };
    let starts = if from_memory {
        "the program starts"
    } else {
        "nothing moves until a host connects"
    };
    row("power comes on".into(), starts, "");
    row("reset pin, programmer".into(), OFF, reset);
    row(
        "supply dips (brown-out)".into(),
        "all off while the detector holds the part in reset, if its fuses are set: those given here leave it off",
        reset,
    );
    let hangs = match budget::watchdog(wiring.controller, &rig.timer) {
        Some(_) => OFF,
        None => "pulses end; coils, drives and outputs stay as they are",
    };
    row(
        watchdog,
        hangs,
        if hangs == OFF { reset } else { "nothing" },
    );
    row(
        "stop contact open at the start".into(),
        "nothing moves, all off",
        "stop contact",
    );
    row(
        "stop contact opens while the player waits to start".into(),
        "stays off",
        "stop contact",
    );
    row(
        "stop contact opens while axes move or dwell".into(),
        AT_ONCE,
        "stop contact",
    );
    row(
        "stop contact opens during an `await`".into(),
        "all off at once",
        "stop contact",
    );
    row(
        "stop contact opens after `finished`".into(),
        "all off at once",
        "stop contact",
    );
    row(
        "stop contact opens after another stop".into(),
        "stays off",
        "the first reason",
    );
    row("stop contact closes again".into(), "stays off", "nothing");
    row(
        "an interval shorter than an interrupt".into(),
        AT_ONCE,
        "late",
    );
    if from_memory {
        row(
            "table damaged, by its checksum".into(),
            "nothing moves, all off",
            "damaged",
        );
        row(
            "table damaged, found while playing".into(),
            "pulses end where it makes no sense, all off",
            "damaged",
        );
        row("no input within its timeout".into(), "all off", "no input");
        if parts.several {
            row(
                "the inputs select no program, or a wire breaks".into(),
                "nothing moves, or another program starts",
                "no program",
            );
        }
        if parts.user_code {
            row(
                "a function of `user.c` takes too long".into(),
                AT_ONCE,
                "overrun",
            );
        }
        if parts.seeks {
            row(
                "a sought input is not seen, or its wire breaks".into(),
                "pulses end with the way of the seek, all off",
                "not found",
            );
            row(
                "stop contact opens during a seek".into(),
                AT_ONCE,
                "stop contact",
            );
        }
    } else {
        row(
            "line lost".into(),
            "the axes decelerate along their path, then all off; where the plan decelerates already, harder than it by up to 5 % over \
             two stretches of 4 full steps, 3 % over 8 and 1.5 % over 16",
            "line dead",
        );
        row(
            "data damaged on the line".into(),
            "sent again; nothing is played twice",
            "nothing",
        );
    }
    let mut text =
        "## When something goes wrong\n\n| what | then | reports |\n| --- | --- | --- |\n"
            .to_owned();
    for Hazard { what, then, says } in rows {
        let _ = writeln!(text, "| {what} | {then} | {says} |");
    }
    let lines = match wiring.switches.is_empty() {
        true => Lines::Steps,
        false => Lines::Coils,
    };
    let _ = writeln!(
        text,
        "\nAll off: no pulses, drives with an enable line disabled, coils and outputs off, within {} clock cycles of the \
         contact's opening. **A suspended load falls**, and a turning rotor coasts. During a reset every pin is an input, and the \
         resistors of its line decide.",
        budget::stop_cycles(rig, lines)
    );
    let _ = writeln!(text, "\n{}", again(rig, from_memory));
    text
}

/// What starts the player again.
fn again(rig: &Rig, from_memory: bool) -> String {
    match rig.controller.start {
        _ if !from_memory => "After any of these a host has to connect again.".to_owned(),
        None => "After any of these nothing moves until the power is switched off and on again."
            .to_owned(),
        Some(input) => {
            let name = &rig.inputs[input].name;
            format!(
                "After `finished`, after a reset and after any of these stops `{name}` starts the program again: close the stop \
                 contact first, then release `{name}` and press it. Zero is then where the axes stand. **Pressing `{name}` moves \
                 the axes.**"
            )
        }
    }
}
