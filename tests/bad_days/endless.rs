//! What would take for ever, or all the memory, is refused or done at once. A test here
//! that fails by never ending has failed.

use crate::bench::{Bench, example};

/// The mixer with another winding.
fn mixer(resistance: &str) -> Bench {
    let bench = Bench::new();
    let rig = std::fs::read_to_string(example("mixer.yaml")).unwrap();
    let profiles = format!("{}/profiles", env!("CARGO_MANIFEST_DIR"));
    assert!(rig.contains("phase_resistance: 2.4 ohm") && rig.contains("../profiles"));
    let rig = rig
        .replace("2.4 ohm", resistance)
        .replace("../profiles", &profiles);
    bench.write("mixer.yaml", rig);
    let script = std::fs::read_to_string(example("mixer.moves")).unwrap();
    bench.write("mixer.moves", script);
    bench
}

#[test]
fn a_winding_that_no_motor_has_is_refused() {
    for resistance in ["900 ohm", "90000 ohm", "0.002 ohm"] {
        let message = mixer(resistance).run(&["check", "mixer.moves"]).ended(2);
        assert!(message.contains("make a time constant L/R"), "{message}");
    }
}

#[test]
fn a_winding_far_from_usual_ones_is_studied_to_the_end() {
    for resistance in ["140 ohm", "0.07 ohm"] {
        let outcome = mixer(resistance).run(&["check", "mixer.moves"]);
        assert!(matches!(outcome.code, Some(0 | 1)), "{}", outcome.err);
    }
}

#[test]
fn recordings_of_times_that_nobody_lives_to_see_are_refused_with_their_line() {
    let bench = Bench::with_scenario();
    let plot = |options: &[&str]| {
        let command = ["plot", "turntable.moves", "--recorded", "run.csv"];
        bench.run(&[&command[..], &["-o", "run.svg"], options].concat())
    };
    for sample in ["1e308,1", "-1e308,1", "0,-1e308"] {
        bench.write("run.csv", format!("time_s,angle_deg\n0,0\n{sample}\n"));
        let message = plot(&[]).ended(2);
        assert!(message.contains("run.csv: line 3: "), "{message}");
    }
    bench.write("run.csv", "time_s,angle_deg\n0,0\n1,1\n");
    for start in ["1e308 s", "-1e308 s"] {
        let message = plot(&["--starts-at", start]).ended(2);
        assert!(message.contains("run.csv: line 2: "), "{message}");
    }
    // What is allowed is drawn.
    bench.write("run.csv", "time_s,angle_deg\n-1e9,-1e12\n0,0\n1e9,1e12\n");
    plot(&[]).ended(0);
}

const SLOW: &str = "rig \"turntable.yaml\"\n";

fn with_clock(clock: &str) -> Bench {
    let bench = Bench::with_scenario();
    let rig = bench.read("turntable.yaml");
    assert!(rig.contains("clock: 16 MHz\n  prescaler: 8"));
    let timer = format!("clock: {clock}\n  prescaler: 1");
    bench.write(
        "turntable.yaml",
        rig.replace("clock: 16 MHz\n  prescaler: 8", &timer),
    );
    bench
}

#[test]
fn a_program_of_more_ticks_than_can_be_counted_is_refused_where_it_gets_too_long() {
    let bench = with_clock("1000 MHz");
    // 2^63 ns are 9.22e9 s.
    let script = format!("{SLOW}mark \"begin\"\nrepeat 10 {{ dwell 1e9 s }}\nmark \"end\"\n");
    bench.write("slow.moves", &script);
    for command in [
        &["check", "slow.moves"][..],
        &["plan", "slow.moves"],
        &["emit", "slow.moves", "--as", "csv"],
        &["emit", "slow.moves", "--as", "binary", "-o", "slow.bin"],
    ] {
        let message = bench.run(command).ended(2);
        let told = message.contains("[too-long]") && message.contains("slow.moves:3:");
        assert!(told, "{message}");
    }
    bench.write("slow.moves", script.replace("10", "8"));
    bench.run(&["check", "slow.moves"]).ended(0);
    let csv = bench.run(&["emit", "slow.moves", "--as", "csv"]);
    assert!(csv.out.ends_with("\n8000000000000000000,mark,,end\n"));
}

#[test]
fn dwells_of_decades_take_a_few_bytes_where_they_are_packed() {
    let bench = with_clock("1000 MHz");
    let script = format!("{SLOW}dwell 1e9 s\nmark \"a\"\ndwell 1e9 s\nmark \"b\"\n");
    bench.write("slow.moves", script);
    let emit = ["emit", "slow.moves", "--as", "binary", "-o", "slow.bin"];
    bench.run(&emit).ended(0);
    let bytes = std::fs::metadata(bench.file("slow.bin")).unwrap().len();
    assert!(bytes < 200, "{bytes} bytes");
}

#[test]
fn a_plan_that_nobody_asked_to_see_whole_is_not_made_whole() {
    let bench = Bench::with_scenario();
    let script = format!(
        "{SLOW}speed 90 deg/s\naccel 400 deg/s^2\nrepeat 1000000000 {{ repeat 1000000 {{ turn by 45 deg }} }}\n"
    );
    bench.write("long.moves", script);
    let planned = bench.run(&["plan", "long.moves"]);
    assert_eq!(planned.code, Some(0), "{}", planned.err);
    assert!(planned.out.contains("more moves and dwells"));
}

/// The times of the steps of 1000 moves are 100 MB; no more than one move's are held.
#[test]
fn packing_many_different_moves_takes_the_memory_of_the_largest() {
    let bench = Bench::with_scenario();
    let mut script = format!("{SLOW}speed 200 deg/s\naccel 400 deg/s^2\n");
    for number in 0..1000 {
        script += &format!("turn by {} deg\n", 720.0 + f64::from(number) / 10.0);
    }
    bench.write("many.moves", script);
    let emit = ["emit", "many.moves", "--as", "binary", "-o", "many.bin"];
    let within = bench.run_limited("ulimit -d 80000", &emit);
    within.ended(0);
}
