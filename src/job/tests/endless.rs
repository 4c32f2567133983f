//! Programs without end.

use crate::emit::{Binary, CHeader, Csv, Format, Json, Vcd, unpack, unpack_first};
use crate::emit::{FORMATS, ReadError};
use crate::job::{Error, Job};
use crate::plan::Item;
use crate::schedule::{Event, EventKind};
use crate::simulate::Options;

const RIG: &str = "
axes:
  dial:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }
    load: { inertia: 50 g.cm^2, friction: 10 mN.m }
timer: { clock: 16 MHz, prescaler: 8, bits: 16 }
outputs: { lamp: {} }
inputs: { gate: {} }
";
const MANNER: &str = "bands allow\nspeed 180 deg/s\naccel 900 deg/s^2\n";
/// Seven stops of which none is a whole number of microsteps.
const PASS: &str = "turn by 360/7 deg\ndwell 50 ms\noutput lamp on\ndwell 1 ms\noutput lamp off\n";

fn job(passes: &str, before: &str, body: &str) -> Job {
    let script = format!("{MANNER}{before}repeat {passes} {{\n{body}}}\n");
    Job::from_texts(&script, RIG).unwrap()
}

fn written(job: &Job, format: &dyn Format) -> Result<Vec<u8>, Error> {
    let mut bytes = Vec::new();
    job.write_with(&job.heading(None), format, &mut |_| (), &mut bytes)?;
    Ok(bytes)
}

#[test]
fn seven_passes_of_a_seventh_are_a_period_and_come_back_to_their_microstep() {
    let endless = job("forever", "turn by 90 deg\n", PASS);
    let endless = endless.endless().unwrap().unwrap();
    assert_eq!((endless.passes, endless.line), (7, 5));
    assert_eq!(
        (&endless.steps[..], &endless.advance[..]),
        (&[3200][..], &[3200][..])
    );
    assert_eq!(endless.moves, 7);
    // Each turn takes 51.43°/180°/s + 0.2 s, and 51 ms behind it.
    let pass = 360.0 / 7.0 / 180.0 + 0.2 + 0.051;
    assert!((endless.pass() - pass).abs() < 1e-3, "{}", endless.pass());
    assert!(endless.passes_judged() >= 100);
}

#[test]
fn it_gets_the_verdict_of_as_many_passes() {
    for (before, body) in [
        ("", PASS),
        (
            "turn by 10 deg\ndwell 3 s\n",
            "turn to 90 deg\nturn to 0 deg\n",
        ),
        // Far too fast: it must not run.
        (
            "speed 9000 deg/s\naccel 500000 deg/s^2\n",
            "turn by 720 deg\n",
        ),
    ] {
        let forever = job("forever", before, body);
        let passes = forever.endless().unwrap().unwrap().passes_judged();
        let finite = job(&passes.to_string(), before, body);
        let (one, other) = (
            forever.check().summary().unwrap(),
            finite.check().summary().unwrap(),
        );
        assert_eq!(
            (
                one.ok,
                one.moves,
                one.failed,
                one.least_margin,
                &one.simulated
            ),
            (
                other.ok,
                other.moves,
                other.failed,
                other.least_margin,
                &other.simulated
            ),
            "{body}"
        );
        assert_eq!(one.findings, other.findings, "{body}");
        assert!(one.endless.is_some() && other.endless.is_none());
        let options = Options::default();
        assert_eq!(
            forever.simulate(&options).unwrap(),
            finite.simulate(&options).unwrap()
        );
    }
}

/// A long pause before it hardly weighs in what the windings dissipate on the average.
#[test]
fn what_comes_before_hardly_weighs_in_the_average() {
    let late = job("forever", "dwell 600 s\n", PASS);
    let endless = late.endless().unwrap().unwrap();
    let judged = (endless.passes_judged() - endless.passes_before) as f64 * endless.pass();
    assert!(judged >= 100.0 * endless.before, "{judged}");
}

#[test]
fn lists_of_events_ask_for_the_number_of_passes() {
    let forever = job("forever", "", PASS);
    for format in [&Csv as &dyn Format, &Json, &Vcd] {
        let refused = written(&forever, format).unwrap_err();
        assert!(
            matches!(refused, Error::Endless { line: 4, .. }),
            "{refused}"
        );
    }
    let three = job("forever", "", PASS).with_passes(3);
    assert!(three.endless().unwrap().is_none());
    let finite = job("3", "", PASS);
    for format in FORMATS {
        assert_eq!(
            written(&three, *format).unwrap(),
            written(&finite, *format).unwrap(),
            "{}",
            format.name()
        );
    }
}

#[test]
fn items_and_events_do_not_end() {
    let forever = job("forever", "", PASS);
    let moves = forever
        .items()
        .filter(|item| matches!(item, Ok(Item::Move(_))));
    assert_eq!(moves.take(10_000).count(), 10_000);
    assert_eq!(forever.events().take(100_000).count(), 100_000);
}

fn tick_of(event: &Event) -> (u64, usize) {
    let stream = match event.what {
        EventKind::Step { axis, .. } | EventKind::Direction { axis, .. } => axis,
        EventKind::Output { .. }
        | EventKind::Await { .. }
        | EventKind::Seek { .. }
        | EventKind::Sought { .. }
        | EventKind::Zero { .. }
        | EventKind::Mark(_) => usize::MAX,
    };
    (event.tick, stream)
}

#[test]
fn packed_it_plays_the_planned_ticks_pass_after_pass() {
    for (before, body) in [
        ("", PASS),
        (
            "turn by 33 deg\noutput lamp on\ndwell 0.3 s\n",
            "turn by -1.37 deg\ndwell 1.7 ms\n",
        ),
        (
            "",
            "turn to 90 deg\nawait gate pressed\nturn to 0 deg\ndwell 10 ms\n",
        ),
    ] {
        let forever = job("forever", before, body);
        let bytes = written(&forever, &Binary).unwrap();
        assert_eq!(unpack(&bytes), Err(ReadError::Endless));
        // Far beyond the period.
        let most = 60_000;
        let packed = unpack_first(&bytes, most).unwrap();
        let period = forever.endless().unwrap().unwrap();
        let a_period = period.steps[0] as usize;
        assert!(most > 5 * a_period, "{a_period}");
        let planned: Vec<Event> = forever.events().map(Result::unwrap).take(most).collect();
        let by_stream = |events: &[Event]| {
            let mut events: Vec<(u64, usize)> = events.iter().map(tick_of).collect();
            events.sort_by_key(|(_, stream)| *stream);
            events
        };
        let (packed, planned) = (by_stream(&packed), by_stream(&planned));
        // The last events may stand in another order.
        let mut off = 0;
        for (one, other) in packed.iter().zip(&planned).filter(|(a, b)| a.1 == b.1) {
            off = off.max(one.0.abs_diff(other.0));
        }
        assert!(off <= 1, "{body}: {off} ticks");
    }
}

#[test]
fn a_c_header_goes_back_to_the_begin_of_the_period() {
    let header = String::from_utf8(written(&job("forever", "", PASS), &CHeader).unwrap()).unwrap();
    assert_eq!(
        header.matches("SLEWSMITH_ACTION(SLEWSMITH_FOREVER").count(),
        1
    );
    assert!(!header.contains("SLEWSMITH_END_TICK"));
    // A program that ends knows no such action.
    let finite = String::from_utf8(written(&job("3", "", PASS), &CHeader).unwrap()).unwrap();
    assert!(!finite.contains("FOREVER"));
}

#[test]
fn what_cannot_go_on_for_ever_is_refused_with_line_and_cure() {
    let linear = RIG.replace(
        "load: { inertia: 50 g.cm^2, friction: 10 mN.m }",
        "load: { mass: 200 g, travel_per_turn: 8 mm }",
    );
    let feed = MANNER.replace("deg", "mm");
    for (script, rig, code) in [
        (
            format!("{feed}repeat forever {{\nturn by 4 mm\ndwell 1 s\n}}\n"),
            &linear[..],
            "leaves-its-range",
        ),
        (
            format!("{MANNER}repeat forever {{\noutput lamp on\noutput lamp off\n}}\n"),
            RIG,
            "pass-without-time",
        ),
        (
            format!("{MANNER}repeat forever {{\ndwell 1 s\n}}\n"),
            RIG,
            "nothing-forever",
        ),
        (
            format!("{MANNER}repeat forever {{\nturn by 1 rad\n}}\n"),
            RIG,
            "never-repeats",
        ),
    ] {
        let job = Job::from_texts(&script, rig).unwrap();
        let all = [
            job.check().summary().unwrap_err(),
            job.simulate(&Options::default()).unwrap_err(),
            written(&job, &Binary).unwrap_err(),
            job.items().next().unwrap().unwrap_err(),
        ];
        for error in all {
            let Error::Input(diagnostics) = error else {
                panic!("{error}");
            };
            let found = &diagnostics.0[0];
            assert_eq!(found.code, code);
            assert!(found.help.is_some());
            assert_eq!(found.labels[0].text, "repeats without end");
        }
    }
    // There and back it may go on.
    let script = format!("{feed}repeat forever {{\nturn by 4 mm\nturn by -4 mm\n}}\n");
    let job = Job::from_texts(&script, &linear).unwrap();
    assert_eq!(job.endless().unwrap().unwrap().advance, [0]);
}
