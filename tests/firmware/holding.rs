//! A lower current at standstill of bridges without converters: a timer chops them.

use crate::board::{self, Bench, Built, CLOCK, Pin, Run};
use crate::coils::{driven, highest_rate};
use crate::played::opens;

const SCRIPT: &str = "rig \"rig.yaml\"\nbands allow\nspeed 400 microstep/s\naccel 8000 microstep/s^2\nshape trapezoid\n\
    turn disc by 9 microstep\ndwell 800 ms\nturn disc by -4 microstep\ndwell 300 ms\nturn disc by 1 microstep\n";

/// A drive without converters, and how its bridges say what the current does.
fn bare(bridge: &str, hold: &str) -> String {
    format!(
        "{{ kind: fixed-voltage, sequence: two-phase, supply: 3 V, switch_resistance: 0.5 ohm, {bridge}, hold_current: {hold}, \
         hold_delay: 100 ms }}"
    )
}

/// The lines of the bridges, by name, and which of them are chopped.
fn lines(built: &Built, axis: &str) -> Vec<(String, Pin, bool)> {
    let text = built.file("README.md");
    let rows = text.lines().filter_map(|row| {
        let name = row.strip_prefix("| ")?.split(" | ").next()?;
        let is_line = ["switch ", "pair ", "enable of phase", "direction of phase"]
            .iter()
            .any(|kind| name.starts_with(kind));
        (is_line && name.ends_with(&format!(" of {axis}"))).then(|| name.to_owned())
    });
    rows.map(|name| {
        let chopped = !name.contains("high") && !name.starts_with("direction");
        let pin = built.pin(&name);
        (name, pin, chopped)
    })
    .collect()
}

/// For how many cycles a pin was high from one cycle to another.
fn high(run: &Run, pin: Pin, from: u64, to: u64) -> u64 {
    let (mut level, mut since, mut sum) = (0, 0, 0);
    let edges = run.edges.iter().filter(|edge| edge.pin == pin);
    let mut add = |level: u8, since: u64, until: u64| {
        if level == 1 {
            sum += until.clamp(from, to) - since.clamp(from, to);
        }
    };
    for edge in edges {
        add(level, since, edge.cycle);
        (level, since) = (edge.level, edge.cycle);
    }
    add(level, since, to);
    sum
}

#[test]
fn bridges_without_converters_are_chopped_at_standstill_and_full_before_a_step() {
    if board::harness().is_none() {
        return;
    }
    // The share of a period for which lines are on: with a fast decay (1 + h)/2.
    for (bridge, hold, duty) in [
        ("bridge: switches", "40 %", 0.4),
        ("bridge: switches", "0 %", 0.0),
        ("bridge: pairs", "30 %", 0.65),
        ("bridge: phase-enable, decay: slow", "25 %", 0.25),
        ("bridge: phase-enable, decay: fast", "50 %", 0.75),
    ] {
        let parts = if hold == "40 %" {
            &["atmega8", "atmega88", "atmega1284p", "atmega2560"][..]
        } else {
            &["atmega88"]
        };
        for part in parts {
            let rig = format!(
                "{}controller: {part}\n",
                driven(&["disc"], &bare(bridge, hold))
            );
            let bench = Bench::new(SCRIPT, &rig);
            let built = bench.build(&["--lines", "coils"]);
            let run = built.run(3 * CLOCK + 8_000_000, &["lines=9".to_owned()]);
            assert_eq!(run.text.as_deref(), Some("finished 6"), "{part} {bridge}");
            let lines = lines(&built, "disc");
            let first = run.edges.iter().map(|edge| edge.cycle).min().unwrap();
            // The rotor settles for 500 ms; nine steps take some 70 ms; then 800 ms, of which 100 ms are full.
            let [from, to] =
                [0.5 + 0.24, 0.5 + 0.80].map(|seconds| first + (seconds * CLOCK as f64) as u64);
            let period = 2048;
            let periods = (to - from) / period;
            let to = from + periods * period;
            let mut on = 0;
            for (name, pin, chopped) in &lines {
                let share = high(&run, *pin, from, to) as f64 / (to - from) as f64;
                if *chopped {
                    let is_used = share > 0.0 || duty == 0.0;
                    on += usize::from(is_used);
                    assert!(
                        share == 0.0 || (share - duty).abs() < 0.004,
                        "{part} {bridge}: {name} is on for {share}"
                    );
                } else {
                    assert!(
                        share == 0.0 || share == 1.0,
                        "{part} {bridge}: {name} {share}"
                    );
                }
            }
            assert!(on >= 2, "{part} {bridge}: both phases are chopped");
            // Nothing changes for 7 ms before the step that ends the pause, but the chopping's
            // own last edges before that.
            let chops: Vec<u64> = run
                .edges
                .iter()
                .filter(|edge| edge.cycle > from)
                .filter(|edge| {
                    lines
                        .iter()
                        .any(|(_, pin, chopped)| *chopped && *pin == edge.pin)
                })
                .map(|edge| edge.cycle)
                .collect();
            let still = chops.windows(2).map(|pair| pair[1] - pair[0]);
            let still = still.filter(|gap| *gap > 20_000).max();
            assert!(
                duty == 0.0 || still.is_some_and(|gap| gap >= 7 * CLOCK / 1000),
                "{part} {bridge}: {still:?}"
            );
            // No leg is ever short-circuited.
            let mut level = std::collections::HashMap::new();
            for edge in &run.edges {
                level.insert((edge.pin.port, edge.pin.bit), edge.level);
                let is_on = |name: &str| {
                    let line = lines.iter().find(|(known, ..)| known == name);
                    line.is_some_and(|(_, pin, _)| level.get(&(pin.port, pin.bit)) == Some(&1))
                };
                for leg in ["A leg 1", "A leg 2", "B leg 1", "B leg 2"] {
                    let both =
                        ["high", "low"].map(|side| is_on(&format!("switch {leg} {side} of disc")));
                    assert_ne!(both, [true, true], "{part}: {leg} at {}", edge.cycle);
                }
            }
        }
    }
}

#[test]
fn the_stop_contact_ends_the_chopping_for_good() {
    if board::harness().is_none() {
        return;
    }
    let bench = Bench::new(
        SCRIPT,
        &driven(&["disc"], &bare("bridge: switches", "40 %")),
    );
    let built = bench.build(&["--lines", "coils"]);
    let lines = lines(&built, "disc");
    // In the pause, at every part of a period.
    for at in (16_000_000..16_000_000 + 2048).step_by(211) {
        let run = built.run(2 * CLOCK, &[opens(&built, at)]);
        assert_eq!(run.text.as_deref(), Some("stop contact 9"));
        for (name, pin, _) in &lines {
            let last = run.edges.iter().rfind(|edge| edge.pin == *pin);
            assert!(last.is_none_or(|edge| edge.level == 0), "{name} at {at}");
            assert!(
                last.is_none_or(|edge| edge.cycle < at + 700),
                "{name} at {at}"
            );
        }
    }
}

#[test]
fn one_axis_steps_at_the_highest_rate_while_another_one_is_chopped() {
    if board::harness().is_none() {
        return;
    }
    let at = |rate: u32| {
        let script = format!(
            "rig \"rig.yaml\"\nbands allow\nspeed {rate} microstep/s\naccel 500000 microstep/s^2\nshape trapezoid\n\
             turn disc by 5 microstep\nturn arm by 9000 microstep\nturn arm by -9003 microstep\n"
        );
        Bench::new(
            &script,
            &driven(&["disc", "arm"], &bare("bridge: switches", "40 %")),
        )
    };
    let good = highest_rate(at);
    let bench = at(good);
    let built = bench.build(&["--lines", "coils"]);
    let run = built.run(20 * CLOCK, &[]);
    println!("one axis at {good} steps/s while the other is chopped");
    assert_eq!(run.text.as_deref(), Some("finished 5 -3"));
}

#[test]
fn a_hold_current_that_cannot_be_chopped_is_refused_with_the_reason() {
    let refused = |drive: &str, axes: &[&str]| {
        let bench = Bench::new(SCRIPT, &driven(axes, drive));
        let said = bench.emit("firmware", "player", &["--lines", "coils"]);
        said.unwrap_err()
    };
    let said = refused(&bare("bridge: switches", "5 %"), &["disc"]);
    assert!(said.contains("to 13 … 87 %"), "{said}");
    let said = refused(&bare("bridge: phase-enable", "50 %"), &["disc"]);
    assert!(said.contains("no `decay`"), "{said}");
    let ballast = bare(
        "bridge: switches, ballast: { resistance: 8 ohm, rating: 10 W }",
        "50 %",
    );
    let said = refused(&ballast, &["disc"]);
    assert!(
        said.contains("the player chops with periods of 128 us"),
        "{said}"
    );
}

#[test]
fn the_windings_carry_the_full_current_until_the_hold_delay_has_passed() {
    // 1.5 times the rated current in both phases is too much to stand with, and 40 % of it is not.
    let share = |dwell: &str, delay: &str| {
        let script = format!(
            "rig \"rig.yaml\"\nbands allow\nspeed 400 microstep/s\naccel 8000 microstep/s^2\nrepeat 50 {{\n  turn disc by 8 microstep\n  dwell {dwell}\n}}\n"
        );
        let drive = format!(
            "{{ kind: chopper, supply: 48 V, peak_current: 3.4 A, microsteps: 8, hold_current: 40 %, hold_delay: {delay} }}"
        );
        let bench = Bench::new(&script, &driven(&["disc"], &drive));
        let out = std::process::Command::new(env!("CARGO_BIN_EXE_slewsmith"))
            .current_dir(bench.path())
            .args(["check", "program.moves", "--json", "--without-simulation"])
            .output()
            .unwrap();
        String::from_utf8(out.stdout)
            .unwrap()
            .contains("winding-overload")
    };
    // It stands for less than the delay, and for much longer.
    assert!(share("150 ms", "200 ms"));
    assert!(!share("150 ms", "0.1 ms"));
    assert!(!share("3 s", "200 ms"));
}

/// What `budget.rs` charges for the interrupt that chops (cycles).
const CHARGED: u64 = 280;

#[test]
fn the_interrupt_that_chops_takes_the_cycles_that_are_charged() {
    if board::harness().is_none() {
        return;
    }
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 400 microstep/s\naccel 8000 microstep/s^2\nshape trapezoid\n\
        together {\n turn disc by 9 microstep\n turn arm by -7 microstep\n}\ndwell 600 ms\n\
        turn arm by 90 microstep\ndwell 600 ms\nturn disc by -40 microstep\n";
    let mut worst = 0;
    for (bridge, hold) in [
        ("bridge: switches", "40 %"),
        ("bridge: switches", "87 %"),
        ("bridge: pairs", "30 %"),
        ("bridge: phase-enable, decay: slow", "25 %"),
        ("bridge: phase-enable, decay: fast", "50 %"),
    ] {
        let rig = driven(&["disc", "arm"], &bare(bridge, hold));
        let bench = Bench::new(script, &format!("{rig}controller: atmega2560\n"));
        let built = bench.build(&["--lines", "coils"]);
        let run = built.run(6 * CLOCK, &["quiet".to_owned()]);
        assert_eq!(run.text.as_deref(), Some("finished -31 83"), "{bridge}");
        // The overflow of timer 0 is interrupt 23 of this part.
        let own = run.interrupts.iter().find(|(number, _)| *number == 23);
        let (_, cycles) = own.expect("it chops");
        println!("{bridge}, {hold}: {cycles} cycles");
        worst = worst.max(*cycles);
    }
    assert!(worst <= CHARGED && 10 * worst >= 7 * CHARGED, "{worst}");
}
