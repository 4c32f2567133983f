//! What a move leaves behind: an S-curve against a trapezoid over the same distance in
//! the same time with the same cruise speed, both played into the motor model.

use std::ops::ControlFlow;
use std::sync::Arc;

use crate::physics::Machine;
use crate::plan::{Item, PlannedMove};
use crate::rig::Rig;
use crate::script::Shape;
use crate::simulate::{Options, SimulationEvent, simulate_with};
use crate::testing::rigs::{by, limit, moves, moving, rig, rotary, settings};
use crate::units::{Damping, Inertia, Torque};
use approx::assert_relative_eq;

/// A rotor with a disc and hardly any damping (ζ about 0.006).
fn disc(microsteps: u32, detent: f64) -> Rig {
    let mut axis = rotary("disc", microsteps);
    axis.motor.viscous_damping = Some(Damping::new(2e-4));
    axis.motor.detent_torque = Some(Torque::new(detent));
    axis.load.inertia = Inertia::new(1.5e-5);
    axis.limits.settle = Some(0.02_f64.to_radians());
    rig(vec![axis])
}

/// How far and how fast (deg, deg/s).
const TRAVEL: f64 = 90.0;
const SPEED: f64 = 360.0;

/// The move with ramps of that many seconds: as a trapezoid, or as an S-curve whose
/// acceleration builds up and fades from end to end of each ramp.
fn planned(rig: &Rig, shape: Shape, ramp: f64) -> PlannedMove {
    let accel = match shape {
        Shape::SCurve => 2.0 * SPEED / ramp,
        _ => SPEED / ramp,
    };
    let per_second = |value: f64, power: &str| format!("{value} deg/s{power}");
    let mut settings = settings(&per_second(SPEED, ""), &per_second(accel, "^2"));
    settings.all.jerk = limit(&per_second(4.0 * SPEED / (ramp * ramp), "^3"));
    settings.shape = shape;
    settings.bands_allowed = true;
    let turn = by(&format!("{TRAVEL} deg"), &Arc::new(settings));
    moves(rig, vec![moving(turn)]).remove(0)
}

/// The swing (peak to peak, deg) that the two ramps of a move leave at most on a rotor
/// that swings freely at ω = `omega` (rad/s), whatever ω times the ramp comes to. By
/// Duhamel's integral a pulse of acceleration a(t) leaves the amplitude
/// |∫ a(t) exp(iωt) dt|/ω, which for a square pulse of the height v/T and the length T and
/// for a triangle over the same T is
///
/// ```text
/// A = 2 v/(T ω²) |sin ωT/2|          A = 2 v/(T ω²) · 8/(ωT) sin² ωT/4
/// ```
fn most_swing(shape: Shape, ramp: f64, omega: f64) -> f64 {
    let square = 2.0 * SPEED / (ramp * omega * omega);
    let amplitude = match shape {
        Shape::SCurve => square * 8.0 / (omega * ramp),
        _ => square,
    };
    // Two ramps, and a swing goes both ways.
    4.0 * amplitude
}

/// What is seen after the last step: the load's peak-to-peak swing (deg) and how long it
/// takes to stay within `settle` (s).
fn residual(rig: &Rig, planned: &PlannedMove) -> (f64, f64) {
    let options = Options {
        trace_interval: Some(5e-5),
        ..Options::default()
    };
    let end = planned.motion.duration;
    let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut settles = None;
    let flow = simulate_with(
        rig,
        [Item::Move(planned.clone())].into_iter(),
        &options,
        &mut |report| {
            match report {
                SimulationEvent::Sample(sample) if sample.time_s > end => {
                    least = least.min(sample.angle_deg);
                    most = most.max(sample.angle_deg);
                }
                SimulationEvent::Move(done) => {
                    assert_eq!(done.lost_steps, 0);
                    settles = done.settle_s;
                }
                _ => {}
            }
            ControlFlow::Continue(())
        },
    );
    assert!(flow.is_continue());
    (most - least, settles.expect("it settles"))
}

/// Means and worst cases over ramps of 20 to 62 ms, for a trapezoid and an S-curve.
#[derive(Debug)]
struct Comparison {
    mean_swing: [f64; 2],
    worst_swing: [f64; 2],
    mean_settling: [f64; 2],
}

fn compared(rig: &Rig, check: impl Fn(Shape, f64, f64)) -> Comparison {
    let ramps: Vec<f64> = (0..15).map(|at| 0.02 + 0.003 * f64::from(at)).collect();
    let seen = [Shape::Trapezoid, Shape::SCurve].map(|shape| {
        let one = |ramp: &f64| {
            let planned = planned(rig, shape, *ramp);
            // Equal time: that of the travel at cruise speed, and of one ramp more.
            let time = TRAVEL / SPEED + ramp;
            assert_relative_eq!(planned.motion.duration, time, max_relative = 1e-9);
            let (swing, settling) = residual(rig, &planned);
            check(shape, *ramp, swing);
            [swing, settling]
        };
        ramps.iter().map(one).collect::<Vec<_>>()
    });
    let count = ramps.len() as f64;
    let mean = |of: usize| {
        seen.each_ref()
            .map(|list| list.iter().map(|one| one[of]).sum::<f64>() / count)
    };
    Comparison {
        mean_swing: mean(0),
        worst_swing: seen
            .each_ref()
            .map(|list| list.iter().map(|one| one[0]).fold(0.0, f64::max)),
        mean_settling: mean(1),
    }
}

/// Ramps alone: fine microsteps, and no detent torque that shakes the rotor on its way
/// down through its natural frequency.
#[test]
fn an_s_curve_leaves_less_swing_than_a_trapezoid_of_equal_time() {
    let rig = disc(256, 0.0);
    let omega = Machine::of(&rig.axes[0]).natural_frequency();
    let found = compared(&rig, |shape, ramp, swing| {
        // The last microstep, 1.8/256 degrees, rings as well.
        let most = 1.1 * most_swing(shape, ramp, omega) + 0.008;
        assert!(swing <= most, "{shape:?} {ramp}: {swing} of {most}");
    });
    println!("{found:?}");
    let [trapezoid, curve] = found.mean_swing;
    assert!(curve < 0.4 * trapezoid, "{found:?}");
    let [trapezoid, curve] = found.worst_swing;
    assert!(curve < 0.6 * trapezoid, "{found:?}");
    let [trapezoid, curve] = found.mean_settling;
    assert!(curve < 0.1 * trapezoid, "{found:?}");
}

/// Detent torque strikes the rotor once a full step, so a ramp shakes it wherever it
/// passes the natural frequency, whatever its shape.
#[test]
fn detent_and_coarse_microsteps_take_most_of_that_away() {
    let found = compared(&disc(16, 0.018), |_, _, _| {});
    println!("{found:?}");
    let [trapezoid, curve] = found.mean_swing;
    assert!(curve < trapezoid && curve > 0.5 * trapezoid, "{found:?}");
}
