//! Seeks: an axis stops at the step at which its input is seen, and where it stands gets a
//! position.

use slewsmith::schedule::EventKind;

use crate::board::{self, Bench, Built, Pin, Run};
use crate::played::{opens, rig};

const HOME: &str = "inputs: { home: {} }\n";

/// Two seeks, fast and slow, then a move from the position that they have found.
const HOMING: &str = "rig \"rig.yaml\"\nbands allow\nspeed 5100 microstep/s\naccel 60000 microstep/s^2\n\
    seek by -900 microstep until home at 5100 microstep/s\nturn by 60 microstep\n\
    seek by -300 microstep until home at 990 microstep/s\nzero at 100 microstep\nturn to 150 microstep\n";

/// A player of one axis with a contact at `home`.
struct Sought {
    /// Whose folder the project lies in.
    bench: Bench,
    built: Built,
}

impl Sought {
    fn of(script: &str, rig: &str) -> Self {
        let bench = Bench::new(script, rig);
        let built = bench.build(&[]);
        Self { bench, built }
    }

    fn pin(&self, line: &str) -> Pin {
        self.built.pin(line)
    }

    /// The contact is closed between two positions of `disc` (steps from its start).
    fn contact(&self, first: i64, last: i64) -> String {
        let name = |pin: Pin| format!("{}{}", pin.port, pin.bit);
        let (home, step) = (self.pin("input home"), self.pin("step of disc"));
        let direction = name(self.pin("direction of disc"));
        let step = name(step);
        format!(
            "switch={}:{}:{step}:{direction}:{first}:{last}",
            home.port, home.bit
        )
    }

    fn run(&self, stimuli: &[String]) -> Run {
        self.built.run(20 * board::CLOCK, stimuli)
    }

    /// The steps of `disc`: the cycle and the way of each.
    fn steps(&self, run: &Run) -> Vec<(u64, i64)> {
        let (step, direction) = (self.pin("step of disc"), self.pin("direction of disc"));
        let (mut way, mut steps) = (-1, Vec::new());
        for edge in &run.edges {
            if edge.pin == direction {
                way = 2 * i64::from(edge.level) - 1;
            } else if edge.pin == step && edge.level == 1 {
                steps.push((edge.cycle, way));
            }
        }
        steps
    }
}

#[test]
fn two_seeks_and_a_zero_find_the_same_step_wherever_the_contact_is() {
    if board::harness().is_none() {
        return;
    }
    let sought = Sought::of(HOMING, &rig(&["disc"], HOME));
    // Places by a linear congruence (Knuth's MMIX).
    let mut seed = 20_261_128_u64;
    for _ in 0..4 {
        seed = seed
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let at = -((seed >> 33) as i64 % 800) - 50;
        let run = sought.run(&[sought.contact(-10_000, at)]);
        assert_eq!(run.text.as_deref(), Some("finished 150"), "contact at {at}");
        let steps = sought.steps(&run);
        // The step that closes the contact is seen, and the axis stops with the next.
        let fast = (1 - at) as usize;
        let place = |count: usize| steps[..count].iter().map(|(_, way)| way).sum::<i64>();
        assert_eq!(place(fast), at - 1);
        assert_eq!(place(fast + 60), at + 59);
        assert_eq!(place(fast + 120), at - 1);
        // It stands at 100 now, and goes to 150.
        assert_eq!(steps.len(), fast + 120 + 50);
        assert_eq!(place(steps.len()), at + 49);
    }
}

#[test]
fn the_example_that_homes_stops_where_its_switch_is() {
    if board::harness().is_none() {
        return;
    }
    let bench = Bench::example("candler.moves");
    let built = bench.build(&[]);
    let name = |line: &str| {
        let Pin { port, bit } = built.pin(line);
        format!("{port}{bit}")
    };
    let (home, go) = (built.pin("input home"), built.pin("input go"));
    let step = built.pin("step of slide");
    // The slide stands 15 mm right of the switch: 80 microsteps a millimetre.
    let contact = format!(
        "switch={}:{}:{}:{}:-100000:-1200",
        home.port,
        home.bit,
        name("step of slide"),
        name("direction of slide"),
    );
    let pressed = format!("hold={}:{}:0", go.port, go.bit);
    let run = built.run(20 * board::CLOCK, &[contact.clone(), pressed.clone()]);
    assert_eq!(run.text.as_deref(), Some("finished 0"));
    // There and one step on, 6 mm back and there again, 2 mm and five pitches of 48 mm, and back.
    let steps = run.edges_of(step, 1).len();
    assert_eq!(steps, 1201 + 480 + 480 + 160 + 2 * 5 * 48 * 80);
    let lamp = run.edges_of(built.pin("output lamp"), 1);
    assert_eq!(lamp.len(), 5);
    // A switch that never closes: the slide stops at the end of its way, and says so.
    let open = format!("hold={}:{}:1", home.port, home.bit);
    let run = built.run(20 * board::CLOCK, &[open, pressed, "quiet".to_owned()]);
    assert_eq!(run.text.as_deref(), Some("not found -25600"));
}

#[test]
fn steps_lie_on_their_cycles_up_to_the_end_of_a_seek_and_behind_it() {
    if board::harness().is_none() {
        return;
    }
    let sought = Sought::of(HOMING, &rig(&["disc"], HOME));
    let run = sought.run(&[sought.contact(-10_000, -700)]);
    let prescaler = sought.built.constant("PRESCALER");
    let packed = sought.bench.packed();
    let mut made = sought.steps(&run).into_iter().map(|(cycle, _)| cycle);
    let counts = [701, 60, 60, 0, 50];
    let stretches = packed.split(|event| event.what.stops_the_clock());
    let stretches = stretches.filter(|stretch| !stretch.is_empty());
    for (stretch, count) in stretches.zip(counts.into_iter().filter(|count| *count > 0)) {
        let ticks = stretch.iter().filter_map(|event| match event.what {
            EventKind::Step { .. } => Some((event.tick * prescaler) as i64),
            _ => None,
        });
        let mut offsets = ticks
            .take(count)
            .map(|due| made.next().unwrap() as i64 - due);
        let first = offsets.next().unwrap();
        assert!(offsets.all(|offset| offset == first), "{count} steps");
    }
    assert_eq!(made.next(), None);
}

#[test]
fn a_seek_that_finds_nothing_stops_the_program_at_the_end_of_its_way() {
    if board::harness().is_none() {
        return;
    }
    let lamp = "outputs: { lamp: { pin: PD6 } }\n";
    let script = HOMING.replace("seek by -900", "output lamp on\ndwell 5 ms\nseek by -900");
    let sought = Sought::of(&script, &rig(&["disc"], &format!("{lamp}{HOME}")));
    let run = sought.run(&[sought.contact(-10_000, -901)]);
    assert_eq!(run.text.as_deref(), Some("not found -900"));
    assert_eq!(sought.steps(&run).len(), 900);
    assert_eq!(run.edges_of(sought.pin("output lamp"), 0).len(), 1);
    let readme = sought.built.file("README.md");
    assert!(readme.contains("| not found |"), "{readme}");
}

#[test]
fn a_contact_that_is_closed_already_takes_no_step_and_one_disturbed_look_stops_nothing() {
    if board::harness().is_none() {
        return;
    }
    let sought = Sought::of(HOMING, &rig(&["disc"], HOME));
    let run = sought.run(&[sought.contact(-10_000, 30)]);
    assert_eq!(run.text.as_deref(), Some("finished 150"));
    let steps = sought.steps(&run);
    // 60 back, 31 to the contact at 30 and one more there, 50 to 150.
    assert_eq!(steps.len(), 60 + 31 + 50);
    // Closed at one step alone, and then for good.
    let run = sought.run(&[sought.contact(-200, -200)]);
    assert_eq!(run.text.as_deref(), Some("not found -900"));
    let released = HOMING.replace("until home", "until home released");
    let sought = Sought::of(&released, &rig(&["disc"], HOME));
    let run = sought.run(&[sought.contact(-500, 10_000)]);
    assert_eq!(run.text.as_deref(), Some("finished 150"));
    // The contact opens at -501.
    assert_eq!(
        sought.steps(&run)[..502]
            .iter()
            .map(|(_, way)| way)
            .sum::<i64>(),
        -502
    );
}

#[test]
fn the_stop_contact_ends_a_seek_too_and_the_position_is_right() {
    if board::harness().is_none() {
        return;
    }
    let sought = Sought::of(HOMING, &rig(&["disc"], HOME));
    let run = sought.run(&[sought.contact(-10_000, -700)]);
    let steps = sought.steps(&run);
    // Around a step in the midst of the seek, and around its last one.
    let around = |cycle: u64| (cycle - 160..cycle + 320).step_by(47);
    for cycle in around(steps[300].0).chain(around(steps[700].0)) {
        let run = sought.run(&[sought.contact(-10_000, -700), opens(&sought.built, cycle)]);
        let made = sought.steps(&run).len();
        assert_eq!(
            run.text,
            Some(format!("stop contact -{made}")),
            "at {cycle}"
        );
    }
}

#[test]
fn seeks_take_the_flash_that_is_charged_for_them_and_none_otherwise() {
    if board::harness().is_none() {
        return;
    }
    for (part, options) in [
        ("atmega88", &[][..]),
        ("atmega88", &["--user-code"]),
        ("atmega2560", &[]),
    ] {
        let rig = rig(&["disc"], &format!("{HOME}controller: {part}\n"));
        let without: String = HOMING
            .lines()
            .filter(|line| !line.starts_with("seek") && !line.starts_with("zero"))
            .map(|line| format!("{line}\n"))
            .collect();
        let code = |script: &str| {
            let size = Bench::new(script, &rig).build(options).size();
            (size.flash - size.table, size.ram)
        };
        let (plain, seeking) = (code(&without), code(HOMING));
        let took = seeking.0 - plain.0;
        println!(
            "{part}: {took} bytes of flash, {} of RAM",
            seeking.1 - plain.1
        );
        assert!((700..=1000).contains(&took), "{took} bytes");
        assert!(seeking.1 - plain.1 <= 10);
    }
}

#[test]
fn a_seek_at_the_highest_rate_is_kept_up_with() {
    if board::harness().is_none() {
        return;
    }
    let fast = |rate: u32| {
        let script = HOMING.replace("home at 5100", &format!("home at {rate}"));
        script.replace("speed 5100", "speed 40000")
    };
    let rig = rig(&["disc"], HOME);
    let bench = Bench::new(&fast(18_000), &rig);
    let said = bench.emit("firmware", "player", &[]).unwrap_err();
    assert!(said.contains("the player needs"), "{said}");
    let sought = Sought::of(&fast(16_500), &rig);
    let run = sought.run(&[sought.contact(-10_000, -700)]);
    assert_eq!(run.text.as_deref(), Some("finished 150"));
    assert_eq!(sought.steps(&run).len(), 701 + 120 + 50);
}

#[test]
fn a_player_that_switches_coils_stops_at_the_same_step() {
    if board::harness().is_none() {
        return;
    }
    let bridge = "kind: fixed-voltage, supply: 2 V, sequence: half-step";
    let rig = rig(&["disc"], HOME).replace(
        "kind: chopper, supply: 48 V, peak_current: 2 A, microsteps: 32",
        bridge,
    );
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 60000 microstep/s^2\n\
        seek by -900 microstep until home\n";
    let bench = Bench::new(script, &rig);
    let built = bench.build(&["--lines", "coils"]);
    let home = built.pin("input home");
    // The coils carry their first row for half a second before.
    let closes = 12_000_000;
    let stimuli = [
        format!("hold={}:{}:1", home.port, home.bit),
        format!("pin={closes}:{}:{}:0", home.port, home.bit),
    ];
    let run = built.run(5 * board::CLOCK, &stimuli);
    // Changes that lie apart are steps; the first is the row of the start.
    let switches: Vec<Pin> = ["A leg 1", "A leg 2", "B leg 1", "B leg 2"]
        .iter()
        .flat_map(|leg| ["high", "low"].map(|side| format!("switch {leg} {side} of disc")))
        .map(|line| built.pin(&line))
        .collect();
    let mut steps: Vec<u64> = Vec::new();
    for edge in run.edges.iter().filter(|edge| switches.contains(&edge.pin)) {
        if steps.last().is_none_or(|last| edge.cycle > last + 8_000) {
            steps.push(edge.cycle);
        }
    }
    let made = steps
        .iter()
        .filter(|cycle| **cycle > 8_000_000 + 100_000)
        .count();
    assert_eq!(run.text, Some(format!("finished -{made}")));
    let last = *steps.last().unwrap();
    assert!(last > closes + 16_000 && last < closes + 33_000, "{last}");
}

#[test]
fn a_seek_of_one_axis_waits_for_no_other_and_starts_again_by_its_button() {
    if board::harness().is_none() {
        return;
    }
    let more = "inputs: { home: {}, go: {} }\ncontroller: { part: atmega2560, start: go }\n";
    let script = HOMING
        .replace("seek by", "seek disc by")
        .replace("turn by 60", "turn disc by 60")
        .replace("turn to", "turn arm by 40 microstep\nturn disc to")
        .replace("zero at", "zero disc at");
    let sought = Sought::of(&script, &rig(&["disc", "arm"], more));
    let go = sought.pin("input go");
    let press = format!("pin={}:{}:{}:0", 16_000_000, go.port, go.bit);
    let stimuli = [
        sought.contact(-700, -600),
        format!("hold={}:{}:1", go.port, go.bit),
        press,
        "lines=2".to_owned(),
    ];
    let run = sought.run(&stimuli);
    // From 50 beside the contact once more; zero is where it stood then.
    assert_eq!(run.texts, ["finished 150 40", "finished 150 40"]);
    let arm = run.edges_of(sought.pin("step of arm"), 1);
    assert_eq!(arm.len(), 80);
    let disc = sought.steps(&run);
    assert_eq!(disc.iter().map(|(_, way)| way).sum::<i64>(), -601 + 50);
    // The other axis does not wait until the whole way would be over.
    let fast = &disc[..601];
    let next = disc[601].0 - fast[600].0;
    assert!(next < board::CLOCK / 100, "{next} cycles");
}

#[test]
fn the_cure_of_an_unknown_position_is_a_zero_after_the_seek() {
    let script = "rig \"rig.yaml\"\nspeed 900 microstep/s\nseek by -900 microstep until home\nturn to 10 microstep\n";
    let said = Bench::new(script, &rig(&["disc"], HOME)).emit("csv", "program.csv", &[]);
    let said = said.unwrap_err();
    assert!(said.contains("after the seek"), "{said}");
    assert!(!said.contains("behind"), "{said}");
}
