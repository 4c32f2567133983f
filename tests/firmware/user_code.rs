//! Functions of the builder's own: called at their times, kept when the project is written again,
//! and measured.

use crate::board::{self, Bench, Built};
use crate::played::{Outputs, assert_played, rig};

const SCRIPT: &str = "rig \"rig.yaml\"\nbands allow\nspeed 50000 microstep/s\naccel 1500000 microstep/s^2\nshape trapezoid\n\
    mark \"out\"\nturn by 4000 microstep\ndwell 20 ms\nmark \"back\"\nturn by -3000 microstep\n";

/// A project whose user.c is this.
fn with(user: &str) -> (Bench, Built) {
    let bench = Bench::new(SCRIPT, &rig(&["disc"], "controller: atmega328p\n"));
    bench
        .emit("firmware", "player", &["--user-code"])
        .unwrap_or_else(|said| panic!("{said}"));
    std::fs::write(bench.path().join("player/user.c"), user).unwrap();
    let built = bench.make();
    (bench, built)
}

/// Functions that do this.
fn functions(start: &str, mark: &str, pass: &str, end: &str) -> String {
    format!(
        "#include <avr/io.h>\n#include \"user.h\"\n
         void user_start(void) {{ {start} }}
         void user_mark(uint8_t number) {{ (void)number; {mark} }}
         void user_pass(void) {{ {pass} }}
         void user_end(uint8_t state) {{ (void)state; {end} }}\n"
    )
}

#[test]
fn the_example_of_the_readme_speaks_at_marks_while_every_step_is_on_its_cycle() {
    if board::harness().is_none() {
        return;
    }
    let bench = Bench::new(SCRIPT, &rig(&["disc"], "controller: atmega328p\n"));
    bench
        .emit("firmware", "player", &["--user-code"])
        .unwrap_or_else(|said| panic!("{said}"));
    let project = bench.path().join("player");
    let readme = std::fs::read_to_string(project.join("README.md")).unwrap();
    let example = readme.split("```c\n").nth(1).unwrap();
    let example = example.split("```").next().unwrap();
    std::fs::write(project.join("user.c"), example).unwrap();
    let built = bench.make();
    let run = built.run(5 * board::CLOCK, &["lines=3".to_owned()]);
    assert_eq!(run.texts, ["open", "closed", "finished 1000"]);
    assert_played(
        &run,
        &built,
        &bench.packed(),
        &["disc"],
        &[],
        Outputs::Exact,
    );
    // It is kept.
    let said = bench.emit("firmware", "player", &["--user-code"]).unwrap();
    assert!(said.contains("user.c, which was edited"), "{said}");
    assert_eq!(built.file("user.c"), example);
    assert!(built.file("schedule.h").contains("1 out"));
}

#[test]
fn the_functions_come_at_the_start_at_marks_in_each_pass_and_at_the_end() {
    if board::harness().is_none() {
        return;
    }
    let user = functions(
        "DDRC |= 15; PORTC |= 1;",
        "PORTC ^= 2;",
        "PINC = 4;",
        "PORTC |= state == FINISHED ? 8 : 0;",
    );
    let (_bench, built) = with(&user);
    let run = built.run(5 * board::CLOCK, &[]);
    assert_eq!(run.text.as_deref(), Some("finished 1000"));
    let pin = |bit| board::Pin { port: 'C', bit };
    let at = |bit, level| run.edges_of(pin(bit), level);
    let steps = run.edges_of(built.pin("step of disc"), 1);
    assert!(at(0, 1)[0] < steps[0]);
    // A mark is told at its time or soon after: the second one in the dwell before the way back.
    assert!(at(1, 1)[0] < steps[10], "{} {}", at(1, 1)[0], steps[0]);
    let back = at(1, 0)[0];
    assert!(steps[3999] < back && back < steps[4010], "{back}");
    assert!(at(2, 1).len() > 100, "{} passes", at(2, 1).len());
    assert!(at(3, 1)[0] > steps[6999]);
}

#[test]
fn a_function_that_takes_too_long_stops_the_program_with_a_word_of_its_own() {
    if board::harness().is_none() {
        return;
    }
    // Within the time that is stated, in every pass, and beyond it, at the second mark.
    let slow = |microseconds: u32| format!("__builtin_avr_delay_cycles({}ul);", 16 * microseconds);
    let (_bench, built) = with(&functions("", "", &slow(60), ""));
    let run = built.run(5 * board::CLOCK, &[]);
    assert_eq!(run.text.as_deref(), Some("finished 1000"));
    let mark = format!("if (number == 2) {}", slow(400));
    let (_bench, built) = with(&functions("", &mark, "", ""));
    let run = built.run(5 * board::CLOCK, &[]);
    let made = run.edges_of(built.pin("step of disc"), 1).len() as i64;
    assert!((4000..4100).contains(&made), "{made}");
    assert_eq!(run.text, Some(format!("overrun {}", 4000 - (made - 4000))));
    assert!(built.file("README.md").contains("| overrun |"));
}

#[test]
fn calling_functions_takes_the_flash_that_is_charged_for_it_and_none_otherwise() {
    if board::harness().is_none() {
        return;
    }
    for part in ["atmega88", "atmega2560"] {
        let bench = Bench::new(SCRIPT, &rig(&["disc"], &format!("controller: {part}\n")));
        let plain = bench.build(&[]).size();
        assert!(!bench.path().join("player/user.c").exists());
        let calling = bench.build(&["--user-code"]).size();
        let took = calling.flash - plain.flash;
        println!(
            "{part}: {took} bytes of flash, {} of RAM",
            calling.ram - plain.ram
        );
        assert!(took <= 200, "{took} bytes");
    }
}
