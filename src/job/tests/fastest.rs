//! The search for the settings with which a move settles soonest, against a grid that is
//! judged here, choice by choice, by the check and the motor model of the whole script.

use std::ops::ControlFlow;

use rayon::prelude::*;

use crate::job::fastest::Fastest;
use crate::job::{Job, MotorSheet};
use crate::testing::draw::Draw;

/// Rigs under `cargo test`; `SLEWSMITH_CASES` asks for more.
const CASES: u64 = 2;

/// A random motor, drive and load, and a turn that they may make.
fn case(seed: u64) -> Job {
    let mut draw = Draw::of(seed);
    let drive = match draw.one(&["bridge", "chopper", "linear"]) {
        "bridge" => {
            let supply = draw.spread(4.0, 16.0);
            // What keeps the current below the rated one.
            let ballast = supply / 1.4 - 1.6;
            format!(
                "kind: fixed-voltage, supply: {supply} V, switch_resistance: {ballast} ohm, sequence: {}",
                draw.one(&["two-phase", "half-step"])
            )
        }
        "chopper" => format!(
            "kind: chopper, supply: {} V, peak_current: {} A, microsteps: {}",
            draw.spread(8.0, 48.0),
            draw.spread(0.5, 2.0),
            draw.one(&["2", "8", "16"])
        ),
        _ => format!(
            "kind: linear-current, supply: {} V, peak_current: {} A, microsteps: {}, sense_resistor: 0.2 ohm",
            draw.spread(6.0, 30.0),
            draw.spread(0.5, 1.5),
            draw.one(&["4", "16"])
        ),
    };
    let rig = format!(
        "axes:
  a:
    motor: {{ rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: {} mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: {} mN.m.s/rad }}
    drive: {{ {drive} }}
    load: {{ inertia: {} g.cm^2, friction: {} mN.m }}
    limits: {{ settle: 0.5 deg }}
timer: {{ clock: 16 MHz, prescaler: 8, fastest_interval: 20 us }}
",
        draw.spread(1.0, 5.0),
        draw.spread(0.2, 1.0),
        draw.spread(10.0, 300.0),
        draw.spread(2.0, 30.0),
    );
    let script = format!(
        "speed 60 deg/s\naccel 300 deg/s^2\njerk 5000 deg/s^3\nturn by {} deg\n",
        draw.spread(5.0, 300.0)
    );
    Job::from_texts(&script, &rig).unwrap()
}

fn search(job: &Job, axis: Option<&str>) -> Fastest {
    job.fastest(axis, &mut |_| ControlFlow::Continue(()))
        .unwrap()
}

/// The lines of 400 choices, from the formulas in the documentation of the search's space: all
/// trapezoids, and S-curves with jerks of f and 2·f times the acceleration.
fn grid(job: &Job) -> Vec<String> {
    let sheet = MotorSheet::of(&job.rig().axes[0]);
    let ability = &sheet.ability;
    let top = sheet.range.to_step_rate_hz * sheet.per_step_rate();
    let torque = 0.85 * ability.pull_out.sample(0.0).low;
    let most = (torque / ability.load.inertia()).to_degrees();
    let digits = |value: f64| -> f64 { format!("{value:.2e}").parse().unwrap() };
    let within = |value: f64, most: f64| match digits(value) {
        rounded if rounded <= most => rounded,
        _ => digits(0.995 * most),
    };
    let mut lines = Vec::new();
    for i in 0..12 {
        let speed = within(top * 30f64.powf(-f64::from(i) / 11.0), top);
        for k in 0..12 {
            let exact = most * 100f64.powf(-f64::from(k) / 11.0);
            let accel = within(exact, most);
            lines.push(format!(
                "shape trapezoid\nspeed {speed} deg/s\naccel {accel} deg/s^2\n"
            ));
            for times in [1.0, 2.0] {
                let jerk = digits(times * sheet.natural_frequency * exact);
                lines.push(format!(
                    "shape s-curve\nspeed {speed} deg/s\naccel {accel} deg/s^2\njerk {jerk} deg/s^3\n"
                ));
            }
        }
    }
    // The least speeds win nowhere, and come last.
    lines.truncate(400);
    lines
}

/// The settled time of the script with these lines before its move; none where it is refused,
/// or lasts longer than `most` before anything settles.
fn settled(job: &Job, lines: &str, most: f64) -> Option<f64> {
    let text = job.sources()[0].text();
    let (before, turn) = text.split_at(text.rfind("turn").unwrap());
    let job = job.with_script(&format!("{before}{lines}{turn}")).unwrap();
    if job.duration().ok()? >= most {
        return None;
    }
    let summary = job.check().of_the_motion().unwrap();
    if !summary.ok || summary.warned > 0 {
        return None;
    }
    job.settled().unwrap()?.settled
}

#[test]
fn it_is_never_worse_than_400_choices_judged_one_by_one_and_passes_the_check() {
    let asked = std::env::var("SLEWSMITH_CASES").ok();
    let cases = asked.map_or(CASES, |cases| cases.parse().unwrap());
    let (mut gained, mut better) = (0, 0);
    for seed in 0..cases {
        let job = case(seed);
        let found = search(&job, None);
        let [one] = &found.moves[..] else {
            panic!("one move: {found:?}");
        };
        let today = one
            .today
            .as_ref()
            .map_or(f64::INFINITY, |today| today.settled);
        let best = one.best.map_or(today, |(_, best)| best.settled);
        let all = grid(&job);
        assert_eq!(all.len(), 400);
        // What lasts longer cannot settle sooner.
        let least = all
            .par_iter()
            .filter_map(|lines| settled(&job, lines, 1.5 * best))
            .reduce(|| f64::INFINITY, f64::min);
        assert!(
            best <= least * (1.0 + 1e-9),
            "rig {seed}: {best} s against {least} s of the grid"
        );
        gained += u64::from(best < today);
        better += u64::from(best < least && least.is_finite());
        // What it found is what the whole script does.
        let written = job.with_script(&found.text).unwrap();
        let summary = written.check().summary().unwrap();
        assert_eq!(summary.ok, found.ok(), "rig {seed}");
        if one.best.is_some() {
            assert!(found.ok(), "rig {seed}");
            let whole = written.settled().unwrap().unwrap().settled.unwrap();
            approx::assert_relative_eq!(whole, best, max_relative = 1e-9);
        }
    }
    println!("{cases} rigs: {gained} faster than written, {better} better than the grid");
    assert!(2 * gained > cases, "{gained} of {cases} rigs");
}

const TWO: &str = "
axes:
  left:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }
    load: { inertia: 50 g.cm^2, friction: 10 mN.m }
    limits: { settle: 0.3 deg, speed: 200 deg/s }
  right:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }
    load: { inertia: 50 g.cm^2, friction: 10 mN.m }
    limits: { settle: 0.3 deg, speed: 200 deg/s }
timer: { clock: 16 MHz, prescaler: 8 }
";

#[test]
fn moves_that_stay_as_they_are_written_keep_their_settings() {
    let script = "speed 100 deg/s\naccel 500 deg/s^2\ndecel 400 deg/s^2\n\
        repeat 2 { turn left by 30 deg } # there\n\
        together {\n    turn left by 20 deg\n    turn right by -20 deg\n}\n\
        turn right by 40 deg in 2 s\n\
        \tturn left to 0 deg at 150 deg/s # back\n";
    let job = Job::from_texts(script, TWO).unwrap();
    let found = search(&job, None);
    assert!(found.ok(), "{}", found.text);
    let lines: Vec<&[usize]> = found.moves.iter().map(|one| &one.lines[..]).collect();
    assert_eq!(lines, [&[4][..], &[10]]);
    let left: Vec<usize> = found.left.iter().map(|left| left.line).collect();
    assert_eq!(left, [5, 9]);
    assert!(found.moves.iter().all(|one| one.best.is_some()));
    let limits = &found.moves[1].limits;
    assert!(
        limits
            .iter()
            .any(|limit| limit.starts_with("speed: the limit")),
        "{limits:?}"
    );
    let durations = |job: &Job| -> Vec<f64> {
        job.moves()
            .map(|planned| planned.unwrap().motion.duration)
            .collect()
    };
    let written = job.with_script(&found.text).unwrap();
    let (before, after) = (durations(&job), durations(&written));
    assert_eq!(before.len(), after.len());
    for (number, (before, after)) in before.iter().zip(&after).enumerate() {
        match number {
            // In the group, and with a time of its own.
            2 | 3 => assert_eq!(before, after),
            _ => assert!(after < before, "move {number}: {after} {before}"),
        }
    }
    assert!(found.text.contains("# there") && found.text.contains("# back"));
    // One choice for all moves of an axis leaves those of the other alone.
    let of_axis = search(&job, Some("left"));
    let [one] = &of_axis.moves[..] else {
        panic!("{of_axis:?}");
    };
    assert_eq!((&one.lines[..], of_axis.ok()), (&[4, 10][..], true));
    let names_it = |line: &String| line.starts_with("shape ") || line.contains(" left ");
    assert!(one.script.iter().all(names_it), "{:?}", one.script);
    assert!(
        job.fastest(Some("up"), &mut |_| ControlFlow::Continue(()))
            .is_err()
    );
}

#[test]
fn a_search_that_is_broken_off_gives_the_best_so_far() {
    let job = case(1);
    let mut asked = 0;
    let found = job
        .fastest(None, &mut |_| {
            asked += 1;
            ControlFlow::Break(())
        })
        .unwrap();
    assert_eq!((asked, found.interrupted), (1, true));
    let whole = search(&job, None);
    assert!(!whole.interrupted);
    assert_eq!(search(&job, None), whole, "the same again");
}
