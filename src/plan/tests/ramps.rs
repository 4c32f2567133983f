//! The plain shapes against outside values: published cases, linear programming, and
//! arithmetic that can be done by hand.

use crate::plan::Segment;
use crate::plan::bands::Bands;
use crate::plan::full_torque::{Capability, TorqueRamp};
use crate::plan::profile::{Impossible, Profile, Ramp as _, Task, fastest};
use crate::plan::s_curve::LimitedJerk;
use crate::plan::timed::in_time;
use crate::plan::trapezoid::ConstantAcceleration;
use approx::assert_relative_eq;
use serde_json::Value;

/// Positions, speeds and accelerations at the end of a segment.
fn end(segment: &Segment) -> (f64, f64, f64) {
    let t = segment.duration;
    (
        segment.position_at(t),
        segment.velocity_at(t),
        segment.acceleration_at(t),
    )
}

/// Fails where the segments do not join, start or end as the task says.
fn assert_joined(profile: &Profile, task: &Task, smooth: bool) {
    let first = profile.segments.first().expect("a move has segments");
    let last = profile.segments.last().expect("a move has segments");
    let (distance, speed) = (task.distance, profile.peak);
    assert_eq!(first.position, 0.0);
    assert_relative_eq!(
        first.velocity,
        task.start,
        max_relative = 1e-9,
        epsilon = 1e-9 * speed
    );
    let (position, velocity, acceleration) = end(last);
    assert_relative_eq!(position, distance, max_relative = 1e-9);
    assert_relative_eq!(
        velocity,
        task.end,
        max_relative = 1e-9,
        epsilon = 1e-9 * speed
    );
    let steepest = profile
        .segments
        .iter()
        .map(|segment| segment.acceleration.abs().max(end(segment).2.abs()))
        .fold(0.0, f64::max);
    if smooth {
        assert!(first.acceleration == 0.0);
        assert!(acceleration.abs() <= 1e-9 * steepest);
    }
    for pair in profile.segments.windows(2) {
        let (position, velocity, acceleration) = end(&pair[0]);
        assert!((position - pair[1].position).abs() <= 1e-9 * distance);
        assert!((velocity - pair[1].velocity).abs() <= 1e-9 * speed);
        if smooth {
            assert!((acceleration - pair[1].acceleration).abs() <= 1e-9 * steepest);
        }
    }
    let sum: f64 = profile
        .segments
        .iter()
        .map(|segment| segment.duration)
        .sum();
    assert_relative_eq!(sum, profile.duration, max_relative = 1e-9);
}

fn s_curve(task: Task, acceleration: f64, jerk: f64) -> Profile {
    let ramp = LimitedJerk { acceleration, jerk };
    let profile = fastest(task, &ramp, &ramp).expect("the distance suffices");
    assert_joined(&profile, &task, true);
    profile
}

fn trapezoid(task: Task, accel: f64, decel: f64) -> Profile {
    let profile = fastest(
        task,
        &ConstantAcceleration(accel),
        &ConstantAcceleration(decel),
    )
    .expect("the distance suffices");
    assert_joined(&profile, &task, false);
    profile
}

const fn rest_to_rest(distance: f64, speed: f64) -> Task {
    Task {
        distance,
        start: 0.0,
        end: 0.0,
        speed,
    }
}

/// Source: the file names it; the optimum of the two cases where the textbook's
/// heuristic is slower is confirmed there by linear programming.
#[test]
fn s_curves_with_end_speeds_reach_the_published_and_the_optimal_times() {
    let file: Value =
        serde_json::from_str(include_str!("../../../tests/reference/ramps_textbook.json")).unwrap();
    let entries = file["entries"].as_array().unwrap();
    assert_eq!(entries.len(), 10);
    for entry in entries {
        let input = |name: &str| entry["inputs"][name].as_f64().unwrap();
        let expected = |name: &str| entry["expected"][name].as_f64().unwrap();
        let task = Task {
            distance: input("q"),
            start: input("v0"),
            end: input("v1"),
            speed: input("vmax"),
        };
        let profile = s_curve(task, input("amax"), input("jmax"));
        let id = entry["id"].as_str().unwrap();
        // The file gives seven digits.
        let close = |found: f64, name: &str| {
            let wanted = expected(name);
            assert!(
                (found - wanted).abs() <= 1e-6 * wanted.max(1.0),
                "{id} {name}: {found} is not {wanted}"
            );
        };
        close(profile.duration, "T");
        close(profile.peak, "vlim");
        close(profile.cruise, "Tv");
        close(profile.segments[0].duration, "Tj1");
        close(profile.segments.last().unwrap().duration, "Tj2");
    }
}

/// By hand: 1000 microsteps at 100/s², no cruise: peak √(1000·100), time 2 √(1000/100).
/// With the deceleration four times the acceleration the peak is √(2 a d n/(a + d)).
#[test]
fn triangles_have_the_peak_and_time_of_the_formula() {
    let even = trapezoid(rest_to_rest(1000.0, 1e9), 100.0, 100.0);
    assert_relative_eq!(even.peak, 1e5_f64.sqrt(), max_relative = 1e-14);
    assert_relative_eq!(even.duration, 2.0 * 10_f64.sqrt(), max_relative = 1e-14);
    assert_eq!(even.segments.len(), 2);
    let uneven = trapezoid(rest_to_rest(1000.0, 1e9), 100.0, 400.0);
    assert_relative_eq!(uneven.peak, 160_000_f64.sqrt(), max_relative = 1e-14);
    assert_relative_eq!(uneven.duration, 4.0 + 1.0, max_relative = 1e-14);
}

/// By hand: 10 s at 200/s² to 2000/s is 10,000 microsteps; 5 s back down 5,000... with
/// 85,000 left at 2000/s.
#[test]
fn trapezoids_cruise_for_what_the_ramps_leave() {
    let profile = trapezoid(rest_to_rest(100_000.0, 2000.0), 200.0, 400.0);
    let durations: Vec<f64> = profile
        .segments
        .iter()
        .map(|segment| segment.duration)
        .collect();
    assert_relative_eq!(durations[..], [10.0, 42.5, 5.0][..], max_relative = 1e-14);
    assert_eq!(profile.cruise, durations[1]);
}

/// By hand: without reaching the full acceleration an S-curve over n has the four
/// phases T = ∛(n/2j) and lasts 4 T.
#[test]
fn short_s_curves_never_reach_the_full_acceleration() {
    let profile = s_curve(rest_to_rest(2.0, 1e6), 1e6, 1.0);
    assert_relative_eq!(profile.duration, 4.0, max_relative = 1e-12);
    assert_eq!(profile.segments.len(), 4);
}

#[test]
fn tiny_and_huge_moves_end_exactly() {
    for distance in [1.0, 2.0, 3.0, 1e3, 1e9, 1e12, 1e15] {
        for speed in [1e-3, 1.0, 1e5, 1e9] {
            for accel in [1e-3, 1.0, 1e6, 1e12] {
                let task = rest_to_rest(distance, speed);
                trapezoid(task, accel, accel * 0.37);
                s_curve(task, accel, accel * 20.0);
                s_curve(task, accel, accel * 1e-3);
                let rolling = Task {
                    start: speed * 0.3,
                    end: speed * 0.3,
                    ..task
                };
                trapezoid(rolling, accel, accel * 3.1);
                s_curve(rolling, accel, accel * 5.0);
            }
        }
    }
}

#[test]
fn a_distance_too_short_for_its_end_speeds_is_refused() {
    let task = Task {
        distance: 10.0,
        start: 100.0,
        end: 0.0,
        speed: 100.0,
    };
    let ramp = ConstantAcceleration(10.0);
    assert_eq!(fastest(task, &ramp, &ramp), Err(Impossible::TooShort));
}

#[test]
fn timed_profiles_take_their_time_and_not_less_than_the_shortest() {
    let task = rest_to_rest(3200.0, 4000.0);
    let (trapeze, curve) = (
        ConstantAcceleration(8000.0),
        LimitedJerk {
            acceleration: 8000.0,
            jerk: 90_000.0,
        },
    );
    let ramps: [&dyn crate::plan::profile::Ramp; 2] = [&trapeze, &curve];
    for ramp in ramps {
        let shortest = fastest(task, ramp, ramp).unwrap().duration;
        for time in [shortest, shortest * 1.000_001, 1.5, 2.0, 60.0, 86_400.0] {
            let profile = in_time(task, time, ramp, ramp, &Bands::default())
                .unwrap()
                .0;
            assert_relative_eq!(profile.duration, time, max_relative = 1e-12);
            assert_joined(&profile, &task, false);
        }
        assert_eq!(
            in_time(task, shortest * 0.999, ramp, ramp, &Bands::default()),
            Err(Impossible::TooSoon { shortest })
        );
    }
}

/// Source: `reference/ramps_s_curve.py`, linear programming by HiGHS through scipy. The
/// bound itself lies a few parts in a hundred thousand below the true optimum.
#[test]
fn no_s_curve_beats_the_linear_programme_and_all_come_within_a_thousandth() {
    let file: Value =
        serde_json::from_str(include_str!("../../../tests/reference/ramps_s_curve.json")).unwrap();
    let entries = file["entries"].as_array().unwrap();
    assert_eq!(entries.len(), 40);
    for entry in entries {
        let value = |name: &str| entry[name].as_f64().unwrap();
        let task = Task {
            distance: value("distance"),
            start: value("start"),
            end: value("end"),
            speed: value("speed"),
        };
        let jerk = value("jerk");
        let ramp = |acceleration| LimitedJerk { acceleration, jerk };
        let profile = fastest(task, &ramp(value("accel")), &ramp(value("decel"))).unwrap();
        assert_joined(&profile, &task, true);
        let share = profile.duration / value("least_time");
        assert!(
            (1.0..=1.001).contains(&share),
            "{share} times the bound: {entry}"
        );
    }
}

/// A full-torque problem of the reference file, in radians.
struct TorqueProblem(Value);

impl TorqueProblem {
    fn value(&self, name: &str) -> f64 {
        self.0[name].as_f64().unwrap_or(f64::INFINITY)
    }

    /// The torque at a speed, between the points of the table.
    fn torque(&self, speed: f64) -> f64 {
        let rows = self.0["curve"].as_array().unwrap();
        let at = |row: usize, column: usize| rows[row][column].as_f64().unwrap();
        let upper = (1..rows.len() - 1)
            .find(|row| at(*row, 0) >= speed)
            .unwrap_or(rows.len() - 1);
        let share = (speed - at(upper - 1, 0)) / (at(upper, 0) - at(upper - 1, 0));
        at(upper - 1, 1) + share * (at(upper, 1) - at(upper - 1, 1))
    }

    /// What the torque allows at a speed: acceleration and deceleration.
    fn able(&self, speed: f64) -> [f64; 2] {
        let (inertia, friction) = (self.value("inertia"), self.value("friction"));
        Capability {
            available: &|omega| self.torque(omega),
            required: &|_, alpha| (inertia * alpha + friction, inertia * alpha + friction),
            margin: self.value("margin"),
            rotor_inertia: inertia / 3.0,
            tolerance: 0.0,
        }
        .at(speed)
    }

    fn jerk(&self) -> Option<f64> {
        self.0["jerk"].as_f64()
    }

    fn profile(&self) -> Profile {
        let cap = self.value("accel");
        let ramp = |which: usize| {
            let curve = |speed| self.able(speed)[which].min(cap);
            TorqueRamp::below(&curve, self.value("speed"), self.jerk()).unwrap()
        };
        let task = rest_to_rest(self.value("distance"), self.value("speed"));
        let profile = fastest(task, &ramp(0), &ramp(1)).unwrap();
        assert_joined(&profile, &task, self.jerk().is_some());
        profile
    }
}

fn torque_problems() -> Vec<TorqueProblem> {
    let file: Value =
        serde_json::from_str(include_str!("../../../tests/reference/ramps_torque.json")).unwrap();
    let entries = file["entries"].as_array().unwrap();
    assert_eq!(entries.len(), 10);
    entries.iter().cloned().map(TorqueProblem).collect()
}

/// Source: `reference/ramps_torque.py`, fine-grid quadrature with numpy.
#[test]
fn full_torque_comes_within_a_hundredth_of_the_fine_grid_and_never_below_it() {
    for problem in torque_problems() {
        let share = problem.profile().duration / problem.value("least_time");
        let speed = problem.value("speed");
        assert!(
            (1.0..=1.01).contains(&share),
            "{share} times the bound, up to {speed}"
        );
    }
}

/// Source: `reference/ramps_torque.py`; the trapezoid has one acceleration, which the torque less
/// the margin allows at each of its speeds, and the best peak speed of a grid.
#[test]
fn full_torque_saves_what_the_fine_grid_saves_over_the_best_trapezoid() {
    let mut savings = Vec::new();
    for problem in &torque_problems()[..5] {
        let trapezoid = problem.value("best_trapezoid");
        let saved = 1.0 - problem.profile().duration / trapezoid;
        let expected = 1.0 - problem.value("least_time") / trapezoid;
        println!("{saved:.4} saved, {expected:.4} on the grid");
        assert!(
            (expected - 0.01..=expected).contains(&saved),
            "{saved} saved, not {expected}"
        );
        savings.push(saved);
    }
    assert!(savings.is_sorted() && savings[4] > 1.0 / 3.0, "{savings:?}");
}

#[test]
fn full_torque_never_exceeds_torque_jerk_or_acceleration_inside_a_segment() {
    for problem in torque_problems() {
        for segment in problem.profile().segments {
            for part in 0..=50 {
                let t = segment.duration * f64::from(part) / 50.0;
                let [accel, decel] = problem.able(segment.velocity_at(t));
                let acceleration = segment.acceleration_at(t);
                let cap = problem.value("accel") * (1.0 + 1e-9);
                let excess = (acceleration / accel.min(cap)).max(-acceleration / decel.min(cap));
                assert!(excess <= 1.0, "{excess} of what is allowed");
            }
            if let Some(jerk) = problem.jerk() {
                assert!(
                    segment.jerk.abs() <= jerk * (1.0 + 1e-6),
                    "{} {jerk}",
                    segment.jerk
                );
            }
        }
    }
}

#[test]
fn a_full_torque_ramp_that_rises_over_a_time_starts_and_ends_without_torque_below_the_plain_one() {
    for problem in torque_problems() {
        let cap = problem.value("accel");
        let ramp = |which: usize| {
            let curve = |speed| problem.able(speed)[which].min(cap);
            TorqueRamp::below(&curve, problem.value("speed"), problem.jerk()).unwrap()
        };
        let (up, down) = (ramp(0), ramp(1));
        let task = rest_to_rest(problem.value("distance"), problem.value("speed"));
        let plain = fastest(task, &up, &down).unwrap();
        let rise = 0.01 * plain.duration;
        let soft = fastest(task, &*up.rising_over(rise), &*down.rising_over(rise)).unwrap();
        assert_joined(&soft, &task, true);
        assert!(soft.duration >= plain.duration * (1.0 - 1e-9));
        // By hand: a ramp of constant acceleration takes the time of one rise longer, and there
        // are two of them; torque that falls with speed leaves room.
        assert!(soft.duration <= plain.duration + 2.0 * rise);
        for segment in &soft.segments {
            let [accel, decel] = problem.able(segment.velocity).map(|able| able.min(cap));
            let allowed = 1.0 + 1e-9;
            assert!(
                segment.acceleration <= accel * allowed && -segment.acceleration <= decel * allowed
            );
            let steepest = up.steepest().max(down.steepest());
            assert!(segment.jerk.abs() <= steepest / rise * (1.0 + 1e-6));
        }
    }
}

/// The S-curve is the full-torque ramp of a constant torque.
#[test]
fn constant_torque_with_a_jerk_limit_gives_the_s_curve() {
    for distance in [1.0, 30.0, 1e3, 1e5] {
        for speed in [10.0, 300.0] {
            let (acceleration, jerk) = (1000.0, 2e4);
            let task = Task {
                start: speed * 0.2,
                end: 0.0,
                ..rest_to_rest(distance, speed)
            };
            let plain = LimitedJerk { acceleration, jerk };
            let table = TorqueRamp::below(&|_| acceleration, speed, Some(jerk)).unwrap();
            let (Ok(expected), Ok(found)) =
                (fastest(task, &plain, &plain), fastest(task, &table, &table))
            else {
                assert!(fastest(task, &plain, &plain).is_err());
                continue;
            };
            assert_relative_eq!(found.duration, expected.duration, max_relative = 2e-4);
            assert_joined(&found, &task, true);
        }
    }
}
