//! What the planner makes of its own holds: the rotor follows every full-torque move that the
//! check lets pass, without a simulation, and little time is lost for that.

use std::fmt::Write as _;

use rayon::prelude::*;

use crate::Job;
use crate::physics::Band;
use crate::plan::{self, ChangeKind};
use crate::simulate::Options;
use crate::testing::draw::Draw;

/// Rigs and moves under `cargo test`; `SLEWSMITH_CASES` asks for more.
const CASES: u64 = 100;

/// A random motor, drive, load and reserve, and a move of a few degrees to ten turns.
fn case(seed: u64) -> Job {
    let mut draw = Draw::of(seed);
    let holding = draw.spread(0.1, 2.0);
    let current = draw.spread(0.5, 4.0);
    // The rotor's inertia grows somewhat faster than its torque, and L/R is 1 to 3 ms: a rule,
    // near what data sheets of motors from 40 to 60 mm give.
    let rotor = 1.3e-5 * holding.powf(1.3);
    let resistance = 2.4 / current * draw.spread(0.6, 1.6);
    let inductance = resistance * draw.spread(1e-3, 3e-3);
    let drive = if draw.share() < 0.2 {
        let sequence = draw.one(&["wave", "two-phase", "half-step"]);
        format!(
            "kind: fixed-voltage, supply: {} V, sequence: {sequence}",
            resistance * current
        )
    } else {
        let kind = draw.one(&["chopper", "linear-current"]);
        let supply = draw.one(&["12", "24", "36", "48"]);
        let microsteps = draw.one(&["1", "2", "4", "8", "16", "32"]);
        format!(
            "kind: {kind}, supply: {supply} V, peak_current: {current} A, microsteps: {microsteps}"
        )
    };
    let mut damping = String::new();
    if draw.share() < 0.5 {
        let critical = 2.0 * (50.0 * holding * rotor).sqrt();
        // Writing to a String cannot fail.
        let _ = write!(
            damping,
            ", viscous_damping: {:e} N.m.s/rad",
            draw.spread(0.01, 0.06) * critical
        );
    }
    let mut load = format!(
        "inertia: {:e} kg.m^2, friction: {:e} N.m",
        rotor * draw.spread(0.1, 8.0),
        holding * draw.spread(0.002, 0.1)
    );
    if draw.share() < 0.25 {
        let _ = write!(
            load,
            ", constant_torque: {:e} N.m",
            holding * 0.5 * (draw.share() - 0.5)
        );
    }
    let margin = 15.0 + 35.0 * draw.share();
    let speed = if draw.share() < 0.5 {
        draw.spread(60.0, 6000.0)
    } else {
        20_000.0
    };
    let rig = format!(
        "axes:
  a:
    motor: {{ rotor_teeth: 50, phase_resistance: {resistance:e} ohm, phase_inductance: {inductance:e} H,
             rated_current: {current:e} A, holding_torque: {holding:e} N.m, rotor_inertia: {rotor:e} kg.m^2{damping} }}
    drive: {{ {drive} }}
    load: {{ {load} }}
    limits: {{ speed: {speed:.1} deg/s, torque_margin: {margin} % }}
timer: {{ clock: 16 MHz, prescaler: 8, bits: 16, fastest_interval: 5 us, step_pulse: 2 us }}
"
    );
    let script = format!(
        "shape full-torque\nturn by {:.3} deg\n",
        draw.spread(5.0, 3600.0)
    );
    Job::from_texts(&script, &rig).unwrap_or_else(|problems| panic!("{problems}\n{rig}"))
}

/// How long the program takes (s) where torque is asked for at once, whatever the rotor does.
fn at_once(job: &Job) -> f64 {
    let abilities = job.abilities().iter();
    let bands = abilities.map(|ability| ability.bands.iter().map(Band::with_clearance).collect());
    plan::program(&job.rig, job.script.source(), job.script.actions())
        .with_bands(bands.collect())
        .map(|item| item.unwrap().duration())
        .sum()
}

/// A move that the check lets pass.
struct Passed {
    seed: u64,
    lost_steps: u64,
    /// How long it takes, and would take where torque is asked for at once (s).
    times: [f64; 2],
    gentler: bool,
    /// Whether its peak speed is lower than that of the fastest plan, which the rotor loses at
    /// any torque.
    lower: bool,
}

fn passed(seed: u64) -> Option<Passed> {
    let job = case(seed);
    let planned = job.moves().next()?.ok()?;
    let job = job.without_simulation();
    if !job.check().of_the_motion().ok()?.ok {
        return None;
    }
    let is_gentler = |kind: &ChangeKind| matches!(kind, ChangeKind::Gentler { .. });
    let is_lower = |kind: &ChangeKind| matches!(kind, ChangeKind::Gentler { peak: Some(_), .. });
    Some(Passed {
        seed,
        lost_steps: job.simulate(&Options::default()).ok()?.lost_steps,
        times: [planned.motion.duration, at_once(&job)],
        gentler: planned.changes.iter().any(|one| is_gentler(&one.kind)),
        lower: planned.changes.iter().any(|one| is_lower(&one.kind)),
    })
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    sum / count
}

#[test]
fn full_torque_moves_that_pass_the_check_lose_no_step_and_little_time() {
    let asked = std::env::var("SLEWSMITH_CASES").ok();
    let cases = asked.map_or(CASES, |text| text.parse().expect("a number of cases"));
    let all: Vec<Passed> = (0..cases).into_par_iter().filter_map(passed).collect();
    let lost: Vec<_> = all.iter().filter(|one| one.lost_steps > 0).collect();
    for one in &lost {
        println!("case {}: {} steps lost", one.seed, one.lost_steps);
    }
    for one in all.iter().filter(|one| one.lower) {
        let [time, at_once] = one.times;
        println!(
            "case {}: {time:.4} s at a lower speed, {at_once:.4} s at once",
            one.seed
        );
    }
    let ratio = |one: &Passed| one.times[0] / one.times[1];
    // A speed that no rotor keeps in its band is lost at any torque; lowering it is not what
    // softer torque costs.
    let kept: Vec<_> = all.iter().filter(|one| !one.lower).collect();
    let mean_time = |which: usize| mean(all.iter().map(|one| one.times[which]));
    let long = kept.iter().filter(|one| one.times[1] >= 0.05);
    let longer = [
        mean_time(0) / mean_time(1),
        mean(kept.iter().map(|one| ratio(one))),
        mean(long.map(|one| ratio(one))),
        mean(all.iter().map(ratio)),
    ];
    println!(
        "{} of {cases} moves pass, {} lose steps, {} are gentler, {} at a lower speed; the mean time of all is {:.2} % \
         longer; mean of each share without those {:.2} %, from 50 ms on {:.2} %, of all {:.2} %",
        all.len(),
        lost.len(),
        all.iter().filter(|one| one.gentler).count(),
        all.len() - kept.len(),
        100.0 * (longer[0] - 1.0),
        100.0 * (longer[1] - 1.0),
        100.0 * (longer[2] - 1.0),
        100.0 * (longer[3] - 1.0),
    );
    assert!(all.len() as u64 > cases * 9 / 10);
    assert!(lost.is_empty());
    // A short move has no room: a rise over part of the rotor's period of some 5 to 10 ms is a
    // large part of it.
    assert!(longer[0] <= 1.03 && longer[2] <= 1.03);
}

/// A suspended load at a fifth of a metre a second, a carousel that turns its torque round at
/// once, and a wheel on a low fixed voltage, which only its windings damp: torque that is asked
/// for at once throws each of them out.
#[test]
fn torque_that_would_throw_the_rotor_out_is_raised_slowly() {
    let at = concat!(env!("CARGO_MANIFEST_DIR"), "/examples");
    for (rig, change, moves) in [
        ("lift.yaml", ("", ""), "speed 200 mm/s\nturn by 36 mm\n"),
        (
            "carousel.yaml",
            (
                "speed: 300 deg/s\n      torque_margin: 40 %",
                "speed: 1500 deg/s\n      torque_margin: 30 %",
            ),
            "speed 1500 deg/s\naccel 200000 deg/s^2\nturn by 180 deg\n",
        ),
        (
            "shutter.yaml",
            ("supply: 3.2 V", "supply: 2 V"),
            "speed 3600 deg/s\nturn by 7 turn\n",
        ),
    ] {
        let mut text = std::fs::read_to_string(format!("{at}/{rig}")).unwrap();
        text = text.replace("../profiles", &format!("{at}/../profiles"));
        assert!(text.contains(change.0));
        text = text.replace(change.0, change.1);
        let folder = tempfile::TempDir::new().unwrap();
        std::fs::write(folder.path().join("rig.yaml"), text).unwrap();
        let script = format!("rig \"rig.yaml\"\nshape full-torque\n{moves}");
        std::fs::write(folder.path().join("it.moves"), script).unwrap();
        let job = Job::open(folder.path().join("it.moves")).unwrap();
        let outcome = job.simulate(&Options::default()).unwrap();
        let planned = job.moves().next().unwrap().unwrap();
        assert_eq!(outcome.lost_steps, 0, "{rig}");
        println!(
            "{rig}: {:.4} s, at once {:.4} s; {:?}",
            planned.motion.duration,
            at_once(&job),
            planned.changes
        );
        let told = planned
            .changes
            .iter()
            .any(|change| matches!(change.kind, ChangeKind::Gentler { .. }));
        assert!(told || rig == "carousel.yaml", "{rig}");
    }
}
