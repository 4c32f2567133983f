//! Whatever the values of a rig, an answer comes soon: a verdict, or a question about the values.

use rayon::ThreadPoolBuilder;
use rayon::prelude::*;

use crate::testing::processor::Cost;
use crate::{Job, MotorSheet};

/// Rigs under `cargo test`; `SLEWSMITH_CASES` asks for more.
const CASES: u64 = 60;
/// Processor time of an answer, at most (s): two seconds of the program as it is shipped. The build
/// for tests is about half as fast.
const SOON: f64 = if cfg!(debug_assertions) { 4.0 } else { 2.0 };
/// How far a value is off, at most.
const FARTHEST: f64 = 1e6;

/// Keys of a rig with plausible values (those of [`crate::testing::motors::medium`]) and their units.
const MOTOR: [(&str, f64, &str); 9] = [
    ("phase_resistance", 2.1, "ohm"),
    ("phase_inductance", 4.2e-3, "H"),
    ("rated_current", 1.5, "A"),
    ("holding_torque", 0.42, "N.m"),
    ("detent_torque", 0.017, "N.m"),
    ("rotor_inertia", 6.5e-6, "kg.m^2"),
    ("viscous_damping", 4e-4, "N.m.s/rad"),
    ("friction_torque", 0.01, "N.m"),
    ("core_loss_resistance", 70.0, "ohm"),
];
const LOAD: [(&str, f64, &str); 5] = [
    ("inertia", 2e-5, "kg.m^2"),
    ("friction", 0.02, "N.m"),
    ("viscous", 1e-4, "N.m.s/rad"),
    ("constant_torque", 0.03, "N.m"),
    ("unbalance", 1e-3, "kg.m"),
];
const DRIVE: [(&str, f64, &str); 2] = [("supply", 24.0, "V"), ("switch_resistance", 0.3, "ohm")];
const LIMITS: [(&str, f64, &str); 3] = [
    ("speed", 20.0, "rad/s"),
    ("acceleration", 300.0, "rad/s^2"),
    ("jerk", 1e4, "rad/s^3"),
];

/// Numbers of a seed, evenly spread from 0 to 1.
struct Draw(u64);

impl Draw {
    fn share(&mut self) -> f64 {
        // Knuth's constants, the digits mixed.
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let mixed = (self.0 ^ (self.0 >> 33)).wrapping_mul(0xff51_afd7_ed55_8ccd);
        ((mixed ^ (mixed >> 29)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn one<'a>(&mut self, of: &[&'a str]) -> &'a str {
        of[(self.share() * of.len() as f64) as usize]
    }

    /// Some of those keys, some of their values off by up to `off` either way.
    fn keys(&mut self, keys: &[(&str, f64, &str)], needed: usize, wrong: f64, off: f64) -> String {
        let mut text = String::new();
        for (place, (key, value, unit)) in keys.iter().enumerate() {
            let there = place < needed || self.share() < 0.5;
            let factor = match self.share() < wrong {
                true => off.powf(2.0 * self.share() - 1.0),
                false => 1.0,
            };
            if there {
                text += &format!("{key}: {:e} {unit}, ", value * factor);
            }
        }
        text
    }
}

/// A rig whose values are off, and a script.
fn case(seed: u64) -> (String, String) {
    let mut draw = Draw(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    draw.share();
    let wrong = draw.share();
    // Values that are only a little off pass as plausible and are worked on.
    let off = 10_f64.powf(FARTHEST.log10() * draw.share());
    let motor = draw.keys(&MOTOR, 6, wrong, off);
    let mut drive = draw.keys(&DRIVE, 1, wrong, off);
    drive += &match draw.share() < 0.4 {
        true => format!(
            "kind: fixed-voltage, sequence: {}",
            draw.one(&["wave", "two-phase", "half-step"])
        ),
        false => format!(
            "{}kind: {}, microsteps: {}",
            draw.keys(&[("peak_current", 1.5, "A")], 1, wrong, off),
            draw.one(&["chopper", "linear-current"]),
            draw.one(&["1", "2", "4", "16", "64", "256"])
        ),
    };
    let load = draw.keys(&LOAD, 0, wrong, off);
    let limits = draw.keys(&LIMITS, 0, wrong, off);
    let rig = format!(
        "axes:\n  a:\n    motor: {{ rotor_teeth: 50, {motor} }}\n    drive: {{ {drive} }}\n    \
         load: {{ {load} }}\n    limits: {{ {limits}settle: 0.01 rad }}\ntimer: {{ clock: 16 MHz, prescaler: 8 }}\n"
    );
    let shape = draw.one(&["trapezoid", "s-curve", "full-torque"]);
    let turn = draw.one(&["1.8 deg", "90 deg", "10 turn"]);
    let script = format!("shape {shape}\nturn by {turn}\ndwell until settled\n");
    (rig, script)
}

/// Asks for all that `motor` and `check` tell; whether there is a verdict.
fn answered(seed: u64) -> bool {
    let (rig, script) = case(seed);
    let Ok(job) = Job::from_texts(&script, &rig) else {
        return false;
    };
    for sheet in MotorSheet::all(job.rig()) {
        sheet.start_stop();
        sheet.findings();
    }
    // A plan that cannot be made is an answer as well.
    job.check().summary().is_ok()
}

#[test]
fn no_value_of_a_rig_makes_an_answer_take_long() {
    let asked = std::env::var("SLEWSMITH_CASES").ok();
    let cases = asked.map_or(CASES, |text| text.parse().expect("a number of cases"));
    let all: Vec<(bool, f64)> = (0..cases)
        .into_par_iter()
        .map(|seed| {
            // On one thread, so that it is all counted.
            let alone = ThreadPoolBuilder::new().num_threads(1).build().unwrap();
            alone.install(|| {
                let cost = Cost::begin();
                let verdict = answered(seed);
                let seconds = cost.seconds();
                if seconds > 0.5 {
                    println!("case {seed}: {seconds:.2} s\n{}", case(seed).0);
                }
                (verdict, seconds)
            })
        })
        .collect();
    let verdicts = all.iter().filter(|(verdict, _)| *verdict).count();
    let longest = all.iter().map(|(_, seconds)| *seconds).fold(0.0, f64::max);
    println!("{verdicts} verdicts on {cases} rigs; the longest took {longest:.2} s");
    assert!(verdicts as u64 > cases / 10);
    assert!(longest < SOON, "{longest} s");
}
