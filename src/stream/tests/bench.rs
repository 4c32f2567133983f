//! Rigs and programs to stream.

use std::path::Path;
use std::sync::Arc;

use crate::diagnostic::Source;
use crate::emit::Heading;
use crate::files::{FilesOnDisk, read_source};
use crate::plan::{self, Item};
use crate::player::{Lines, PlayerOptions, Project, ScheduleSource};
use crate::rig::{NoFiles, Rig};
use crate::schedule::{EventKind, Schedule};
use crate::script::Script;
use crate::simulate::Settler;
use crate::stream::Unsendable;
use crate::stream::message::{Likeness, VERSION};
use crate::stream::slicer::{Frame, Slicer};

/// Ticks a second of [`rig`].
pub(super) const RATE: u32 = 2_000_000;

/// A rig with such axes, an output and an input.
pub(super) fn rig_text(axes: &[&str]) -> String {
    let mut text = String::from("axes:\n");
    for name in axes {
        text += &format!(
            "  {name}:
    motor: {{ rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }}
    drive: {{ kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }}
    load: {{ inertia: 50 g.cm^2, friction: 10 mN.m }}
"
        );
    }
    text += "timer: { clock: 16 MHz, prescaler: 8, bits: 16, fastest_interval: 20 us }
outputs: { lamp: {} }
inputs: { ready: { pin: PB3 } }
";
    text
}

pub(super) fn parse(text: String) -> Rig {
    let source = Source::new("bench.yaml", text);
    Rig::parse(&source, &mut NoFiles).expect("a rig").rig
}

pub(super) fn rig(axes: &[&str]) -> Rig {
    parse(rig_text(axes))
}

pub(super) fn items(rig: &Rig, script: &str) -> Vec<Item> {
    let script = Script::parse(Source::new("bench.moves", script)).expect("a script");
    plan::program(rig, script.source(), script.actions())
        .map(|item| item.expect("a plan"))
        .collect()
}

/// What a board for a rig says of itself.
pub(super) fn likeness(rig: &Rig) -> Likeness {
    Likeness {
        version: VERSION,
        tick_rate: rig.timer.tick_rate() as u32,
        axes: rig.axes.len() as u8,
        outputs: rig.outputs.len() as u8,
        inputs: rig.inputs.len() as u8,
    }
}

/// The project of the streaming player for a rig.
pub(super) fn project(rig: &Rig, baud: u32, lines: Lines) -> Project {
    let heading = Heading {
        program: "streamed",
        rig,
        failure: None,
    };
    let options = PlayerOptions {
        lines,
        source: ScheduleSource::Line { baud },
        ..PlayerOptions::default()
    };
    Project::of(&heading, options, &mut std::iter::empty()).expect("a project")
}

/// A tick and a level; of a step: 1 or 255.
pub(super) type At = (u64, u8);

/// A program, cut into frames, and what it should do.
#[derive(Debug)]
pub(super) struct BenchProgram {
    pub rig: Rig,
    pub frames: Vec<Frame>,
    pub unfit: Option<Unsendable>,
    /// The steps of each axis, and what the first output does.
    pub steps: Vec<Vec<At>>,
    pub lamp: Vec<At>,
    /// The ticks of marks, and their texts.
    pub marks: Vec<(u64, Arc<str>)>,
}

impl BenchProgram {
    pub(super) fn new(rig: &Rig, script: &str) -> Self {
        Self::of(rig, items(rig, script))
    }

    /// One of the examples, on the timer of [`rig`].
    pub(super) fn example(name: &str) -> Self {
        let examples = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples");
        let source = read_source(&examples.join(name)).expect("an example");
        let script = Script::parse(Arc::clone(&source)).expect("a script");
        let (rig, _) = script.rig().expect("a rig");
        let rig = read_source(&examples.join(rig)).expect("its rig");
        let mut rig = Rig::parse(&rig, &mut FilesOnDisk).expect("a rig").rig;
        rig.timer = self::rig(&["any"]).timer;
        let settler = Settler::of(&rig);
        let items = plan::program(&rig, &source, script.actions())
            .with_settling(&settler)
            .map(|item| item.expect("a plan"))
            .collect();
        Self::of(&rig, items)
    }

    fn of(rig: &Rig, items: Vec<Item>) -> Self {
        let mut slicer = Slicer::new(items.clone(), rig, slow_down(rig)).expect("a slicer");
        let frames = slicer.by_ref().collect();
        let mut steps = vec![Vec::new(); rig.axes.len()];
        let (mut lamp, mut marks) = (Vec::new(), Vec::new());
        for event in Schedule::new(items, rig) {
            match event.what {
                EventKind::Step { axis, direction } => {
                    steps[axis].push((event.tick, direction.sign() as u8));
                }
                EventKind::Output { on, .. } => lamp.push((event.tick, u8::from(on))),
                EventKind::Mark(text) => marks.push((event.tick, text)),
                _ => {}
            }
        }
        Self {
            rig: rig.clone(),
            frames,
            unfit: slicer.unfit(),
            steps,
            lamp,
            marks,
        }
    }
}

/// Bytes that a board for the rig has for a slow-down.
pub(super) fn slow_down(rig: &Rig) -> usize {
    if rig.axes.len() > 1 { 250 } else { 176 }
}
