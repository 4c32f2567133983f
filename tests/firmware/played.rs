//! Runs against schedules, and the rigs that the tests share.

use std::path::Path;

use slewsmith::schedule::{Event, EventKind};

use crate::board::{Built, Pin, Run};

/// The scripts of all examples.
pub(crate) fn examples() -> Vec<String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples");
    let entries = std::fs::read_dir(folder).unwrap();
    let names = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<String> = names.filter(|name| name.ends_with(".moves")).collect();
    names.sort();
    names
}

/// An input that closes for 40 ms ten times a second.
pub(crate) fn beat(pin: Pin) -> String {
    format!("wave={}:{}:1600000:640000", pin.port, pin.bit)
}

/// What happens between two waits for inputs, in ticks.
pub(crate) fn stretches(events: &[Event]) -> Vec<&[Event]> {
    events
        .split(|event| matches!(event.what, EventKind::Await { .. }))
        .collect()
}

/// What makes the outputs of a run.
#[derive(Clone, Copy)]
pub(crate) enum Outputs {
    /// Timers: they change on their very ticks.
    Exact,
    /// The player, which may be so many cycles late.
    Late(i64),
}

/// How far edges lie from their ticks (cycles).
#[derive(Clone, Copy)]
pub(crate) struct Offsets {
    least: i64,
    most: i64,
}

impl Offsets {
    const NONE: Self = Self {
        least: i64::MAX,
        most: i64::MIN,
    };

    fn take(&mut self, offset: i64) {
        self.least = self.least.min(offset);
        self.most = self.most.max(offset);
    }

    /// How far they lie from each other.
    fn spread(self) -> i64 {
        self.most.saturating_sub(self.least).max(0)
    }
}

/// Compares the edges of a run with a packed schedule: in each stretch steps and outputs lie
/// on their very cycles plus one constant.
#[track_caller]
pub(crate) fn assert_played(
    run: &Run,
    built: &Built,
    events: &[Event],
    axes: &[&str],
    outputs: &[&str],
    made: Outputs,
) {
    let prescaler = built.constant("PRESCALER");
    let mut edges: Vec<_> = axes
        .iter()
        .map(|axis| {
            run.edges_of(built.pin(&format!("step of {axis}")), 1)
                .into_iter()
        })
        .collect();
    let mut changes: Vec<_> = outputs
        .iter()
        .map(|output| {
            let pin = built.pin(&format!("output {output}"));
            run.edges.iter().filter(move |edge| edge.pin == pin)
        })
        .collect();
    let mut levels = vec![0; outputs.len()];
    for stretch in stretches(events) {
        let (mut exact, mut late) = (Offsets::NONE, Offsets::NONE);
        for event in stretch {
            let due = (event.tick * prescaler) as i64;
            match event.what {
                EventKind::Step { axis, .. } => {
                    let edge = edges[axis].next().expect("a step is missing");
                    exact.take(edge as i64 - due);
                }
                EventKind::Output { output, on } if levels[output] != u8::from(on) => {
                    levels[output] = u8::from(on);
                    let edge = changes[output].next().expect("an output is missing");
                    assert_eq!(edge.level, u8::from(on));
                    let offsets = match made {
                        Outputs::Exact => &mut exact,
                        Outputs::Late(_) => &mut late,
                    };
                    offsets.take(edge.cycle as i64 - due);
                }
                _ => {}
            }
        }
        assert_eq!(exact.spread(), 0, "edges lie off their cycles");
        if let Outputs::Late(cycles) = made
            && late.most >= late.least
        {
            let (early, late) = (late.least - exact.least, late.most - exact.least);
            println!("outputs that are written come {early} to {late} cycles late");
            assert!(
                early >= -(prescaler as i64) && late <= cycles,
                "{early} {late}"
            );
        }
    }
    assert!(
        edges.iter_mut().all(|edges| edges.next().is_none()),
        "steps too many"
    );
    assert!(
        changes.iter_mut().all(|edges| edges.next().is_none()),
        "changes of outputs too many"
    );
}

/// Pulses and pauses are as long as the drive needs, and the direction stands for its
/// set-up time before a step and after the one before.
#[track_caller]
pub(crate) fn assert_times_are_kept(run: &Run, built: &Built, axis: &str) {
    let (step, direction) = (
        built.pin(&format!("step of {axis}")),
        built.pin(&format!("direction of {axis}")),
    );
    let pulse = built.constant("STEP_PULSE_TICKS") * built.constant("PRESCALER");
    // 5 µs at 16 MHz, as the board's profile says.
    let setup = 80;
    let mut last_rise = None;
    let mut last_change = None;
    for edge in &run.edges {
        if edge.pin == step && edge.level == 1 {
            assert!(last_change.is_none_or(|change| edge.cycle - change >= setup));
            last_rise = Some(edge.cycle);
        } else if edge.pin == step {
            if let Some(rise) = last_rise {
                assert!(
                    edge.cycle - rise >= pulse,
                    "a pulse of {}",
                    edge.cycle - rise
                );
            }
        } else if edge.pin == direction {
            assert!(last_rise.is_none_or(|rise| edge.cycle - rise >= setup));
            last_change = Some(edge.cycle);
        }
    }
}

/// A motor and a drive that are light enough for anything; what they can do is not asked
/// here.
pub(crate) const AXIS: &str = "
    motor: { rotor_teeth: 50, phase_resistance: 1 ohm, phase_inductance: 1 mH, rated_current: 2 A, holding_torque: 0.5 N.m, rotor_inertia: 50 g.cm^2, viscous_damping: 0.0005 N.m.s/rad }
    drive: { kind: chopper, supply: 48 V, peak_current: 2 A, microsteps: 32 }
    load: { inertia: 1 g.cm^2 }
";

pub(crate) fn rig(axes: &[&str], more: &str) -> String {
    let axes: String = axes.iter().map(|name| format!("  {name}:{AXIS}")).collect();
    format!(
        "axes:\n{axes}timer: {{ clock: 16 MHz, prescaler: 8, step_pulse: 2 us, direction_setup: 5 us, fastest_interval: 9 us }}\n{more}"
    )
}

/// An output of a rig, and an input beside it.
pub(crate) const LAMP: &str = "outputs: { lamp: { pin: PD6 } }\n";
pub(crate) const LAMP_AND_DOOR: &str = "outputs: { lamp: { pin: PD6 } }\ninputs: { door: {} }\n";

/// Speeds up along a trapezoid, switches an output on the way, slows down and comes back.
pub(crate) fn there_and_back(rate: u32) -> String {
    format!(
        "rig \"rig.yaml\"\nbands allow\nspeed {rate} microstep/s\naccel 1500000 microstep/s^2\nshape trapezoid\n\
         through {{\n  turn by 30000 microstep\n  output lamp on passing 15000 microstep\n  turn by 30000 microstep\n}}\n\
         turn by -20003 microstep\nturn by 20000 microstep\n"
    )
}

/// The stop contact opens at that cycle.
pub(crate) fn opens(built: &Built, cycle: u64) -> String {
    let stop = built.pin("stop contact");
    format!("pin={cycle}:{}:{}:1", stop.port, stop.bit)
}
