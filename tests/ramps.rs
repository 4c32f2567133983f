//! The plain shapes against outside values: published cases, linear programming, and
//! arithmetic that can be done by hand.

use approx::assert_relative_eq;
use serde_json::Value;
use slewsmith::plan::Segment;
use slewsmith::plan::profile::{Impossible, Profile, Task, fastest, in_time};
use slewsmith::plan::s_curve::LimitedJerk;
use slewsmith::plan::trapezoid::ConstantAcceleration;

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
    let file: Value = serde_json::from_str(include_str!("reference/ramps_textbook.json")).unwrap();
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
    let ramps: [&dyn slewsmith::plan::profile::Ramp; 2] = [&trapeze, &curve];
    for ramp in ramps {
        let shortest = fastest(task, ramp, ramp).unwrap().duration;
        for time in [shortest, shortest * 1.000_001, 1.5, 2.0, 60.0, 86_400.0] {
            let profile = in_time(task, time, ramp, ramp).unwrap();
            assert_relative_eq!(profile.duration, time, max_relative = 1e-12);
            assert_joined(&profile, &task, false);
        }
        assert_eq!(
            in_time(task, shortest * 0.999, ramp, ramp),
            Err(Impossible::TooSoon { shortest })
        );
    }
}
