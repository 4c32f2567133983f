//! Large inputs take the memory that the limits in the README allow, and no more.

use crate::bench::Bench;

/// The size of the largest script.
const LARGEST: usize = 8 << 20;
/// The head of a script for the rig that `new` writes.
const HEAD: &str = "rig \"turntable.yaml\"\nspeed 90 deg/s\naccel 400 deg/s^2\n";

/// The largest script that consists of that text between `head` and `foot`, over and over.
fn largest(head: &str, over_and_over: &str, foot: &str) -> String {
    let room = LARGEST - HEAD.len() - head.len() - foot.len();
    let body = over_and_over.repeat(room / over_and_over.len());
    format!("{HEAD}{head}{body}{foot}")
}

/// A run within so much memory (KiB). The system counts what is reserved, of which a list
/// that grows uses as little as half.
#[track_caller]
fn planned_within(kib: u32, script: &str) {
    let bench = Bench::with_scenario();
    bench.write("large.moves", script);
    let limits = format!("ulimit -d {kib}");
    bench
        .run_limited(&limits, &["plan", "large.moves"])
        .ended(0);
}

#[test]
fn the_largest_scripts_reserve_less_than_fifty_times_their_size() {
    for (head, over_and_over, foot) in [
        ("", "turn by 45 deg\n", ""),
        ("", "turn by 1 deg+1 deg+1 deg+1 deg\n", ""),
        ("", "dwell 1s\n", ""),
        ("", "speed 9 deg/s\nturn by 1 deg\n", ""),
        ("", "repeat 2 {\nturn by 1 deg\n}\n", ""),
        ("repeat 2 {\n", "turn by 45 deg\n", "}\n"),
        ("sequence far {\n", "turn by 45 deg\n", "}\ndo far\n"),
        ("sequence far {\nturn by 45 deg\n}\n", "do far\n", ""),
    ] {
        planned_within(50 * 8192, &largest(head, over_and_over, foot));
    }
}

/// Kept whole, what these calls come to would be 100 million operations.
#[test]
fn a_long_sequence_called_with_many_values_is_not_kept_for_each() {
    let mut script = format!("{HEAD}sequence far(a) {{\n");
    script += &"turn by a\n".repeat(10_000);
    script += "}\n";
    for number in 0..10_000 {
        script += &format!("do far({number} deg)\n");
    }
    planned_within(30 * 8192, &script);
}

#[test]
fn a_script_that_is_wrong_everywhere_is_not_kept_either() {
    let bench = Bench::with_scenario();
    bench.write("wrong.moves", largest("", "do it\n", ""));
    let plan = ["plan", "wrong.moves"];
    let message = bench.run_limited("ulimit -d 80000", &plan).ended(2);
    assert_eq!(message.matches("[unknown-sequence]").count(), 20);
}

#[test]
fn a_picture_of_64_axes_takes_the_memory_of_one_chart() {
    let bench = Bench::with_scenario();
    let rig = bench.read("turntable.yaml");
    let (before, timer) = rig.split_once("\ntimer:\n").unwrap();
    let (head, axis) = before.split_once("  table:\n").unwrap();
    let mut large = head.to_owned();
    let mut script = "rig \"large.yaml\"\nspeed 90 deg/s\naccel 400 deg/s^2\n".to_owned();
    for number in 0..64 {
        large += &format!("  axis{number}:\n{axis}\n");
        script += &format!("turn axis{number} by 90 deg\n");
    }
    let (timer, _) = timer.split_once("\n\n").unwrap();
    bench.write("large.yaml", format!("{large}\ntimer:\n{timer}\n"));
    bench.write("large.moves", script);
    let plot = ["plot", "large.moves", "-o", "large.png"];
    bench.run_limited("ulimit -d 120000", &plot).ended(0);
}

/// Without repeats a header stores the interval before every step.
#[test]
fn check_says_what_a_c_header_cannot_hold() {
    let bench = Bench::with_scenario();
    bench.write(
        "large.moves",
        "rig \"turntable.yaml\"\nspeed 90 deg/s\naccel 400 deg/s^2\n\nturn by 1400 turn\n",
    );
    let checked = bench.run(&["check", "large.moves"]);
    assert_eq!(checked.code, Some(0), "{}", checked.err);
    let told = "4194304 different intervals, reached in line 5 [header-overflow]";
    assert!(checked.out.contains(told), "{}", checked.out);
    let message = bench.run(&["emit", "large.moves", "--as", "c"]).ended(2);
    let told = "4194304 different intervals, reached in line 5";
    assert!(message.contains(told), "{message}");
    bench.write(
        "large.moves",
        "rig \"turntable.yaml\"\nspeed 90 deg/s\naccel 400 deg/s^2\nawait go timeout 3000 s\n",
    );
    let checked = bench.run(&["check", "large.moves"]);
    let told = "a timeout is longer than 2^32 ticks [header-overflow]";
    assert!(checked.out.contains(told), "{}", checked.out);
}

/// Packing holds the times of the steps of one move.
#[test]
fn a_move_of_more_steps_than_can_be_packed_is_refused_at_once() {
    let bench = Bench::with_scenario();
    let script = "rig \"turntable.yaml\"\nspeed 90 deg/s\naccel 400 deg/s^2\nturn by 1e8 turn\n";
    bench.write("far.moves", script);
    for (command, told) in [
        (
            &["emit", "far.moves", "--as", "binary", "-o", "far.bin"][..],
            "makes 640000000000 steps, and the limit of a packed move is 16777216",
        ),
        (
            &["emit", "far.moves", "--as", "firmware", "-o", "far"],
            "goes 640000000000 microsteps from its start; the player counts 2147483647",
        ),
    ] {
        let message = bench.run_limited("ulimit -d 200000", command).ended(2);
        assert!(message.contains(told), "{message}");
    }
}
