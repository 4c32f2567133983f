//! Coils that the player switches itself.

use slewsmith::schedule::EventKind;

use crate::board::{self, Bench, Built, Pin, Run, is_step_of};
use crate::played::{AXIS, opens, rig, there_and_back};

/// Which switches were on from which cycle to which, and what the converters got, as the
/// pins show it.
struct Coils {
    switches: [Pin; 8],
    codes: Vec<[Pin; 8]>,
}

impl Coils {
    fn of(built: &Built, axis: &str) -> Self {
        let leg =
            |phase, leg, side| built.pin(&format!("switch {phase} leg {leg} {side} of {axis}"));
        let phase = |phase| {
            [(1, "high"), (1, "low"), (2, "high"), (2, "low")]
                .map(|(number, side)| leg(phase, number, side))
        };
        let [a, b] = ["A", "B"].map(phase);
        let port = |phase: &str| {
            let text = built.file("README.md");
            let row = text.lines().find_map(|row| {
                row.strip_prefix(&format!("| converter of phase {phase} of {axis} | P"))
                    .map(str::to_owned)
            })?;
            let port = row.chars().next()?;
            Some(std::array::from_fn(|bit| Pin {
                port,
                bit: bit as u8,
            }))
        };
        Self {
            switches: std::array::from_fn(|k| if k < 4 { a[k] } else { b[k - 4] }),
            codes: ["A", "B"].into_iter().filter_map(port).collect(),
        }
    }

    /// The rows that the pins have shown, each once it has stood for `settled` cycles.
    /// Fails where both switches of a leg are on at any cycle, or change over without the
    /// dead time between.
    #[track_caller]
    fn rows(&self, run: &Run, dead: u64, settled: u64) -> Vec<(u8, Vec<u8>)> {
        let mut on = 0u8;
        let mut off_since = [0u64; 8];
        let mut codes = vec![0u8; self.codes.len()];
        let mut rows = Vec::new();
        let mut last = 0;
        for edge in &run.edges {
            if edge.cycle > last + settled && last > 0 {
                rows.push((on, codes.clone()));
            }
            if let Some(k) = self.switches.iter().position(|pin| *pin == edge.pin) {
                let other = k ^ 1;
                if edge.level == 1 {
                    assert_eq!(
                        on >> other & 1,
                        0,
                        "both switches of a leg at {}",
                        edge.cycle
                    );
                    let dead_for = edge.cycle - off_since[other];
                    assert!(
                        off_since[other] == 0 || dead_for >= dead,
                        "dead for {dead_for}"
                    );
                    on |= 1 << k;
                } else {
                    on &= !(1 << k);
                    off_since[k] = edge.cycle;
                }
            } else if let Some((which, bit)) =
                self.codes.iter().enumerate().find_map(|(which, pins)| {
                    Some((which, pins.iter().position(|pin| *pin == edge.pin)?))
                })
            {
                codes[which] = codes[which] & !(1 << bit) | edge.level << bit;
            } else {
                continue;
            }
            last = edge.cycle;
        }
        rows.push((on, codes));
        rows.dedup();
        rows
    }
}

/// The positions of the first axis in the table that `coils` writes.
fn positions(bench: &Bench) -> Vec<serde_json::Value> {
    let out = std::process::Command::new(env!("CARGO_BIN_EXE_slewsmith"))
        .current_dir(bench.path())
        .args(["coils", "rig.yaml", "--as", "json"])
        .output()
        .unwrap();
    let tables: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    tables["axes"][0]["positions"].as_array().unwrap().clone()
}

/// The directions of both currents in that table.
pub(crate) fn coil_signs(bench: &Bench) -> Vec<[i64; 2]> {
    let sign = |row: &serde_json::Value, phase: &str| row[phase]["sign"].as_i64().unwrap();
    let rows = positions(bench);
    rows.iter()
        .map(|row| ["phase_a", "phase_b"].map(|phase| sign(row, phase)))
        .collect()
}

/// The codes of both phases in that table.
pub(crate) fn coil_codes(bench: &Bench) -> Vec<[u64; 2]> {
    let code = |row: &serde_json::Value, phase: &str| row[phase]["code"].as_u64().unwrap();
    let rows = positions(bench);
    rows.iter()
        .map(|row| ["phase_a", "phase_b"].map(|phase| code(row, phase)))
        .collect()
}

/// What the switches and the converters show by that table.
fn coil_rows(bench: &Bench) -> Vec<(u8, Vec<u8>)> {
    let rows = positions(bench);
    let phase = |row: &serde_json::Value, name: &str| match row[format!("phase_{name}")]["sign"]
        .as_i64()
        .unwrap()
    {
        1 => 0b1001,
        -1 => 0b0110,
        _ => 0,
    };
    rows.iter()
        .map(|row| {
            let codes = ["a", "b"]
                .iter()
                .filter_map(|name| row[format!("phase_{name}")]["code"].as_u64());
            (
                phase(row, "a") | phase(row, "b") << 4,
                codes.map(|code| code as u8).collect(),
            )
        })
        .collect()
}

fn fixed_voltage(sequence: &str) -> String {
    format!(
        "{{ kind: fixed-voltage, sequence: {sequence}, supply: 3 V, switch_resistance: 0.5 ohm }}"
    )
}

fn with_converters(microsteps: u32) -> String {
    format!(
        "{{ kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: {microsteps}, sense_resistor: 0.5 ohm, sense_gain: 4, converter_bits: 8, converter_reference: 2.5 V }}"
    )
}

/// The rig with another drive.
pub(crate) fn driven(axes: &[&str], drive: &str) -> String {
    let drive_line = AXIS.lines().find(|line| line.contains("drive:")).unwrap();
    rig(axes, "").replace(drive_line, &format!("    drive: {drive}"))
}

/// Turns all axes at once, there and a little further back, at that rate.
pub(crate) fn fast(axes: &[&str], rate: u32) -> String {
    let moves = |by: i32| -> String {
        let turn = |axis| format!("  turn {axis} by {by} microstep\n");
        let turns: String = axes.iter().map(turn).collect();
        format!("together {{\n{turns}}}\n")
    };
    format!(
        "rig \"rig.yaml\"\nbands allow\nspeed {rate} microstep/s\naccel 500000 microstep/s^2\nshape trapezoid\n{}{}",
        moves(20_000),
        moves(-20_003)
    )
}

/// The highest step rate (steps/s, within 50) that the check lets through of a program `at` a rate.
pub(crate) fn highest_rate(at: impl Fn(u32) -> Bench) -> u32 {
    let (mut good, mut bad) = (1_000, 40_000);
    while bad - good > 50 {
        let rate = u32::midpoint(good, bad);
        match at(rate).emit("firmware", "player", &["--lines", "coils"]) {
            Ok(_) => good = rate,
            Err(said) => {
                assert!(said.contains("the player needs"), "{said}");
                bad = rate;
            }
        }
    }
    good
}

#[test]
fn coils_are_switched_as_their_table_says_and_never_both_ends_of_a_leg() {
    if board::harness().is_none() {
        return;
    }
    let drives = [
        fixed_voltage("wave"),
        fixed_voltage("two-phase"),
        fixed_voltage("half-step"),
        with_converters(1),
        with_converters(4),
        with_converters(16),
    ];
    for drive in drives {
        let script = "rig \"rig.yaml\"\nbands allow\nspeed 400 microstep/s\naccel 8000 microstep/s^2\nshape trapezoid\n\
            turn by 150 microstep\ndwell 10 ms\nturn by -83 microstep\n";
        let bench = Bench::new(script, &driven(&["disc"], &drive));
        let built = bench.build(&["--lines", "coils"]);
        let coils = Coils::of(&built, "disc");
        let run = built.run(60 * board::CLOCK, &[]);
        assert_eq!(run.text.as_deref(), Some("finished 67"));
        let table = coil_rows(&bench);
        let count = table.len() as i64;
        let mut row = 0i64;
        let mut expected = vec![table[0].clone()];
        for way in std::iter::repeat_n(1, 150).chain(std::iter::repeat_n(-1, 83)) {
            row += way;
            expected.push(table[row.rem_euclid(count) as usize].clone());
        }
        // Rows that look alike, where a code is rounded, cannot be told apart by pins.
        expected.dedup();
        assert_eq!(coils.rows(&run, 16, 4000), expected, "{drive}");

        // The stop contact opens in the middle: all switches go off at once and stay off.
        let at = 12_000_000;
        let run = built.run(60 * board::CLOCK, &[opens(&built, at)]);
        assert!(run.text.unwrap().starts_with("stop contact"));
        let switching: Vec<_> = run
            .edges
            .iter()
            .filter(|edge| coils.switches.contains(&edge.pin))
            .collect();
        let mut on = std::collections::HashSet::new();
        for edge in &switching {
            let pin = (edge.pin.port, edge.pin.bit);
            if edge.level == 1 {
                on.insert(pin);
            } else {
                on.remove(&pin);
            }
        }
        assert!(on.is_empty(), "{on:?}");
        let last = switching.last().unwrap().cycle;
        assert!(
            (at..at + 700).contains(&last),
            "{}",
            last as i64 - at as i64
        );
    }
}

#[test]
fn the_switches_of_a_step_follow_its_tick_within_the_stated_cycles() {
    if board::harness().is_none() {
        return;
    }
    for (axes, moves) in [
        (&["disc"][..], "turn disc by 700 microstep\n".to_owned()),
        (
            &["disc", "arm"],
            "together {\n turn disc by 700 microstep\n turn arm by 690 microstep\n}\n".to_owned(),
        ),
    ] {
        let (mut worst, mut figure) = (0, 0);
        for drive in [fixed_voltage("wave"), fixed_voltage("half-step")] {
            let back = moves.replace("by ", "by -");
            let script = format!(
                "rig \"rig.yaml\"\nbands allow\nspeed 3000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n\
                 output lamp on\ndwell 20 ms\n{moves}output lamp off\n{back}output lamp on\n"
            );
            let rig = format!("{}outputs: {{ lamp: {{}} }}\n", driven(axes, &drive));
            let bench = Bench::new(&script, &rig);
            let built = bench.build(&["--lines", "coils"]);
            let run = built.run(60 * board::CLOCK, &[]);
            assert!(
                run.text
                    .as_deref()
                    .is_some_and(|text| text.starts_with("finished"))
            );
            let events = bench.packed();
            let prescaler = built.constant("PRESCALER");
            // The output is exact: it says which cycle tick 0 is.
            let lamp = run.edges_of(built.pin("output lamp"), 1)[0];
            let on = events
                .iter()
                .find(|event| matches!(event.what, EventKind::Output { on: true, .. }))
                .unwrap();
            let start = lamp - on.tick * prescaler;
            let (mut first, mut last) = (u64::MAX, 0);
            for (number, axis) in axes.iter().enumerate() {
                let coils = Coils::of(&built, axis);
                let ticks = events.iter().filter(|event| is_step_of(event, number));
                let dues: Vec<u64> = ticks.map(|event| start + event.tick * prescaler).collect();
                assert!(dues.len() >= 1380, "{}", dues.len());
                for (at, due) in dues.iter().enumerate() {
                    let next = dues.get(at + 1).map_or(due + 4000, |next| *next);
                    let of_step: Vec<u64> = run
                        .edges
                        .iter()
                        .filter(|edge| (*due..next).contains(&edge.cycle))
                        .filter(|edge| coils.switches.contains(&edge.pin))
                        .map(|edge| edge.cycle - due)
                        .collect();
                    first = first.min(*of_step.first().expect("a step switches"));
                    last = last.max(*of_step.last().unwrap());
                }
            }
            let readme = built.file("README.md");
            let stated = readme
                .split("within ")
                .nth(1)
                .and_then(|text| text.split(' ').next()?.parse::<u64>().ok())
                .expect("the figure");
            println!(
                "{axes:?} {drive}: switched {first} to {last} cycles behind the tick; stated {stated}"
            );
            assert!(!readme.contains("Every step falls on its tick"));
            assert!(last <= stated, "{last} {stated}");
            (worst, figure) = (last.max(worst), stated);
        }
        // The figure is what was measured, with some room.
        assert!(figure <= worst + worst / 2, "{worst} {figure}");
    }
}

#[test]
fn coils_are_switched_as_fast_as_is_let_through() {
    if board::harness().is_none() {
        return;
    }
    // 16 MHz in 500 cycles of one axis, and in 680 of each of two.
    for (axes, rate) in [(&["disc"][..], 31_900), (&["disc", "arm"], 11_750)] {
        for drive in [
            fixed_voltage("wave"),
            fixed_voltage("two-phase"),
            fixed_voltage("half-step"),
            with_converters(16),
        ] {
            let at = |rate: u32| Bench::new(&fast(axes, rate), &driven(axes, &drive));
            let bench = at(rate);
            let built = bench.build(&["--lines", "coils"]);
            let run = built.run(60 * board::CLOCK, &["quiet".to_owned()]);
            let text = run.text.unwrap();
            assert!(text.starts_with("finished -3"), "{axes:?} {drive}: {text}");
            let said = at(rate * 103 / 100).emit("firmware", "player", &["--lines", "coils"]);
            assert!(said.unwrap_err().contains("the player needs"));
        }
    }
}

#[test]
fn what_the_player_cannot_switch_is_refused_with_the_reason() {
    let script = there_and_back(1000);
    for (drive, reason) in [
        (
            "{ kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: 32, sense_resistor: 0.5 ohm, converter_bits: 8, converter_reference: 2.5 V }",
            "the player supports 16",
        ),
        (
            "{ kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: 8 }",
            "without `sense_resistor`",
        ),
        (
            "{ kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: 8, sense_resistor: 0.5 ohm, converter_bits: 13, converter_reference: 2.5 V }",
            "have 13 bits; the player supports 12 in parallel, 16 on a serial bus",
        ),
    ] {
        let drive_line = AXIS.lines().find(|line| line.contains("drive:")).unwrap();
        let rig = rig(&["disc"], "outputs: { lamp: {} }\n")
            .replace(drive_line, &format!("    drive: {drive}"));
        let said = Bench::new(&script, &rig)
            .emit("firmware", "player", &["--lines", "coils"])
            .unwrap_err();
        assert!(said.contains(reason), "{said}");
    }
}
