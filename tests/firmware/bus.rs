//! Converters on a serial bus, bit by bit, and currents at standstill. What a converter takes is
//! common practice of these parts: while it is selected it shifts a bit in at each edge of the
//! clock that its mode names (0 and 3 rising, 1 and 2 falling), takes the frame where its select
//! line lets go, and shows its code with the next latch pulse.

use crate::board::{self, Bench, Built, CLOCK, Pin, Run};
use crate::coils::{self, driven, fast, highest_rate};
use crate::played::{LAMP_AND_DOOR, opens};

/// How the converters of an axis are wired.
struct Bus<'a> {
    clock: Pin,
    data: Pin,
    selects: [Pin; 2],
    latch: Pin,
    frames: [&'a str; 2],
    mode: u32,
    select_level: u8,
}

/// The code of a frame that must have these fixed bits.
fn code_of(bits: &str, frame: &str) -> Option<u64> {
    let fits = |(bit, wanted): (char, char)| wanted == 'd' || bit == wanted;
    if bits.len() != frame.len() || !bits.chars().zip(frame.chars()).all(fits) {
        return None;
    }
    let code = bits.chars().zip(frame.chars());
    let code: String = code
        .filter(|(_, wanted)| *wanted == 'd')
        .map(|(bit, _)| bit)
        .collect();
    u64::from_str_radix(&code, 2).ok()
}

impl<'a> Bus<'a> {
    fn of(built: &Built, axis: &str, frames: [&'a str; 2], mode: u32, select_level: u8) -> Self {
        let select = |phase| built.pin(&format!("select {phase} of {axis}"));
        Self {
            clock: built.pin("bus clock"),
            data: built.pin("bus data"),
            selects: [select("A"), select("B")],
            latch: built.pin("latch"),
            frames,
            mode,
            select_level,
        }
    }

    /// The codes that both converters show, from which cycle on.
    #[track_caller]
    fn codes(&self, run: &Run) -> Vec<(u64, [u64; 2])> {
        let rising = self.mode == 0 || self.mode == 3;
        let is_shared = self.selects[0] == self.selects[1];
        let (mut data, mut bits) = (0, String::new());
        let mut selected: Option<usize> = None;
        let mut taken: [Option<u64>; 2] = [None; 2];
        let mut latched_at = None;
        let mut shown = Vec::new();
        for edge in &run.edges {
            // The lines go to their levels at rest behind the reset.
            if edge.cycle < 3000 {
                continue;
            }
            if edge.pin == self.data {
                data = edge.level;
            } else if edge.pin == self.clock && selected.is_some() {
                if (edge.level == 1) == rising {
                    bits.push(if data == 1 { '1' } else { '0' });
                }
            } else if let Some(which) = self.selects.iter().position(|pin| *pin == edge.pin) {
                if edge.level == self.select_level {
                    assert!(selected.is_none(), "two converters are selected");
                    selected = Some(which);
                    bits.clear();
                } else {
                    selected = None;
                    let codes = self.frames.map(|frame| code_of(&bits, frame));
                    match (is_shared, codes) {
                        (true, [Some(a), None]) => taken[0] = Some(a),
                        (true, [None, Some(b)]) => taken[1] = Some(b),
                        (false, codes) => {
                            let code = codes[which];
                            assert!(code.is_some(), "{bits} is no {}", self.frames[which]);
                            taken[which] = code;
                        }
                        other => panic!("{bits}: {other:?}"),
                    }
                }
            } else if edge.pin == self.latch {
                if edge.level == 0 {
                    assert!(selected.is_none());
                    latched_at = Some(edge.cycle);
                } else {
                    // 100 ns at 16 MHz.
                    let low = edge.cycle - latched_at.expect("a pulse");
                    assert!(low >= 2, "{low}");
                    let [Some(a), Some(b)] = taken else {
                        continue;
                    };
                    shown.push((edge.cycle, [a, b]));
                }
            }
        }
        shown
    }
}

/// Drops what repeats the codes before it.
fn changes(shown: &[(u64, [u64; 2])]) -> Vec<[u64; 2]> {
    let mut codes: Vec<[u64; 2]> = shown.iter().map(|(_, codes)| *codes).collect();
    codes.dedup();
    codes
}

fn drive(bits: u32, microsteps: u32, keys: &str) -> String {
    format!(
        "{{ kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: {microsteps}, sense_resistor: 0.5 ohm, \
         sense_gain: 4, converter_bits: {bits}, converter_reference: 2.5 V, {keys} }}"
    )
}

/// Codes of the positions that a program goes through: so many steps, then others back.
fn expected(bench: &Bench, there: i64, back: i64) -> Vec<[u64; 2]> {
    let table = coils::coil_codes(bench);
    let mut row = 0i64;
    let mut codes = vec![table[0]];
    let ways = std::iter::repeat_n(1, there as usize).chain(std::iter::repeat_n(-1, back as usize));
    for way in ways {
        row += way;
        codes.push(table[row.rem_euclid(table.len() as i64) as usize]);
    }
    codes.dedup();
    codes
}

const SCRIPT: &str = "rig \"rig.yaml\"\nbands allow\nspeed 900 microstep/s\naccel 8000 microstep/s^2\nshape trapezoid\n\
    turn disc by 75 microstep\ndwell 10 ms\nturn disc by -43 microstep\n";

#[test]
fn converters_on_a_serial_bus_show_the_codes_of_the_table_both_phases_at_once() {
    if board::harness().is_none() {
        return;
    }
    for (part, axes, bits, frame, mode, more) in [
        ("atmega8", 1, 12, &["0011dddddddddddd"][..], 0, ""),
        ("atmega88", 1, 8, &["dddddddd"], 3, ""),
        (
            "atmega328p",
            1,
            10,
            &["0111dddddddddd00", "1111dddddddddd00"],
            1,
            "active: { select: high }",
        ),
        ("atmega644p", 1, 16, &["00110001dddddddddddddddd"], 2, ""),
        (
            "atmega32u4",
            1,
            12,
            &["0011dddddddddddd", "1011dddddddddddd"],
            0,
            "bridge: pairs",
        ),
        ("atmega2560", 2, 14, &["01dddddddddddddd"], 1, ""),
    ] {
        let written = match frame {
            [one] => (*one).to_owned(),
            both => format!("[{}]", both.join(", ")),
        };
        let keys = format!("converter_frame: {written}, converter_mode: {mode}, {more}");
        let axes = &["disc", "arm"][..axes];
        let rig = driven(axes, &drive(bits, 8, keys.trim_end_matches(", ")));
        let bench = Bench::new(SCRIPT, &format!("{rig}controller: {part}\n"));
        let built = bench.build(&["--lines", "coils"]);
        let frames = [frame[0], frame[frame.len() - 1]];
        let level = u8::from(more.contains("select: high"));
        let bus = Bus::of(&built, "disc", frames, mode, level);
        let run = built.run(60 * CLOCK, &[]);
        assert!(run.text.as_ref().unwrap().starts_with("finished 32"));
        let codes = bus.codes(&run);
        assert_eq!(changes(&codes), expected(&bench, 75, 43), "{part}");
        if let [_, other] = axes {
            // An axis that stands keeps the codes of its first row.
            let idle = Bus::of(&built, other, frames, mode, level);
            assert_eq!(changes(&idle.codes(&run)), expected(&bench, 0, 0));
        }
        // The stop contact: no current on either phase.
        if mode > 1 {
            continue;
        }
        let run = built.run(60 * CLOCK, &[opens(&built, 11_000_000)]);
        assert!(run.text.as_ref().unwrap().starts_with("stop contact"));
        assert_eq!(bus.codes(&run).last().unwrap().1, [0, 0]);
    }
}

/// The longest time that the interrupt of the first axis takes (cycles).
fn longest(run: &Run) -> u64 {
    let interrupts = run.interrupts.iter().filter(|(number, _)| *number == 11);
    interrupts.map(|(_, cycles)| *cycles).max().unwrap()
}

#[test]
fn frames_take_the_cycles_that_are_charged_and_the_fastest_program_is_played() {
    if board::harness().is_none() {
        return;
    }
    let on = |rate: u32, bits: u32, keys: &str| {
        let script = format!(
            "rig \"rig.yaml\"\nbands allow\nspeed {rate} microstep/s\naccel 500000 microstep/s^2\nshape trapezoid\n\
             turn by 20000 microstep\nturn by -20003 microstep\n"
        );
        let rig = driven(&["disc"], &drive(bits, 16, keys));
        Bench::new(&script, &format!("{rig}controller: atmega328p\n"))
    };
    let played = |bench: &Bench| {
        let built = bench.build(&["--lines", "coils"]);
        let run = built.run(60 * CLOCK, &["quiet".to_owned()]);
        assert_eq!(run.text.as_deref(), Some("finished -3"));
        longest(&run)
    };
    let mut before = None;
    for (bits, frame, charged) in [
        (8, "dddddddd", 70 + 2 * 30),
        (12, "0011dddddddddddd", 70 + 30 + 4 * 30),
        (16, "00000000dddddddddddddddd", 70 + 30 + 6 * 30),
    ] {
        let keys = format!("converter_frame: {frame}");
        // 160 cycles of a step, 323 of its bridges, 17 of dead time.
        let most: u32 = 16_000_000 / (500 + charged);
        let longest = played(&on(most * 99 / 100, bits, &keys));
        let said =
            on(most * 103 / 100, bits, &keys).emit("firmware", "player", &["--lines", "coils"]);
        assert!(said.unwrap_err().contains("the player needs"));
        println!("frames of {} bits: {longest} cycles", frame.len());
        let charged = u64::from(charged);
        if let Some((before, earlier)) = before.replace((longest, charged)) {
            let (bytes, room) = (longest - before, charged - earlier);
            assert!(
                (40..=room).contains(&bytes),
                "{bytes} cycles; charged {room}"
            );
        }
    }
}

#[test]
fn frames_that_make_no_sense_and_pins_that_are_not_there_are_refused() {
    for (bits, keys, reason) in [
        (
            12,
            "converter_frame: 0011ddddddddddd",
            "this has 15 characters",
        ),
        (
            12,
            "converter_frame: 0011dddddddddddx",
            "`x` is none of them",
        ),
        (12, "converter_frame: 0011dddd0ddddddd", "has one run of d"),
        (
            10,
            "converter_frame: 0011dddddddddddd",
            "carries 12 bits, and `converter_bits` is 10",
        ),
        (
            16,
            "converter_frame: dddddddddddddddd00000000",
            "it begins 24 bits before the end",
        ),
        (
            12,
            "converter_frame: [0011dddddddddddd, 00dddddddddddd00]",
            "differ in length, or in the place",
        ),
        (
            16,
            "",
            "have 16 bits; the player supports 12 in parallel, 16 on a serial bus",
        ),
        (
            12,
            "",
            "atmega328p: it has 0 lines for each converter of 1 axes, which need 12",
        ),
    ] {
        let rig = driven(&["disc"], &drive(bits, 8, keys));
        let bench = Bench::new(SCRIPT, &format!("{rig}controller: atmega328p\n"));
        let said = bench
            .emit("firmware", "player", &["--lines", "coils"])
            .unwrap_err();
        assert!(said.contains(reason), "{reason} is not in {said}");
    }
}

/// The codes that the parallel converters of an axis have shown, each once it has stood a while.
fn parallel_codes(built: &Built, run: &Run, axis: &str, wide: bool) -> Vec<[u64; 2]> {
    let pin = |line: &str, phase: &str| built.pin(&line.replace('@', phase).replace('#', axis));
    let low = ["A", "B"].map(|phase| pin("converter of phase @ of #", phase).port);
    let upper = ["A", "B"].map(|phase| wide.then(|| pin("upper bits of converter @ of #", phase)));
    let mut codes = [0u64; 2];
    let mut seen = Vec::new();
    let mut last = 0;
    for edge in &run.edges {
        if edge.cycle > last + 400 && last > 0 {
            seen.push(codes);
        }
        for phase in 0..2 {
            let is_upper =
                |first: &Pin| edge.pin.port == first.port && edge.pin.bit / 4 == first.bit / 4;
            let bit = if edge.pin.port == low[phase] {
                edge.pin.bit
            } else if upper[phase].as_ref().is_some_and(is_upper) {
                8 + edge.pin.bit % 4
            } else {
                continue;
            };
            codes[phase] = codes[phase] & !(1 << bit) | u64::from(edge.level) << bit;
            last = edge.cycle;
        }
    }
    seen.push(codes);
    seen.dedup();
    seen
}

#[test]
fn parallel_converters_of_twelve_bits_take_a_port_and_a_half_each() {
    if board::harness().is_none() {
        return;
    }
    for (part, bits, axes) in [
        ("atmega2560", 12, &["disc"][..]),
        ("atmega2560", 12, &["disc", "arm"]),
        ("atmega644p", 8, &["disc"]),
        ("atmega1284p", 8, &["disc"]),
    ] {
        let rig = format!("{}controller: {part}\n", driven(axes, &drive(bits, 8, "")));
        let second = if axes.len() > 1 {
            SCRIPT.replace("turn disc", "turn arm")
        } else {
            String::new()
        };
        // The moves of the second axis follow those of the first one.
        let second: Vec<&str> = second
            .lines()
            .filter(|line| line.starts_with("turn"))
            .collect();
        let bench = Bench::new(&format!("{SCRIPT}{}\n", second.join("\n")), &rig);
        let built = bench.build(&["--lines", "coils"]);
        let run = built.run(60 * CLOCK, &[]);
        let text = run.text.as_deref().unwrap_or_default();
        assert!(text.starts_with("finished 32"), "{part}: {text}");
        for axis in axes {
            let seen = parallel_codes(&built, &run, axis, bits > 8);
            assert_eq!(seen, expected(&bench, 75, 43), "{part}, {axis}");
        }
    }
}

#[test]
fn two_axes_of_parallel_converters_of_twelve_bits_step_as_fast_as_is_let_through() {
    if board::harness().is_none() {
        return;
    }
    let axes = ["disc", "arm"];
    let at = |rate: u32| Bench::new(&fast(&axes, rate), &driven(&axes, &drive(12, 8, "")));
    let good = highest_rate(at);
    let bench = at(good);
    let built = bench.build(&["--lines", "coils"]);
    let run = built.run(60 * CLOCK, &["quiet".to_owned()]);
    println!("two axes of 12 bits: {good} steps/s each");
    assert_eq!(run.text.as_deref(), Some("finished -3 -3"));
}

#[test]
fn currents_are_lowered_at_standstill_and_full_again_before_a_step() {
    if board::harness().is_none() {
        return;
    }
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 900 microstep/s\naccel 8000 microstep/s^2\nshape trapezoid\n\
        turn disc by 75 microstep\ndwell 30 ms\nturn disc by 4 microstep\ndwell 400 ms\nturn disc by -43 microstep\n\
        await door\nturn disc by 7 microstep\n";
    for (axes, bits, frame, share, prescaler) in [
        (1, 12, "0011dddddddddddd", 0.3, 8),
        (2, 8, "dddddddd", 0.55, 1),
        (2, 16, "00110000dddddddddddddddd", 0.0, 64),
    ] {
        let axes = &["disc", "arm"][..axes];
        let keys = format!(
            "converter_frame: {frame}, hold_current: {}, hold_delay: 50 ms",
            share
        );
        let rig = driven(axes, &drive(bits, 8, &keys))
            .replace("prescaler: 8", &format!("prescaler: {prescaler}"));
        let bench = Bench::new(script, &format!("{rig}{LAMP_AND_DOOR}"));
        let built = bench.build(&["--lines", "coils"]);
        let door = built.pin("input door");
        let stimuli = [
            format!("hold={}:{}:1", door.port, door.bit),
            format!("pin=32000000:{}:{}:0", door.port, door.bit),
            "lines=2".to_owned(),
        ];
        let run = built.run(3 * CLOCK, &stimuli);
        assert!(
            run.text.as_ref().unwrap().starts_with("finished 43"),
            "{:?}",
            run.text
        );
        // The latch line is that of all axes.
        let mut shown = Bus::of(&built, "disc", [frame; 2], 0, 0).codes(&run);
        shown.dedup_by_key(|(_, codes)| *codes);
        let table = coils::coil_codes(&bench);
        let low = |codes: &[u64; 2]| codes.map(|code| (code as f64 * share + 1e-9) as u64);
        // Every code is one of a row's, full or low; low ones follow the row's own full ones.
        let mut row = 0i64;
        let mut is_low = false;
        let (mut lowered, mut raised, mut steps) = (Vec::new(), Vec::new(), vec![shown[0].0]);
        assert_eq!(shown[0].1, table[0]);
        for (cycle, codes) in &shown[1..] {
            let own = table[row as usize];
            let near = |way: i64| (row + way).rem_euclid(table.len() as i64);
            if *codes == low(&own) && !is_low {
                is_low = true;
                lowered.push(cycle - steps.last().unwrap());
            } else if *codes == own && is_low {
                is_low = false;
                raised.push(*cycle);
            } else {
                assert!(!is_low, "a step with the low current at {cycle}");
                row = [1, -1]
                    .map(near)
                    .into_iter()
                    .find(|next| table[*next as usize] == *codes)
                    .unwrap_or_else(|| panic!("{codes:?} is next to no row {row}"));
                if let Some(raised) = raised.last() {
                    // 1/128 s at 16 MHz.
                    assert!(cycle - raised >= 125_000, "{}", cycle - raised);
                }
                steps.push(*cycle);
            }
        }
        assert_eq!(steps.len(), 1 + 75 + 4 + 43 + 7);
        assert!(is_low, "at the end too");
        // In the long dwell, at the input, at the end; not in 30 ms. The piece of a wait that
        // ends with the input raises it once more.
        assert!((3..=4).contains(&lowered.len()), "{lowered:?}");
        let least = 50 * 16_000;
        // A wait is looked at where a piece of it ends.
        let most = least + 2 * 16_384 * prescaler + 400_000;
        println!("lowered {lowered:?} cycles behind the last step");
        assert!(lowered.iter().all(|behind| *behind >= least), "{lowered:?}");
        assert!(lowered.iter().all(|behind| *behind <= most), "{lowered:?}");
        if let [_, other] = axes {
            // The idle axis gets its low current once, and keeps it.
            let idle = changes(&Bus::of(&built, other, [frame; 2], 0, 0).codes(&run));
            assert_eq!(idle[..2], [table[0], low(&table[0])], "{idle:?}");
        }
    }
}
