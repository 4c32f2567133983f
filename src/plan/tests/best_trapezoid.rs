//! The full-torque shape against the best trapezoid that keeps the same margin, on the
//! rig of the carousel example.

use crate::testing::rigs;
use crate::testing::support;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use crate::files::{FilesOnDisk, read_source};
use crate::physics::{PullOut, ShaftLoad};
use crate::rig::Rig;
use crate::script::{Settings, Shape};
use crate::testing::rigs::{by, moves, moving};
use serde_json::json;

/// The largest move of the example, half a turn and ten turns.
const DISTANCES: [f64; 3] = [45.0, 180.0, 3600.0];

fn carousel() -> Rig {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/carousel.yaml");
    Rig::parse(&read_source(&path).unwrap(), &mut FilesOnDisk)
        .unwrap_or_else(|problems| panic!("{problems}"))
        .rig
}

/// How long the full-torque shape takes (s).
fn full_torque(rig: &Rig, distance: f64) -> f64 {
    let settings = Settings {
        shape: Shape::FullTorque,
        bands_allowed: true,
        ..rigs::settings(
            if rig.axes[0].limits.speed.is_some() {
                ""
            } else {
                "100 turn/s"
            },
            "",
        )
    };
    let turn = by(&format!("{distance} deg"), &Arc::new(settings));
    moves(rig, vec![moving(turn)])[0].motion.duration
}

/// Least times of trapezoids (s): with one acceleration for both ramps, and with an own
/// one for each.
fn trapezoids(rig: &Rig) -> Option<Vec<[f64; 2]>> {
    let axis = &rig.axes[0];
    let (pull_out, load) = (PullOut::of(axis), ShaftLoad::of(axis));
    let speeds: Vec<f64> = (0..4000).map(f64::from).map(|at| at * 0.1).collect();
    let torques: Vec<f64> = speeds.iter().map(|speed| pull_out.low_at(*speed)).collect();
    let to_motor = axis.microsteps_per_travel() * axis.microstep_angle();
    let job = json!({
        "speed_rad_s": speeds,
        "torque_nm": torques,
        "margin": axis.limits.torque_margin,
        "tolerance": rig.timer.tolerance,
        "rotor_inertia": axis.motor.rotor_inertia.si(),
        "load_inertia": axis.load.inertia.si() / axis.load.gearing.ratio().powi(2),
        "friction": axis.load.friction.si() / axis.load.gearing.ratio(),
        "efficiency": axis.load.efficiency,
        "distances_rad": DISTANCES.map(|distance| distance.to_radians() * to_motor),
        "top_rad_s": axis.limits.speed.map(|speed| speed * to_motor),
    });
    assert_eq!(
        (load.coulomb, load.load_viscous, load.constant),
        (axis.load.friction.si() / 3.0, 0.0, 0.0)
    );
    let folder = tempfile::TempDir::new().unwrap();
    let path = folder.path().join("job.json");
    fs::write(&path, job.to_string()).unwrap();
    let text = support::python_says("outside/best_trapezoid.py", [&path])?;
    let pairs = text.lines().map(|line| {
        let mut numbers = line.split(' ').map(|word| word.parse().unwrap());
        [numbers.next().unwrap(), numbers.next().unwrap()]
    });
    Some(pairs.collect())
}

#[test]
fn full_torque_beats_the_best_trapezoid_under_the_same_margin() {
    let limited = carousel();
    let mut free = limited.clone();
    free.axes[0].limits.speed = None;
    // At the rig's own 300 deg/s the torque is hardly less than at rest: there is little
    // to win but the friction's help. Without that limit there is a lot.
    let least = [
        [[0.005, 0.001], [0.001, 0.0], [0.0, 0.0]],
        [[0.12, 0.07], [0.2, 0.15], [0.15, 0.1]],
    ];
    for (rig, least) in [limited, free].iter().zip(least) {
        let Some(found) = trapezoids(rig) else {
            return;
        };
        assert_eq!(found.len(), DISTANCES.len());
        for ((distance, found), least) in DISTANCES.iter().zip(found).zip(least) {
            let time = full_torque(rig, *distance);
            let saved = found.map(|trapezoid| 1.0 - time / trapezoid);
            println!("{distance} deg: {time:.5} s; trapezoids {found:.5?} s; saved {saved:.4?}");
            assert!(
                saved[0] > least[0] && saved[1] > least[1],
                "{distance} deg: {saved:?}"
            );
        }
    }
}
