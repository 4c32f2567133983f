//! The program in examples/ that uses the library does what it says.

#[path = "../../examples/indexer.rs"]
#[allow(dead_code, reason = "its main() belongs to the example")]
mod indexer;

#[test]
fn the_example_plans_checks_and_exports_a_turn_in_any_number_of_stops() {
    for stops in [1, 7, 24] {
        let mut header = Vec::new();
        indexer::run(stops, None, &mut header).unwrap();
        let header = String::from_utf8(header).unwrap();
        // 200 steps of 16 microsteps a turn, through 2:1, in as many moves that differ by a
        // step at the most.
        let each = 6400 / u64::from(stops);
        let parts: Vec<u64> = header
            .split("    SLEWSMITH_PART(")
            .skip(1)
            .map(|part| part.split_once("UL").unwrap().0.parse().unwrap())
            .collect();
        let most = each + u64::from(6400 % stops != 0);
        assert_eq!(parts.iter().max(), Some(&most), "{header}");
        assert_eq!(parts.iter().min(), Some(&each), "{header}");
        let folder = tempfile::tempdir().unwrap();
        let player = folder.path().join("player");
        indexer::run(stops, Some(&player), &mut Vec::new()).unwrap();
        assert!(player.join("schedule.c").is_file());
        assert!(player.join("pins.h").is_file());
    }
}

#[test]
fn the_stops_of_the_example_make_one_turn() {
    let text = "axes:\n  table:\n    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A, holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }\n    drive: { kind: chopper, supply: 24 V, peak_current: 1.4 A, microsteps: 16 }\ntimer: { clock: 16 MHz, prescaler: 8, bits: 16 }\noutputs: { ready: {} }\n";
    let job = indexer::job(7, text).unwrap();
    let steps: u64 = job
        .moves()
        .map(|planned| planned.unwrap().motion.axes[0].steps)
        .sum();
    assert_eq!(steps, 3200);
}
