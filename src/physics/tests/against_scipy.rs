//! One simulated second of a microstepped move, here and in scipy's solve_ivp.
//!
//! scipy runs with several tolerances; the one that is compared is the fastest that is at
//! least as exact as the simulator, both held against scipy at its tightest. It is about
//! time, so it runs only when it is asked for, on a machine that does nothing else.

use std::time::Instant;

use crate::testing::{model, support};

/// Prints both times: `cargo test --release --lib against_scipy -- --ignored --nocapture`.
#[test]
#[ignore = "a measurement; run it optimised and alone"]
fn a_second_of_microsteps_is_simulated_sooner_than_by_scipy_at_the_same_exactness() {
    let machine = model::machine("medium", "current");
    let repeats = 10;
    // Two times are compared and nothing else; the suite leaves this test out.
    let started = Instant::now();
    let angle = (0..repeats)
        .map(|_| model::second_of_microsteps(&machine))
        .fold(0.0, |_, angle| angle);
    let ours = started.elapsed().as_secs_f64() / f64::from(repeats);

    let scipy = |tolerance: f64| {
        let arguments = ["--second", &tolerance.to_string()];
        let text = support::python_says("reference/motor_model.py", arguments)?;
        let mut words = text.split_whitespace().map(|word| word.parse::<f64>());
        match (words.next(), words.next()) {
            (Some(Ok(seconds)), Some(Ok(angle))) => Some((seconds, angle)),
            _ => panic!("{text}"),
        }
    };
    let Some((_, exact)) = scipy(1e-12) else {
        return;
    };
    let error = (angle - exact).abs();
    println!(
        "here:  {ours:.4} s, {:.0} x real time, {error:.1e} rad off",
        1.0 / ours
    );
    for tolerance in [1e-3, 1e-5, 1e-7, 1e-9] {
        let Some((seconds, angle)) = scipy(tolerance) else {
            return;
        };
        let off = (angle - exact).abs();
        println!(
            "scipy: {seconds:.2} s at rtol {tolerance:e}, {off:.1e} rad off: {:.0} x as long",
            seconds / ours
        );
        if off <= error {
            assert!(ours < seconds, "{ours} s here, {seconds} s in scipy");
            break;
        }
    }
}
