//! Whether a motion that crosses an unstable band loses steps there, against the growth of a swing
//! that the check computes without a simulation.

use rayon::prelude::*;

use crate::check::{Finding, Severity};
use crate::job::Job;
use crate::physics::band::BandKind;
use crate::simulate::Options;
use crate::testing::draw::Draw;
use crate::testing::motors::MEDIUM;

/// Rigs and moves under `cargo test`; `SLEWSMITH_CASES` asks for more.
const CASES: u64 = 400;

/// A wheel on a bridge that regulates nothing, and a short move with a peak speed inside an
/// unstable band, all of it drawn at random.
fn case(seed: u64) -> Job {
    let mut draw = Draw::of(seed);
    let sequence = draw.one(&["wave", "two-phase", "half-step"]);
    let supply = draw.spread(2.0, 12.0);
    let inertia = draw.spread(5.0, 200.0);
    let damping = draw.spread(0.02, 0.3);
    let rig = format!(
        "axes:
  a:
    motor: {{ {MEDIUM}, detent_torque: 17 mN.m,
             viscous_damping: {damping} mN.m.s/rad, friction_torque: 6 mN.m }}
    drive: {{ kind: fixed-voltage, sequence: {sequence}, supply: {supply} V }}
    load: {{ inertia: {inertia} g.cm^2, friction: 4 mN.m }}
timer: {{ clock: 8 MHz, fastest_interval: 50 us }}
"
    );
    let script = format!(
        "bands allow\nshape {}\nspeed 9000 deg/s\naccel {} deg/s^2\njerk 1e8 deg/s^3\nturn by {} deg\n",
        draw.one(&["trapezoid", "s-curve"]),
        draw.spread(500.0, 60_000.0),
        draw.spread(60.0, 6000.0)
    );
    Job::from_texts(&script, &rig)
        .unwrap_or_else(|problems| panic!("{problems}\n{rig}"))
        .without_simulation()
}

/// What became of a move that torque alone lets pass.
struct Crossed {
    growth: f64,
    lost_steps: u64,
    finding: Option<Severity>,
}

fn crossed(seed: u64) -> Option<Crossed> {
    let job = case(seed);
    let checked = job.check().next()?.ok()?;
    let axis = &checked.check.axes[0];
    if axis.torque?.least < 0.15 || axis.bands.iter().any(|one| one.cruises) {
        return None;
    }
    let mut unstable = axis
        .bands
        .iter()
        .filter(|one| one.band.kind == BandKind::Unstable);
    let code = |finding: &&Finding| finding.code == "unstable-crossing";
    Some(Crossed {
        growth: unstable.next().map_or(0.0, |crossing| crossing.growth),
        lost_steps: job.simulate(&Options::default()).ok()?.lost_steps,
        finding: axis
            .findings
            .iter()
            .find(code)
            .map(|finding| finding.severity),
    })
}

#[test]
fn a_swing_that_grows_along_a_ramp_tells_which_crossings_lose_steps() {
    let asked = std::env::var("SLEWSMITH_CASES").ok();
    let cases = asked.map_or(CASES, |text| text.parse().expect("a number of cases"));
    let all: Vec<Crossed> = (0..cases).into_par_iter().filter_map(crossed).collect();
    let share = |from: f64, to: f64| {
        let some = all.iter().filter(|one| (from..to).contains(&one.growth));
        let lost = some.clone().filter(|one| one.lost_steps > 0).count();
        println!(
            "growth {from} to {to}: {lost} of {} lose steps",
            some.clone().count()
        );
        lost as f64 / some.count().max(1) as f64
    };
    let (little, some, much) = (share(0.0, 2.3), share(2.3, 9.2), share(14.0, 1e9));
    assert!(little < 0.15 && little < some && some < much && much > 0.85);
    for one in &all {
        let expected = match one.growth.exp() {
            grows if grows >= 1e4 => Some(Severity::Failure),
            grows if grows >= 10.0 => Some(Severity::Warning),
            _ => None,
        };
        assert_eq!(one.finding, expected, "{}", one.growth);
    }
}

/// The wheel of the example, through the band that nothing closes: the margin alone lets it pass.
#[test]
fn a_ramp_through_an_unstable_band_that_throws_the_rotor_out_fails_with_and_without_simulation() {
    let at = concat!(env!("CARGO_MANIFEST_DIR"), "/examples/shutter.yaml");
    let rig = std::fs::read_to_string(at).unwrap();
    let script = "bands allow\nspeed 9000 deg/s\naccel 900 deg/s^2\nturn by 7 turn\n";
    let job = Job::from_texts(script, &rig).unwrap();
    let codes = |job: &Job| -> Vec<&'static str> {
        let checked = job.check().next().unwrap().unwrap();
        let failures = checked
            .findings()
            .filter(|one| one.severity == Severity::Failure);
        failures.map(|one| one.code).collect()
    };
    assert_eq!(codes(&job), ["steps-lost"]);
    let job = job.without_simulation();
    assert_eq!(codes(&job), ["unstable-crossing"]);
}
