//! Converters made of a filtered PWM: what the timers of the parts put out.

use crate::board::{self, Bench};
use crate::coils::{coil_codes, driven, fast, highest_rate};
use crate::played::opens;

/// A drive whose converters are a PWM of so many bits from 16 MHz.
fn filtered(bits: u32, more: &str) -> String {
    let frequency = 16e6 / f64::from(1 << bits);
    format!(
        "{{ kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: 16, sense_resistor: 0.5 ohm, sense_gain: 4, \
         converter_bits: {bits}, converter_reference: 2.5 V, \
         converter_filter: {{ pwm_frequency: {frequency} Hz, time_constant: 60 us, order: 2 }}{more} }}"
    )
}

const SCRIPT: &str = "rig \"rig.yaml\"\nbands allow\nspeed 900 microstep/s\naccel 8000 microstep/s^2\nshape trapezoid\n\
    turn disc by 150 microstep\ndwell 10 ms\nturn disc by -83 microstep\n";

#[test]
fn a_filtered_pwm_has_the_duty_cycles_of_the_coil_table_on_every_part_with_the_timers() {
    if board::harness().is_none() {
        return;
    }
    for (part, bits, axes) in [
        ("atmega88", 8, &["disc"][..]),
        ("atmega168", 8, &["disc"]),
        ("atmega328p", 8, &["disc"]),
        ("atmega644p", 8, &["disc"]),
        ("atmega1284p", 8, &["disc"]),
        ("atmega2560", 10, &["disc", "arm"]),
        ("atmega2560", 12, &["disc", "arm"]),
    ] {
        let rig = format!("{}controller: {part}\n", driven(axes, &filtered(bits, "")));
        let bench = Bench::new(SCRIPT, &rig);
        let built = bench.build(&["--lines", "coils"]);
        let run = built.run(60 * board::CLOCK, &[]);
        let text = run.text.as_deref().unwrap_or_default();
        assert!(text.starts_with("finished 67"), "{part}: {text}");
        let table = coil_codes(&bench);
        let mut row = 0i64;
        let mut rows = vec![0];
        for way in std::iter::repeat_n(1, 150).chain(std::iter::repeat_n(-1, 83)) {
            row += way;
            rows.push(row.rem_euclid(table.len() as i64) as usize);
        }
        for (phase, name) in ["A", "B"].iter().enumerate() {
            let pin = built.pin(&format!("PWM of phase {name} of disc"));
            let mut expected: Vec<u64> = rows.iter().map(|row| table[*row][phase]).collect();
            expected.insert(0, 0);
            expected.dedup();
            let duties = run.duties.iter().filter(|(_, of, _)| *of == pin);
            let mut shown = vec![0];
            for (_, _, [high, counts]) in duties {
                assert_eq!(*counts, 1 << bits, "{part}");
                shown.push(u64::from(*high));
            }
            assert_eq!(shown, expected, "{part} phase {name}");
        }
    }
}

#[test]
fn a_filtered_pwm_goes_to_zero_with_the_stop_contact_and_lower_at_standstill() {
    if board::harness().is_none() {
        return;
    }
    let drive = filtered(8, ", hold_current: 50 %, hold_delay: 50 ms");
    let bench = Bench::new(
        "rig \"rig.yaml\"\nbands allow\nspeed 900 microstep/s\naccel 8000 microstep/s^2\nshape trapezoid\n\
         turn by 8 microstep\ndwell 1 s\nturn by 8 microstep\ndwell 1 s\n",
        &driven(&["disc"], &drive),
    );
    let built = bench.build(&["--lines", "coils"]);
    let at = 20_000_000;
    let run = built.run(60 * board::CLOCK, &[opens(&built, at)]);
    assert_eq!(run.text.as_deref(), Some("stop contact 8"));
    let table = coil_codes(&bench);
    for (phase, name) in ["A", "B"].iter().enumerate() {
        let pin = built.pin(&format!("PWM of phase {name} of disc"));
        let duties = || run.duties.iter().filter(|(_, of, _)| *of == pin);
        let mut before = duties().filter(|(cycle, ..)| *cycle < at);
        let held = u64::from(before.next_back().unwrap().2[0]);
        assert_eq!(held, table[8][phase] / 2, "{name}");
        let last = duties().next_back().unwrap();
        assert_eq!(last.2[0], 0);
        assert!((at..at + 700).contains(&last.0), "{}", last.0);
    }
}

#[test]
fn a_filtered_pwm_steps_as_fast_as_is_let_through() {
    if board::harness().is_none() {
        return;
    }
    for (part, bits, axes) in [
        ("atmega328p", 8, &["disc"][..]),
        ("atmega2560", 12, &["disc", "arm"]),
    ] {
        let at = |rate: u32| {
            let rig = format!("{}controller: {part}\n", driven(axes, &filtered(bits, "")));
            Bench::new(&fast(axes, rate), &rig)
        };
        let good = highest_rate(at);
        let bench = at(good);
        let built = bench.build(&["--lines", "coils"]);
        let run = built.run(60 * board::CLOCK, &["quiet".to_owned()]);
        let text = run.text.unwrap();
        println!("{part}, {bits} bits, {} axes: {good} steps/s", axes.len());
        assert!(text.starts_with("finished -3"), "{part} at {good}: {text}");
    }
}

#[test]
fn a_pwm_that_no_timer_makes_is_refused_with_the_reason() {
    let refused = |part: &str, axes: &[&str], drive: &str| {
        let rig = format!("{}controller: {part}\n", driven(axes, drive));
        let bench = Bench::new(SCRIPT, &rig);
        let said = bench.emit("firmware", "player", &["--lines", "coils"]);
        said.unwrap_err()
    };
    let said = refused("atmega328p", &["disc"], &filtered(10, ""));
    assert!(
        said.contains("no PWM of 10 bits for the converters of 1 axes"),
        "{said}"
    );
    let said = refused("atmega32u4", &["disc"], &filtered(8, ""));
    assert!(said.contains("no PWM of 8 bits"), "{said}");
    let slow = filtered(8, "").replace("62500 Hz", "20 kHz");
    let said = refused("atmega328p", &["disc"], &slow);
    assert!(
        said.contains("with 8 bits the timer makes 62.5 kHz"),
        "{said}"
    );
}
