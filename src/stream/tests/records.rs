//! Frames and records, as they are decoded by others.

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use super::board_language::read_record;
use crate::diagnostic::Source;
use crate::files::FilesOnDisk;
use crate::plan::{self, Item};
use crate::rig::Rig;
use crate::schedule::{EventKind, Schedule};
use crate::script::Script;
use crate::stream::frame::{self, LONGEST_PAYLOAD};
use crate::stream::record::{self, Act};
use crate::stream::slicer::{MOST_RECORDS, Slicer};

use super::wire::Chance;
use crate::testing::support;

type Frames = Slicer<std::vec::IntoIter<Item>>;

#[test]
fn frames_are_read_by_decoders_from_outside() {
    let Some(python) = support::python() else {
        return;
    };
    let mut chance = Chance(3);
    let mut payloads: Vec<Vec<u8>> = vec![
        vec![0],
        vec![1],
        vec![0; LONGEST_PAYLOAD],
        vec![7; LONGEST_PAYLOAD],
    ];
    for _ in 0..300 {
        let length = 1 + chance.next() as usize % LONGEST_PAYLOAD;
        // Plenty of zero bytes, which is what stuffing is about.
        let byte = |chance: &mut Chance| (chance.next() as u8).saturating_sub(100);
        payloads.push((0..length).map(|_| byte(&mut chance)).collect());
    }
    let mut line = Vec::new();
    for payload in &payloads {
        frame::write(payload, &mut line);
    }
    let mut child = Command::new(python)
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/read_frames.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(&line).unwrap();
    let out = child.wait_with_output().unwrap();
    assert!(out.status.success());
    let read: Vec<String> = String::from_utf8(out.stdout)
        .unwrap()
        .lines()
        .map(str::to_owned)
        .collect();
    let wanted: Vec<String> = payloads
        .iter()
        .map(|payload| payload.iter().map(|byte| format!("{byte:02x}")).collect())
        .collect();
    assert_eq!(read, wanted);
}

/// What a stream's clock and events come to when all records of a program are decoded.
#[derive(Debug, Default, Clone)]
struct Decoded {
    clock: u64,
    events: Vec<(u64, Act)>,
    way: Option<Act>,
}

impl Decoded {
    fn take(&mut self, what: record::RecordKind) {
        match what {
            record::RecordKind::Run(run) => {
                let start = self.clock;
                let steps = run
                    .ticks()
                    .map(|tick| (start + tick, self.way.expect("a direction")));
                self.events.extend(steps);
                self.clock = start + run.ticks().last().unwrap();
            }
            record::RecordKind::Event { gap, act } => {
                self.clock += gap;
                match act {
                    Act::Pass => {}
                    Act::Step => self
                        .events
                        .push((self.clock, self.way.expect("a direction"))),
                    Act::Forwards | Act::Backwards => self.way = Some(act),
                    _ => self.events.push((self.clock, act)),
                }
            }
        }
    }
}

/// Decodes records one by one, checking that none holds up another that is due before.
fn decode(frames: &mut Frames, axes: usize) -> (Vec<Decoded>, usize, usize, usize) {
    let mut streams = vec![Decoded::default(); axes + 1];
    let (mut count, mut bytes, mut slow) = (0, 0, 0);
    let mut latest = 0;
    for frame in frames.by_ref() {
        count += 1;
        bytes += frame.records.len();
        assert!(frame.records.len() <= MOST_RECORDS);
        let mut rest = &frame.records[..];
        while let Some((stream, what, behind)) = read_record(rest) {
            // Meetings set all clocks to one tick, whatever came before.
            assert!(streams[stream].clock >= latest || what.is_meeting() || latest == 0);
            latest = latest.max(streams[stream].clock);
            streams[stream].take(what);
            rest = behind;
        }
        assert!(rest.is_empty());
        let before: Vec<u64> = streams.iter().map(|stream| stream.clock).collect();
        // No stream is left behind without an event.
        let least = before.iter().min().unwrap();
        assert!(frame.last || *least + 20_000 >= frame.from, "{before:?}");
        slow += frame.slow_down.as_ref().map_or(0, Vec::len);
    }
    assert_eq!(frames.unfit(), None);
    (streams, count, bytes, slow)
}

#[test]
fn examples_come_out_of_their_records_as_they_are_scheduled() {
    for name in ["carousel", "dial", "lift-cured", "shutter-cured"] {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples");
        let script = std::fs::read_to_string(folder.join(format!("{name}.moves"))).unwrap();
        let script = Script::parse(Source::new(name, script)).unwrap();
        let (rig, _) = script.rig().unwrap();
        let text = std::fs::read_to_string(folder.join(rig)).unwrap();
        let source = Source::new(folder.join(rig).to_str().unwrap(), text);
        let rig = Rig::parse(&source, &mut FilesOnDisk).unwrap().rig;
        let items: Vec<Item> = plan::program(&rig, script.source(), script.actions())
            .map(|item| item.unwrap())
            .collect();
        let mut frames = Slicer::new(items.clone(), &rig, 128).unwrap();
        let axes = rig.axes.len();
        let (streams, count, bytes, slow) = decode(&mut frames, axes);
        let mut wanted = vec![Vec::new(); axes + 1];
        let mut marks = 0;
        for event in Schedule::new(items, &rig) {
            match event.what {
                EventKind::Step { axis, direction } => {
                    let way = if direction.sign() > 0 {
                        Act::Forwards
                    } else {
                        Act::Backwards
                    };
                    wanted[axis].push((event.tick, way));
                }
                EventKind::Output { output, on } => {
                    wanted[axes].push((event.tick, Act::Output(output as u8, on)));
                }
                EventKind::Seek { .. } | EventKind::Sought { .. } | EventKind::Zero { .. } => {
                    panic!("no example seeks over a line")
                }
                EventKind::Mark(_) => {
                    marks += 1;
                    wanted[axes].push((event.tick, Act::Mark(marks)));
                }
                EventKind::Await {
                    input,
                    until,
                    timeout,
                } => {
                    for stream in &mut wanted[..axes] {
                        stream.push((event.tick, Act::Meet));
                    }
                    let timeout = timeout.unwrap_or(0);
                    wanted[axes].push((event.tick, Act::Await(input as u8, until, timeout)));
                }
                EventKind::Direction { .. } => {}
            }
        }
        let mut steps = 0;
        for (stream, wanted) in streams.iter().zip(&wanted) {
            let events = &stream.events[..stream.events.len() - 1];
            assert_eq!(stream.events.last().unwrap().1, Act::End);
            assert_eq!(events.len(), wanted.len());
            for (made, wanted) in events.iter().zip(wanted) {
                assert_eq!(made.1, wanted.1, "{name}");
                let off = made.0.abs_diff(wanted.0);
                let is_step = matches!(made.1, Act::Forwards | Act::Backwards);
                steps += u32::from(is_step);
                assert!(off <= u64::from(is_step), "{name}: {made:?} for {wanted:?}");
            }
        }
        eprintln!(
            "{name}: {steps} steps, {count} frames, {:.3} bytes a step, {:.1} bytes a slow-down",
            bytes as f64 / f64::from(steps),
            slow as f64 / count as f64
        );
    }
}
