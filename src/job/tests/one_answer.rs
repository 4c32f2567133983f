//! One rig and one script have one answer, whichever question of the front door is asked.

use std::fmt::Write as _;

use rayon::prelude::*;

use crate::emit::Csv;
use crate::job::{Error, Job, Unstreamable};
use crate::player::PlayerOptions;
use crate::simulate::Options;
use crate::testing::draw::Draw;

/// Rigs and scripts under `cargo test`; `SLEWSMITH_CASES` asks for more.
const CASES: u64 = 60;

/// A random motor, drive and load, and a few random moves with and without pauses.
fn case(seed: u64) -> Job {
    let mut draw = Draw::of(seed);
    let drive = match draw.one(&["bridge", "chopper", "linear"]) {
        "bridge" => format!(
            "kind: fixed-voltage, supply: {} V, sequence: {}",
            draw.spread(1.5, 15.0),
            draw.one(&["wave", "two-phase", "half-step"])
        ),
        "chopper" => format!(
            "kind: chopper, supply: {} V, peak_current: {} A, microsteps: {}",
            draw.spread(5.0, 60.0),
            draw.spread(0.3, 2.5),
            draw.one(&["1", "2", "8", "16"])
        ),
        _ => format!(
            "kind: linear-current, supply: {} V, peak_current: {} A, microsteps: {}, sense_resistor: 0.2 ohm",
            draw.spread(4.0, 30.0),
            draw.spread(0.3, 1.5),
            draw.one(&["1", "4", "16"])
        ),
    };
    let rig = format!(
        "axes:
  a:
    motor: {{ rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: {} mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: {} mN.m.s/rad }}
    drive: {{ {drive} }}
    load: {{ inertia: {} g.cm^2, friction: {} mN.m, constant_torque: {} mN.m }}
    limits: {{ settle: 0.5 deg }}
timer: {{ clock: 16 MHz, prescaler: 8, fastest_interval: 20 us }}
",
        draw.spread(0.5, 6.0),
        draw.spread(0.02, 1.0),
        draw.spread(1.0, 500.0),
        draw.spread(0.1, 60.0),
        draw.spread(0.1, 150.0) * f64::from(u8::from(draw.share() < 0.3))
    );
    let mut script = String::new();
    for _ in 0..1 + (4.0 * draw.share()) as u32 {
        // Writing to a String cannot fail.
        let _ = write!(
            script,
            "bands {}\nshape {}\nspeed {} deg/s\naccel {} deg/s^2\njerk {} deg/s^3\nturn by {} deg\n{}",
            draw.one(&["avoid", "allow"]),
            draw.one(&["trapezoid", "s-curve", "full-torque"]),
            draw.spread(30.0, 4000.0),
            draw.spread(200.0, 100_000.0),
            draw.spread(1e4, 1e7),
            draw.spread(5.0, 2000.0) * if draw.share() < 0.5 { -1.0 } else { 1.0 },
            draw.one(&["", "dwell 100 ms\n", "dwell 1 s\n"])
        );
    }
    Job::from_texts(&script, &rig).unwrap_or_else(|problems| panic!("{problems}\n{rig}"))
}

/// What became of a case: whether it may run, and whether that is for lost steps alone.
fn answers_agree(seed: u64) -> (bool, bool) {
    let job = case(seed);
    let summary = match job.check().of_the_motion() {
        Ok(summary) => summary,
        // What cannot be planned is so for everybody.
        Err(_) => {
            assert!(job.simulate(&Options::default()).is_err(), "{seed}");
            assert!(job.write(&Csv, &mut Vec::new()).is_err(), "{seed}");
            return (false, false);
        }
    };
    let failure = summary.first_failure.clone();
    assert_eq!(summary.ok, failure.is_none(), "{seed}");
    let simulated = summary.simulated.expect("it was simulated");
    let outcome = job.simulate(&Options::default()).unwrap();
    if simulated.played_to.is_none() {
        assert_eq!(outcome.lost_steps, simulated.lost_steps, "{seed}");
    }
    assert!(outcome.ok || !summary.ok, "{seed}");

    let written = job.write(&Csv, &mut Vec::new());
    let project = job.project(PlayerOptions::default()).map(|_| ());
    let streamed = match job.stream(115_200) {
        Ok(_) | Err(Unstreamable::Refused(_)) => Ok(()),
        Err(Unstreamable::Program(error)) => Err(error),
        Err(other) => panic!("{seed}: {other}"),
    };
    let refused = |answer: Result<(), Error>| match answer {
        Err(Error::MustNotRun(failure)) => Some(failure),
        _ => None,
    };
    for answer in [written, project, streamed] {
        assert_eq!(refused(answer), failure, "{seed}");
    }
    let (page, ok) = job.report("it".to_owned(), |_| Vec::new()).unwrap();
    assert_eq!(ok, summary.ok, "{seed}");
    let word = if ok { "May run" } else { "Must not run" };
    assert!(page.html().contains(&format!("<strong>{word}")), "{seed}");

    let sheet = job.motor("a").unwrap();
    let ability = &job.abilities()[0];
    assert_eq!(sheet.ability.bands, ability.bands, "{seed}");
    assert_eq!(sheet.ability.typical_bands, ability.typical_bands, "{seed}");
    assert!(sheet.ok() || !summary.ok, "{seed}");
    let said = failure.is_some_and(|failure| failure.reason.contains("motor model"));
    (summary.ok, said)
}

#[test]
fn every_question_about_a_program_gets_the_same_verdict() {
    let asked = std::env::var("SLEWSMITH_CASES").ok();
    let cases = asked.map_or(CASES, |text| text.parse().expect("a number of cases"));
    let all: Vec<(bool, bool)> = (0..cases).into_par_iter().map(answers_agree).collect();
    let passed = all.iter().filter(|(ok, _)| *ok).count() as u64;
    let lost = all.iter().filter(|(_, lost)| *lost).count() as u64;
    println!("{cases} programs: {passed} pass, {lost} fail for lost steps alone");
    assert!(passed > cases / 10 && passed < cases && lost > 0);
}

/// A bridge in wave drive: 200 full steps a turn, so that seven stops are off by up to 3/7 of 1.8
/// degrees, and on half steps by up to 3/7 of 0.9 (school arithmetic).
#[test]
fn the_check_says_how_far_stops_are_off_and_what_half_steps_would_give() {
    let rig = "
axes:
  dial:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2 }
    drive: { kind: fixed-voltage, supply: 2.4 V, sequence: wave }
    load: { inertia: 20 g.cm^2, friction: 4 mN.m }
timer: { clock: 8 MHz, fastest_interval: 100 us }
";
    let script =
        "speed 60 deg/s\naccel 300 deg/s^2\nrepeat 7 { turn by 360/7 deg\ndwell 300 ms }\n";
    let job = Job::from_texts(script, rig).unwrap();
    let stops = &job.check().of_the_motion().unwrap().stops[0];
    let text = stops.text(&job.rig().axes[0]).unwrap();
    let told = "7 stops, off by up to 0.7714 deg: wave drive has only full steps; half steps: 0.3857 deg; \
                overshoot up to ";
    assert!(text.starts_with(told), "{text}");
    assert!(text.contains(", settled within "), "{text}");

    let silent = Job::from_texts("mark \"nothing\"\n", rig).unwrap();
    let summary = silent.check().of_the_motion().unwrap();
    assert_eq!(summary.stops[0].text(&silent.rig().axes[0]), None);
    assert!(summary.findings.iter().any(|one| one.code == "no-moves"));
}

/// A verdict ends its simulation after a bounded amount of work, and says so.
#[test]
fn a_program_beyond_the_bound_is_simulated_in_part() {
    let rig = std::fs::read_to_string(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/examples/shutter.yaml"
    ));
    let script =
        "speed 300 deg/s\naccel 2000 deg/s^2\nrepeat 20000 { turn by 1 rad\ndwell 100 ms }\n";
    let job = Job::from_texts(script, &rig.unwrap()).unwrap();
    let summary = job.check().of_the_motion().unwrap();
    let simulated = summary.simulated.unwrap();
    assert!(simulated.played_to.unwrap() < summary.total_time);
    assert!((1..20_000).contains(&simulated.played_moves));
    let told = |code: &str| summary.findings.iter().any(|one| one.code == code);
    assert!(told("simulated-in-part") && summary.ok);
}

#[test]
fn a_motor_that_borrows_a_profile_says_which_values_are_not_its_own() {
    let folder = tempfile::TempDir::new().unwrap();
    let profile = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/profiles/motors/frame42-short.yaml"
    );
    let rig = format!(
        "axes: {{ a: {{ motor: {{ profile: {profile}, holding_torque: 0.3 N.m }}, \
         drive: {{ kind: chopper, supply: 24 V, peak_current: 1 A, microsteps: 8 }} }} }}\ntimer: {{ clock: 8 MHz }}\n"
    );
    std::fs::write(folder.path().join("rig.yaml"), rig).unwrap();
    std::fs::write(
        folder.path().join("it.moves"),
        "rig \"rig.yaml\"\nspeed 60 deg/s\naccel 400 deg/s^2\nturn by 90 deg\n",
    )
    .unwrap();
    let job = Job::open(folder.path().join("it.moves")).unwrap();
    let findings = job.check().summary().unwrap().findings;
    let found = findings
        .iter()
        .find(|one| one.code == "profile-borrowed")
        .unwrap();
    assert!(
        found.message.contains("gives `holding_torque`"),
        "{}",
        found.message
    );
    assert!(
        found.message.contains("`rotor_inertia`"),
        "{}",
        found.message
    );
    assert!(
        found
            .message
            .ends_with("those of frame42-short, not measured"),
        "{}",
        found.message
    );
}
