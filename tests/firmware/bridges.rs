//! Bridges of every kind, edge by edge, as a builder wires them: what each input does is common
//! practice of bridges. A leg is short-circuited where both its switches are on; a pair of
//! diagonal switches drives the current one way; a bridge with a direction input lets current
//! flow while it is enabled, and its direction changes while it is not.

use crate::board::{self, Bench, Built, CLOCK, Pin, Run};
use crate::coils::coil_signs;
use crate::played::{AXIS, opens, rig};

/// The inputs of the bridge of a phase: pin, and whether it is active low.
#[derive(Clone)]
struct Phase {
    kind: &'static str,
    inputs: Vec<(Pin, bool)>,
    /// Which are active.
    active: Vec<bool>,
    /// When each was switched off last.
    off_since: Vec<Option<u64>>,
}

impl Phase {
    fn of(built: &Built, kind: &'static str, phase: &str, axis: &str, low: &[&str]) -> Self {
        let names: &[(&str, &str)] = match kind {
            "switches" => &[
                ("switch @ leg 1 high", "high_side"),
                ("switch @ leg 1 low", "low_side"),
                ("switch @ leg 2 high", "high_side"),
                ("switch @ leg 2 low", "low_side"),
            ],
            "pairs" => &[("pair @ positive", "pair"), ("pair @ negative", "pair")],
            _ => &[
                ("enable of phase @", "phase_enable"),
                ("direction of phase @", "phase"),
            ],
        };
        let inputs: Vec<(Pin, bool)> = names
            .iter()
            .map(|(name, level)| {
                let pin = built.pin(&format!("{} of {axis}", name.replace('@', phase)));
                (pin, low.contains(level))
            })
            .collect();
        let count = inputs.len();
        Self {
            kind,
            inputs,
            active: vec![false; count],
            off_since: vec![None; count],
        }
    }

    /// Takes an edge, if it is one of this phase's.
    #[track_caller]
    fn take(&mut self, pin: Pin, level: u8, cycle: u64, dead: u64) -> bool {
        let Some(at) = self.inputs.iter().position(|(own, _)| *own == pin) else {
            return false;
        };
        let on = (level == 1) != self.inputs[at].1;
        if on == self.active[at] {
            return true;
        }
        let rested = |since: Option<u64>| since.is_none_or(|since| cycle - since >= dead);
        match self.kind {
            "switches" | "pairs" if on => {
                let other = at ^ 1;
                assert!(!self.active[other], "short circuit at {cycle}");
                assert!(
                    rested(self.off_since[other]),
                    "dead for {} cycles at {cycle}, asked {dead}",
                    cycle - self.off_since[other].unwrap_or(0)
                );
            }
            "phase-enable" if at == 1 => {
                assert!(
                    !self.active[0],
                    "the direction changes under current at {cycle}"
                );
                self.off_since[1] = self.off_since[0];
            }
            "phase-enable" if on => {
                // Where the direction has changed since it was switched off.
                assert!(rested(self.off_since[1]), "{cycle}");
                self.off_since[1] = None;
            }
            _ => {}
        }
        if !(on || at == 1 && self.kind == "phase-enable") {
            self.off_since[at] = Some(cycle);
        }
        self.active[at] = on;
        true
    }

    /// Which way the current is driven.
    fn sign(&self) -> i64 {
        match (self.kind, self.active.as_slice()) {
            ("switches", [false, false, false, false]) => 0,
            ("switches", [true, false, false, true]) => 1,
            ("switches", [false, true, true, false]) => -1,
            ("pairs", [positive, negative]) => i64::from(*positive) - i64::from(*negative),
            ("phase-enable", [false, _]) => 0,
            ("phase-enable", [true, positive]) => 2 * i64::from(*positive) - 1,
            other => panic!("{other:?}"),
        }
    }
}

/// The pairs of signs that the bridges have shown, each once it has stood for some cycles.
#[track_caller]
fn shown(run: &Run, phases: &mut [Phase; 2], dead: u64) -> Vec<[i64; 2]> {
    let mut rows = Vec::new();
    let mut last = 0;
    for edge in &run.edges {
        if edge.cycle > last + 4000 && last > 3000 {
            rows.push([phases[0].sign(), phases[1].sign()]);
        }
        let mut own = false;
        for phase in phases.iter_mut() {
            own |= phase.take(edge.pin, edge.level, edge.cycle, dead);
        }
        if own {
            last = edge.cycle;
        }
    }
    rows.push([phases[0].sign(), phases[1].sign()]);
    rows.dedup();
    rows
}

/// A rig whose drives have these keys.
fn bridged(axes: &[&str], sequence: &str, keys: &str, more: &str) -> String {
    let drive = AXIS.lines().find(|line| line.contains("drive:")).unwrap();
    let own = format!(
        "    drive: {{ kind: fixed-voltage, sequence: {sequence}, supply: 3 V, switch_resistance: 0.5 ohm, {keys} }}"
    );
    rig(axes, more).replace(drive, &own)
}

#[test]
fn bridges_of_every_kind_carry_the_currents_of_the_table_with_the_dead_time_asked_for() {
    if board::harness().is_none() {
        return;
    }
    let mut least = u64::MAX;
    let wave = ("wave", "0.7 us", 12, "atmega8");
    let two_phase = ("two-phase", "20 us", 320, "atmega328p");
    let half_step = ("half-step", "3.1 us", 50, "atmega2560");
    for (kind, low, levels, cases) in [
        (
            "switches",
            &["high_side"][..],
            "active: { high_side: low }",
            &[two_phase, wave][..],
        ),
        ("pairs", &[], "", &[half_step]),
        ("pairs", &["pair"], "active: { pair: low }", &[two_phase]),
        ("phase-enable", &[], "", &[two_phase, wave]),
        (
            "phase-enable",
            &["phase", "phase_enable"],
            "active: { phase: low, phase_enable: low }",
            &[two_phase],
        ),
        (
            "phase-enable",
            &["phase"],
            "active: { phase: low }",
            &[half_step],
        ),
    ] {
        for &(sequence, dead, cycles, part) in cases {
            let keys = format!("bridge: {kind}, dead_time: {dead}, {levels}");
            let keys = keys.trim_end_matches(", ");
            let more = format!("controller: {part}\n");
            let script = "rig \"rig.yaml\"\nbands allow\nspeed 400 microstep/s\naccel 8000 microstep/s^2\nshape trapezoid\n\
                turn by 73 microstep\ndwell 10 ms\nturn by -41 microstep\n";
            let bench = Bench::new(script, &bridged(&["disc"], sequence, keys, &more));
            let built = bench.build(&["--lines", "coils"]);
            let phases = || ["A", "B"].map(|phase| Phase::of(&built, kind, phase, "disc", low));
            let run = built.run(60 * CLOCK, &[]);
            assert_eq!(run.text.as_deref(), Some("finished 32"));
            let table = coil_signs(&bench);
            let mut row = 0i64;
            let mut expected = vec![table[0]];
            for way in std::iter::repeat_n(1, 73).chain(std::iter::repeat_n(-1, 41)) {
                row += way;
                expected.push(table[row.rem_euclid(table.len() as i64) as usize]);
            }
            assert_eq!(shown(&run, &mut phases(), cycles), expected, "{keys}");
            least = least.min(cycles);

            // Any stop lets go of both phases, for good.
            let at = 12_345_678;
            let run = built.run(60 * CLOCK, &[opens(&built, at)]);
            assert!(run.text.as_ref().unwrap().starts_with("stop contact"));
            let mut seen = phases();
            let signs = shown(&run, &mut seen, cycles);
            assert_eq!(signs.last(), Some(&[0, 0]), "{keys}");
            let own = |pin: Pin| {
                seen.iter()
                    .any(|phase| phase.inputs.iter().any(|one| one.0 == pin))
            };
            let last = run.edges.iter().rfind(|edge| own(edge.pin)).unwrap().cycle;
            assert!(last < at + 1000, "{}", last - at);
        }
    }
    assert_eq!(least, 12);
}

#[test]
fn a_dead_time_is_charged_to_the_step_rate() {
    if board::harness().is_none() {
        return;
    }
    let at = |rate: u32, dead: &str| {
        let script = format!(
            "rig \"rig.yaml\"\nbands allow\nspeed {rate} microstep/s\naccel 500000 microstep/s^2\nshape trapezoid\n\
             turn by 5000 microstep\nturn by -5003 microstep\n"
        );
        let keys = format!("dead_time: {dead}");
        Bench::new(&script, &bridged(&["disc"], "wave", &keys, ""))
    };
    // 160 cycles, 323 for two bridges and 1601 of dead time: 7677 steps/s at 16 MHz.
    let bench = at(7_600, "100 us");
    let run = bench
        .build(&["--lines", "coils"])
        .run(60 * CLOCK, &["quiet".to_owned()]);
    assert_eq!(run.text.as_deref(), Some("finished -3"));
    let said = at(7_900, "100 us")
        .emit("firmware", "player", &["--lines", "coils"])
        .unwrap_err();
    assert!(said.contains("the player needs 130 us"), "{said}");
    // A shorter dead time would do: the cure says so, and how short it has to be.
    let (_, rest) = said.split_once("shorten `dead_time`: ").expect("the cure");
    let (enough, _) = rest.split_once(" us at most").unwrap();
    let most: f64 = enough.parse().unwrap();
    assert!(most > 95.0 && most < 100.0, "{said}");
    let shorter =
        at(7_900, &format!("{enough} us")).emit("firmware", "player", &["--lines", "coils"]);
    assert!(shorter.is_ok(), "{shorter:?}");
    let said = at(7_900, "101 us")
        .emit("firmware", "player", &["--lines", "coils"])
        .unwrap_err();
    assert!(said.contains("the limit is 100 us"), "{said}");
}

#[test]
fn bridges_of_few_lines_fit_parts_where_single_switches_do_not() {
    let of = |kind: &str| {
        let more = "controller: atmega32u4\n";
        let keys = format!("bridge: {kind}");
        let script = "rig \"rig.yaml\"\nbands allow\nspeed 400 microstep/s\naccel 8000 microstep/s^2\nturn disc by 7 microstep\n";
        Bench::new(script, &bridged(&["disc", "arm"], "wave", &keys, more)).emit(
            "firmware",
            "player",
            &["--lines", "coils"],
        )
    };
    assert!(of("pairs").is_ok());
    assert!(of("phase-enable").is_ok());
    let said = of("switches").unwrap_err();
    let reason = "it has 4 pins for the bridges of `arm`, which need 8";
    assert!(said.contains(reason), "{said}");
}
