//! On 8-bit parts in a simulator, and compiled for another kind of processor.

use std::process::Command;
use std::rc::Rc;

use crate::player::Lines;
use crate::player::budget::LINE_STEP_CYCLES;
use crate::stream::message::BoardState;

use super::bench::{BenchProgram, project, rig};
use super::boards::{Line, write_project};
use super::session::{CLEAN, FAST, Session};
use super::wire::Quality;
use crate::testing::support::{said, tool};

#[test]
fn the_project_compiles_for_another_kind_of_processor() {
    let Some(gcc) = tool("arm-none-eabi-gcc") else {
        return;
    };
    let project = project(&rig(&["x", "y", "z"]), CLEAN.baud, Lines::Steps);
    let folder = write_project(&project, "streaming-arm");
    said(
        Command::new(tool("make").unwrap())
            .current_dir(&folder)
            .arg("objects")
            .arg(format!("CC={}", gcc.display()))
            .arg("CFLAGS=-mcpu=cortex-m0plus -Os -ffreestanding -Werror"),
    );
    assert!(folder.join("link.o").exists());
}

#[test]
fn the_streaming_player_leaves_a_small_part_room_for_its_stack() {
    let (Some(_), Some(size)) = (tool("avr-gcc"), tool("avr-size")) else {
        return;
    };
    let project = project(&rig(&["dial"]), CLEAN.baud, Lines::Steps);
    let folder = write_project(&project, "streaming-size");
    said(
        Command::new(tool("make").unwrap())
            .current_dir(&folder)
            .args(["--silent", "player.elf"]),
    );
    let text = said(Command::new(size).arg(folder.join("player.elf")));
    let numbers: Vec<u32> = text
        .lines()
        .nth(1)
        .unwrap()
        .split_whitespace()
        .take(3)
        .map(|number| number.parse().unwrap())
        .collect();
    let (flash, memory) = (numbers[0] + numbers[1], numbers[1] + numbers[2]);
    eprintln!("streaming player: {flash} bytes of flash, {memory} of memory");
    // Of the 8192 of the smallest part.
    assert!(flash <= 6912, "{flash}");
    // Of 2048 bytes; 300 stay for the stack.
    assert!(memory <= 1748, "{memory}");
}

/// Steps a second that are let through, of all axes together.
fn most_steps() -> f64 {
    16e6 / LINE_STEP_CYCLES as f64
}

/// In degrees, at 3200 microsteps a turn.
fn degrees(microsteps: f64) -> f64 {
    microsteps / 3200.0 * 360.0
}

#[test]
fn a_small_part_keeps_up_with_the_highest_step_rate_that_is_let_through() {
    let speed = degrees(most_steps());
    let script =
        format!("speed {speed} deg/s\naccel 60000 deg/s^2\nturn by 4000 deg\nturn by -4000 deg\n");
    let program = Rc::new(BenchProgram::new(&rig(&["dial"]), &script));
    let Some(mut session) = Session::simulated(&program, FAST) else {
        return;
    };
    session.play_all();
}

#[test]
fn two_axes_of_a_larger_part_share_that_rate() {
    let speed = degrees(most_steps() / 2.0);
    let script = format!(
        "speed {speed} deg/s
accel 60000 deg/s^2
together {{
    turn x by 3000 deg
    turn y by -3000 deg
}}
"
    );
    let program = Rc::new(BenchProgram::new(&rig(&["x", "y"]), &script));
    let Some(mut session) = Session::simulated(&program, FAST) else {
        return;
    };
    session.play_all();
}

#[test]
fn two_axes_of_a_larger_part_stay_on_their_line() {
    let script = "
speed 1200 deg/s
accel 10000 deg/s^2
repeat 2 {
    together {
        turn x by 500 deg
        turn y by -177 deg
    }
    output lamp on
    turn y by 100 deg
    output lamp off
}
";
    let program = Rc::new(BenchProgram::new(&rig(&["x", "y"]), script));
    let quality = Quality {
        faults: 5e-4,
        ..FAST
    };
    let Some(mut session) = Session::simulated(&program, quality) else {
        return;
    };
    session.play_all();
}

/// Those that wait for no input, but for the mixer: 80 s of steps that are slower than all others.
const EXAMPLES: [&str; 4] = ["carousel", "focus", "lift-cured", "shutter-cured"];

#[test]
fn every_edge_of_the_examples_is_on_its_cycle_under_serial_traffic() {
    let example = |name: &str| {
        let program = Rc::new(BenchProgram::example(&format!("{name}.moves")));
        // On which ticks the edges lie that are sent, by the model of a board.
        let mut ticks = Session::model(&program, CLEAN);
        ticks.play_all();
        let quality = Quality {
            faults: 1e-3,
            ..FAST
        };
        let Some(mut session) = Session::simulated(&program, quality) else {
            return;
        };
        session.play_all();
        let mut off = session.behind(&ticks, Line::Step(0));
        off.extend(session.behind(&ticks, Line::Output(0)));
        let (least, most) = (off.iter().min().unwrap(), off.iter().max().unwrap());
        eprintln!(
            "{name}: {} edges, spread {} cycles",
            off.len(),
            most - least
        );
        assert_eq!(least, most, "{name}");
    };
    std::thread::scope(|scope| {
        for half in [0, 1] {
            let mine = EXAMPLES.iter().skip(half).step_by(2);
            scope.spawn(move || mine.for_each(|name| example(name)));
        }
    });
}

#[test]
fn the_stop_contact_ends_a_program_and_the_next_one_is_played_on_its_ticks() {
    let script = "speed 720 deg/s
accel 5000 deg/s^2
output lamp on
turn by 900 deg
output lamp off
turn by -900 deg
";
    let program = Rc::new(BenchProgram::new(&rig(&["dial"]), script));
    let Some(mut session) = Session::simulated(&program, FAST) else {
        return;
    };
    session.wait(1500);
    session.inputs = 0x80;
    let report = session.run_to(BoardState::StopContact);
    assert!(report.positions[0] > 100, "{report:?}");
    let lamp = session.of(Line::Output(0));
    assert_eq!(lamp.last().map(|at| at.1), Some(0), "the lamp is off");
    session.inputs = 0;
    session.wait(50);
    let mut next = Session::on_simulated(session.board, &program, FAST);
    next.play_all();
}
