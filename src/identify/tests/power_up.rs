//! The first power-up of rigs whose numbers are worked by hand: a motor of 2 Ω and 1 A, whose
//! rated loss of both phases is 2 · 1² · 2 = 4 W, which stands for 80 K.

use crate::diagnostic::Source;
use crate::identify::power_up::procedure;
use crate::rig::{NoFiles, Rig};

/// The rows of the table, cells without spaces about them.
fn rows(drive: &str) -> Vec<Vec<String>> {
    let text = format!(
        "axes:
  arm:
    motor: {{ rotor_teeth: 50, phase_resistance: 2 ohm, phase_inductance: 4 mH, rated_current: 1 A, holding_torque: 0.4 N.m,
             rotor_inertia: 60 g.cm^2 }}
    drive: {{ {drive} }}
timer: {{ clock: 16 MHz }}
"
    );
    let rig = Rig::parse(&Source::new("rig.yaml", text.as_str()), &mut NoFiles);
    let rig = rig.unwrap_or_else(|problems| panic!("{problems}")).rig;
    let sheet = procedure(&rig.axes[0]);
    let rows: Vec<Vec<String>> = sheet
        .lines()
        .filter(|line| line.starts_with("| ") && !line.starts_with("| -"))
        .skip(1)
        .map(|line| {
            line.trim_matches('|')
                .split('|')
                .map(|cell| cell.trim().to_owned())
                .collect()
        })
        .collect();
    assert_eq!(rows.len(), 7, "{sheet}");
    rows
}

/// Source: Ohm's and Joule's laws; a full step of 50 teeth is 360°/200.
#[test]
fn each_step_has_the_voltage_current_warmth_and_angle_that_follow_from_the_rig() {
    let found = rows(
        "kind: linear-current, supply: 15 V, peak_current: 1.41421356 A, microsteps: 8, hold_current: 50 %",
    );
    let expected = [
        ["1. without power", "–", "–", "–", "turns by hand"],
        ["2. one coil", "2 V", "1 A", "40 K", "locks"],
        [
            "3. both coils",
            "2 V each",
            "1 A each",
            "80 K",
            "0.9 degrees",
        ],
        [
            "4. the sequence by hand",
            "2 V",
            "1 A",
            "40 K",
            "1.8 degrees each",
        ],
        // Half of 2 A at rest: a quarter of the loss.
        [
            "5. the drive, at rest",
            "15 V",
            "1 A from the supply",
            "20 K",
            "locks",
        ],
        [
            "6. a slow turn",
            "15 V",
            "2 A from the supply",
            "80 K",
            "1.8 degrees a step",
        ],
        [
            "7. the return test",
            "15 V",
            "2 A from the supply",
            "80 K",
            "within 0.9 degrees",
        ],
    ];
    assert_eq!(found, expected);
}

/// A chopper takes from 16 V the 4 W that the windings burn: 250 mA.
#[test]
fn a_chopper_takes_the_loss_of_the_windings_from_its_supply() {
    let found = rows("kind: chopper, supply: 16 V, peak_current: 1.41421356 A, microsteps: 8");
    assert_eq!(found[4][2], "250 mA from the supply");
    assert_eq!(found[5][2], "250 mA from the supply");
}

/// 4 V on 2 Ω: one phase at a time with 2 A, twice the rated current and 8 W; by hand never
/// more than 1 A.
#[test]
fn a_wave_drive_feeds_one_phase_and_its_overload_is_seen_in_the_warmth() {
    let found = rows("kind: fixed-voltage, sequence: wave, supply: 4 V");
    assert_eq!(found[1][1..4], ["2 V", "1 A", "40 K"]);
    assert_eq!(found[4][1..4], ["4 V", "2 A from the supply", "160 K"]);
    let both = rows("kind: fixed-voltage, sequence: two-phase, supply: 2 V");
    assert_eq!(both[4][1..4], ["2 V", "2 A from the supply", "80 K"]);
}
