//! The commands as a user runs them: output, exit codes, files.

use crate::support;
use std::fs;
use std::io::{BufRead as _, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use tempfile::TempDir;

/// A run of the program in an empty folder of its own.
struct Bench {
    folder: TempDir,
}

struct Outcome {
    code: i32,
    out: String,
    err: String,
}

impl Bench {
    fn new() -> Self {
        Self {
            folder: TempDir::new().unwrap(),
        }
    }

    /// With the scenario that `new` writes.
    fn with_scenario() -> Self {
        let bench = Self::new();
        assert_eq!(bench.run(&["new", "."]).code, 0);
        bench
    }

    fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, name: &str, text: &str) -> &Self {
        fs::write(self.file(name), text).unwrap();
        self
    }

    /// Changes a text of a file; it has to be there.
    fn edit(&self, name: &str, from: &str, to: &str) -> &Self {
        let text = fs::read_to_string(self.file(name)).unwrap();
        assert!(text.contains(from), "{from} is not in {name}");
        self.write(name, &text.replace(from, to))
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_slewsmith"));
        command
            .args(arguments)
            .current_dir(self.folder.path())
            .env_remove("COLUMNS");
        command
    }

    fn run(&self, arguments: &[&str]) -> Outcome {
        outcome(
            self.command(arguments)
                .stdin(Stdio::null())
                .output()
                .unwrap(),
        )
    }

    fn run_with_input(&self, arguments: &[&str], input: &str) -> Outcome {
        let mut child = self
            .command(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        child
            .stdin
            .take()
            .unwrap()
            .write_all(input.as_bytes())
            .unwrap();
        outcome(child.wait_with_output().unwrap())
    }

    fn names(&self) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(self.folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }
}

fn outcome(output: std::process::Output) -> Outcome {
    Outcome {
        code: output.status.code().unwrap_or(-1),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

fn json(text: &str) -> serde_json::Value {
    serde_json::from_str(text).unwrap_or_else(|error| panic!("{error} in\n{text}"))
}

#[test]
fn coils_and_heat_of_a_rig_are_plotted() {
    let bench = Bench::with_scenario();
    for of in ["motor", "coils", "heat"] {
        for ending in ["svg", "png"] {
            let picture = format!("{of}.{ending}");
            let drawn = bench.run(&["plot", "turntable.yaml", "--of", of, "-o", &picture]);
            assert_eq!(drawn.code, 0, "{}", drawn.err);
            assert!(fs::metadata(bench.file(&picture)).unwrap().len() > 2000);
        }
    }
    let heat = fs::read_to_string(bench.file("heat.svg")).unwrap();
    assert!(heat.contains("hold current of the rig"));
    let coils = fs::read_to_string(bench.file("coils.svg")).unwrap();
    assert!(coils.contains("phase B"));
}

/// Both ways draw the start-stop rate: but for the title they are one picture.
#[test]
fn a_rig_is_drawn_alike_by_plot_and_by_motor() {
    let bench = Bench::with_scenario();
    let draw = |arguments: &[&str]| {
        assert_eq!(bench.run(arguments).code, 0);
        fs::read_to_string(bench.file("drawn.svg")).unwrap()
    };
    let plotted = draw(&["plot", "turntable.yaml", "-o", "drawn.svg"]);
    let of_motor = draw(&["motor", "turntable.yaml", "--plot", "drawn.svg"]);
    assert!(plotted.contains("start-stop rate, 20 % of it kept in reserve"));
    assert_eq!(
        plotted.replace("turntable.yaml", "What the motors can do"),
        of_motor
    );
}

/// Torques in tables and pictures end where a motor is of little use, and the slow speeds,
/// where it is used most, have the most rows.
#[test]
fn the_pull_out_curve_ends_where_the_motor_is_of_little_use() {
    let bench = Bench::with_scenario();
    for rig in ["carousel", "dial", "lift", "mixer", "shutter"] {
        let rig = example(&format!("{rig}.yaml"));
        let sheet = json(&bench.run(&["motor", &rig, "--json"]).out)["axes"][0].clone();
        let curve = sheet["pull_out"].as_array().unwrap();
        let rates: Vec<f64> = curve
            .iter()
            .map(|point| point["step_rate_hz"].as_f64().unwrap())
            .collect();
        let torques = curve
            .iter()
            .map(|point| point["torque_nm"].as_f64().unwrap());
        let torques: Vec<f64> = torques.collect();
        let greatest = torques.iter().copied().fold(0.0, f64::max);
        let last = sheet["useful_to_step_rate_hz"].as_f64().unwrap();
        let useful = rates
            .iter()
            .filter(|rate| **rate <= last * 1.000_001)
            .count();
        assert!(torques[useful - 1] >= 0.19 * greatest, "{rig}");
        // Beyond, it goes on until next to nothing is left.
        let rest = torques[torques.len() - 1];
        assert!(
            rest > 0.0 && rest < 0.1 * greatest,
            "{rig}: {rest} of {greatest}"
        );
        let rates = &rates[..useful];
        for band in sheet["bands"].as_array().unwrap() {
            if band["to_step_rate_hz"].is_null() {
                let edge = band["from_step_rate_hz"].as_f64().unwrap();
                assert!(last <= 1.3 * edge, "{rig}: {last} is far beyond {edge}");
            }
        }
        let below_a_quarter = rates.iter().filter(|rate| **rate < last / 4.0).count();
        assert!(2 * below_a_quarter + 1 >= rates.len(), "{rig}: {rates:?}");
    }
}

#[test]
fn the_walk_in_the_readme_shows_what_the_commands_print_and_draw() {
    let bench = Bench::with_scenario();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let readme = fs::read_to_string(root.join("README.md")).unwrap();
    let moves = fs::read_to_string(bench.file("turntable.moves")).unwrap();
    let (_, moves) = moves.split_once('\n').unwrap();
    assert!(readme.contains(moves), "the script");
    let checked = bench.run(&["check", "turntable.moves"]);
    assert!(readme.contains(checked.out.trim_end()), "{}", checked.out);
    for (arguments, picture) in [
        (
            ["motor", "turntable.yaml", "--plot", "drawn.svg"],
            "turntable-motor.svg",
        ),
        (
            ["plot", "turntable.moves", "-o", "drawn.svg"],
            "turntable-moves.svg",
        ),
    ] {
        assert_eq!(bench.run(&arguments).code, 0);
        let drawn = fs::read_to_string(bench.file("drawn.svg")).unwrap();
        let path = format!("examples/pictures/{picture}");
        assert!(readme.contains(&path));
        let shown = fs::read_to_string(root.join(&path)).unwrap();
        assert!(drawn == shown, "{path} is no longer what the command draws");
    }
}

#[test]
fn a_new_scenario_passes_its_check_at_once() {
    let bench = Bench::with_scenario();
    let checked = bench.run(&["check", "turntable.moves"]);
    assert_eq!(checked.code, 0, "{}{}", checked.out, checked.err);
    assert!(checked.out.contains("May run: 8 moves"), "{}", checked.out);
}

#[test]
fn new_leaves_files_alone_that_are_there() {
    let bench = Bench::new();
    bench.write("turntable.yaml", "mine");
    let again = bench.run(&["new", "."]);
    assert_eq!(again.code, 2);
    assert!(again.err.contains("already exists"), "{}", again.err);
    assert_eq!(bench.names(), ["turntable.yaml"]);
    assert_eq!(
        fs::read_to_string(bench.file("turntable.yaml")).unwrap(),
        "mine"
    );
}

#[test]
fn a_move_beyond_the_torque_margin_is_refused_with_a_cure_that_works() {
    let bench = Bench::with_scenario();
    bench.edit(
        "turntable.moves",
        "accel 400 deg/s^2",
        "accel 400000 deg/s^2",
    );
    let refused = bench.run(&["check", "turntable.moves", "--json"]);
    assert_eq!(refused.code, 1, "{}{}", refused.out, refused.err);
    let verdict = json(&refused.out);
    assert_eq!(verdict["ok"], false);
    let reason = &verdict["moves"][0]["reasons"][0];
    assert_eq!(reason["code"], "torque-margin");
    let cure = reason["cures"][0].as_str().unwrap();
    // "accel 40000 → 12000 deg/s^2 with decel 40000 → 13000 deg/s^2"
    let value = |word: &str| {
        let (_, rest) = cure.split_once(word)?;
        let (_, rest) = rest.split_once("→ ")?;
        rest.split(' ').next()?.parse::<f64>().ok()
    };
    let accel = value("accel").unwrap_or_else(|| panic!("no accel in {cure}"));
    let decel = value("decel").unwrap_or(400_000.0);
    assert!(accel < 400_000.0, "{cure}");
    bench.edit(
        "turntable.moves",
        "accel 400000 deg/s^2",
        &format!("accel {accel} deg/s^2\ndecel {decel} deg/s^2"),
    );
    let cured = bench.run(&["check", "turntable.moves"]);
    assert_eq!(cured.code, 0, "{}", cured.out);
}

#[test]
fn the_json_of_check_has_the_fields_that_others_read() {
    let bench = Bench::with_scenario();
    let verdict = json(&bench.run(&["check", "turntable.moves", "--json"]).out);
    assert_eq!(verdict["ok"], true);
    assert!(verdict["total_time_s"].as_f64().unwrap() > 2.0);
    assert!(verdict["findings"].is_array());
    let moves = verdict["moves"].as_array().unwrap();
    assert_eq!(moves.len(), 8);
    for (index, one) in moves.iter().enumerate() {
        assert_eq!(one["index"], index);
        assert_eq!(one["axis"], "table");
        assert_eq!(one["steps"], 800);
        assert_eq!(one["shape"], "trapezoid");
        assert_eq!(one["verdict"], "pass");
        for field in [
            "line",
            "from_deg",
            "to_deg",
            "target_error_deg",
            "duration_s",
            "peak_speed_deg_s",
            "peak_accel_deg_s2",
        ] {
            assert!(one[field].is_number(), "{field} of {one}");
        }
        for field in ["least", "at_speed_deg_s", "required_nm", "available_nm"] {
            assert!(one["torque_margin"][field].is_number(), "{field} of {one}");
        }
        assert!(one["bands"].is_array() && one["reasons"].is_array());
    }
    assert_eq!(moves[7]["to_deg"], 360.0);
}

#[test]
fn the_json_of_plan_has_the_fields_that_others_read() {
    let bench = Bench::with_scenario();
    let plan = json(&bench.run(&["plan", "turntable.moves", "--json"]).out);
    let first = &plan["moves"][0];
    assert_eq!(first["index"], 0);
    assert_eq!(first["axis"], "table");
    let segments = first["segments"].as_array().unwrap();
    let total: f64 = segments
        .iter()
        .map(|segment| segment["duration_s"].as_f64().unwrap())
        .sum();
    approx::assert_relative_eq!(
        total,
        first["duration_s"].as_f64().unwrap(),
        max_relative = 1e-9
    );
    for field in [
        "duration_s",
        "position_deg",
        "speed_deg_s",
        "accel_deg_s2",
        "jerk_deg_s3",
    ] {
        assert!(segments[0][field].is_number(), "{field}");
    }
}

/// What a seventh of a turn is in whole microsteps differs from move to move.
#[test]
fn what_is_found_about_one_line_is_told_once_though_its_moves_differ_by_a_microstep() {
    let bench = Bench::with_scenario();
    bench
        .edit("turntable.moves", "360/8 deg", "360/7 deg")
        .edit(
            "turntable.moves",
            "accel 400 deg/s^2",
            "accel 400000 deg/s^2",
        );
    let checked = bench.run(&["check", "turntable.moves"]);
    assert_eq!(checked.code, 1, "{}", checked.err);
    let rows = |text: &str| {
        checked
            .out
            .lines()
            .filter(|line| line.contains(text))
            .count()
    };
    assert!(rows("  fail") >= 2, "{}", checked.out);
    assert_eq!(rows("[torque-margin]"), 1, "{}", checked.out);
    bench.run(&["report", "turntable.moves", "-o", "page.html"]);
    let page = fs::read_to_string(bench.file("page.html")).unwrap();
    assert_eq!(page.matches("[torque-margin]").count(), 1);
}

#[test]
fn a_program_that_fails_as_a_whole_says_that_no_move_does() {
    let bench = Bench::with_scenario();
    bench.edit(
        "turntable.yaml",
        "peak_current: 1.4 A",
        "peak_current: 2.9 A",
    );
    let checked = bench.run(&["check", "turntable.moves"]);
    assert_eq!(checked.code, 1, "{}", checked.err);
    let verdict = checked.out.lines().rev().nth(1).unwrap();
    assert!(
        verdict.starts_with(
            "Must not run: every move passes, but the program as a whole fails; 8 moves"
        ),
        "{verdict}"
    );
}

/// 16 MHz divided by 8: the player needs 2016 cycles, and 2836 on a pin that no timer makes.
#[test]
fn an_output_too_short_for_the_player_is_told_of_before_it_is_refused() {
    let bench = Bench::with_scenario();
    let checked = |standing: &str| {
        let script =
            format!("rig \"turntable.yaml\"\nspeed 90 deg/s\naccel 400 deg/s^2\n{standing}\n");
        bench.write("it.moves", &script);
        let checked = bench.run(&["check", "it.moves"]);
        assert_eq!(checked.code, 0, "{}", checked.err);
        let emitted = bench.run(&["emit", "it.moves", "--as", "firmware", "-o", "player"]);
        let told = checked.out.contains("[output-below-player]");
        (told.then_some(checked.out), emitted)
    };
    let pulse = |dwell: &str| format!("output ready on\ndwell {dwell}\noutput ready off");
    let (told, refused) = checked(&pulse("50 us"));
    let told = told.unwrap();
    assert!(
        told.contains("two changes of output `ready` are 50 us apart")
            && told.contains("line 6")
            && told.contains("cure: dwell 181 us between them"),
        "{told}"
    );
    assert_eq!(refused.code, 2);
    assert!(
        refused
            .err
            .contains("line 6: two changes of output `ready` are 50 us apart; the player needs 181 us: dwell 181 us between them"),
        "{}",
        refused.err
    );
    // The cures cure.
    let (told, emitted) = checked(&pulse("181 us"));
    assert_eq!((told, emitted.code), (None, 0), "{}", emitted.err);
    let (_, refused) = checked(&pulse("180 us"));
    assert!(
        refused
            .err
            .contains("are 180 us apart; the player needs 181 us"),
        "{}",
        refused.err
    );
    // A timer makes this one.
    bench.edit("turntable.yaml", "PB0", "PD6");
    for (standing, refused) in [
        (pulse("125 us"), true),
        (pulse("126 us"), false),
        // Nothing changes.
        (
            "output ready on\ndwell 60 us\noutput ready on".to_owned(),
            false,
        ),
    ] {
        let (told, emitted) = checked(&standing);
        assert_eq!(told.is_some(), refused, "{standing}");
        assert_eq!(emitted.code == 2, refused, "{standing}: {}", emitted.err);
    }
    // An input is waited for.
    assert_eq!(
        checked("output ready on\nawait go\noutput ready off").0,
        None
    );
}

#[test]
fn waiting_for_inputs_is_said_to_take_time_besides() {
    let bench = Bench::with_scenario();
    let verdict = || bench.run(&["check", "turntable.moves"]).out;
    let waiting = verdict();
    assert!(
        waiting.contains("8 moves in 8.2 s plus waits for inputs; least"),
        "{waiting}"
    );
    bench.edit("turntable.moves", "await go ", "# ");
    assert!(verdict().contains("8 moves in 8.2 s; least"));
}

#[test]
fn a_report_is_not_written_into_a_file_that_says_it_is_something_else() {
    let bench = Bench::with_scenario();
    let refused = bench.run(&["report", "turntable.moves", "-o", "page.pdf"]);
    assert_eq!(refused.code, 2);
    assert!(
        refused.err.contains("does not end in .html"),
        "{}",
        refused.err
    );
    assert!(!bench.file("page.pdf").exists());
    for name in ["page.html", "page.HTM", "page"] {
        let written = bench.run(&["report", "turntable.moves", "-o", name]);
        assert_eq!(written.code, 0, "{}", written.err);
        assert!(bench.file(name).exists());
    }
}

/// A chopper has no linear source, and this one no resistance in its switches.
#[test]
fn heat_is_told_of_the_parts_that_have_some() {
    let bench = Bench::with_scenario();
    let heat = |rig: &str| {
        let out = bench.run(&["motor", rig]).out;
        let lines = out.lines().skip_while(|line| !line.starts_with(" heat"));
        let rows = lines.skip(2).take_while(|line| !line.is_empty());
        let names: Vec<String> = rows
            .map(|row| row.split("  ").next().unwrap().trim().to_owned())
            .collect();
        names
    };
    assert_eq!(
        heat("turntable.yaml"),
        ["windings", "drawn from the supply"]
    );
    let linear = heat(&example("carousel.yaml"));
    assert!(linear.contains(&"transistors of the linear source".to_owned()));
}

#[test]
fn every_summary_of_explain_begins_in_one_column() {
    let out = Bench::new().run(&["explain"]).out;
    let codes = out.lines().filter(|line| {
        line.starts_with("  ") && line.as_bytes().get(2).is_some_and(u8::is_ascii_lowercase)
    });
    let columns: std::collections::BTreeSet<usize> = codes
        .map(|line| {
            let code = line.trim_start().split(' ').next().unwrap();
            let rest = &line[2 + code.len()..];
            line.len() - rest.trim_start().len()
        })
        .collect();
    assert_eq!(columns.len(), 1, "{out}");
}

#[test]
fn step_lines_for_a_bridge_without_a_sequencer_are_remarked_on() {
    let bench = Bench::with_scenario();
    let emit = |more: &[&str]| {
        let base = [
            "emit",
            "turntable.moves",
            "--as",
            "firmware",
            "-o",
            "player",
        ];
        let emitted = bench.run(&[&base[..], more].concat());
        assert_eq!(emitted.code, 0, "{}", emitted.err);
        fs::remove_dir_all(bench.file("player")).unwrap();
        emitted.err
    };
    assert!(!emit(&[]).contains("--lines coils"));
    bench.edit(
        "turntable.yaml",
        "kind: chopper\n      supply: 24 V\n      peak_current: 1.4 A          # the amplitude of the sine, not the rms value\n      microsteps: 16\n",
        "kind: fixed-voltage\n      sequence: half-step\n      supply: 2.4 V\n",
    );
    bench.edit(
        "turntable.yaml",
        "hold_current: 60 %",
        "hold_current: 100 %",
    );
    let said = emit(&[]);
    assert!(
        said.contains("the drive of `table` is `fixed-voltage`: for a bridge of single switches, use `--lines coils`"),
        "{said}"
    );
    assert!(!emit(&["--lines", "coils"]).contains("`fixed-voltage`"));
    // What another timer would have to be.
    bench.edit("turntable.yaml", "prescaler: 8", "prescaler: 7");
    let said = emit(&[]);
    assert!(
        said.contains("its timer clock is 16 MHz divided by 7; the player supports at most 20 MHz, divided by 1, 8, 64, 256 or 1024"),
        "{said}"
    );
}

#[test]
fn emit_refuses_a_program_whose_check_fails_and_writes_nothing() {
    let bench = Bench::with_scenario();
    bench.edit(
        "turntable.moves",
        "accel 400 deg/s^2",
        "accel 400000 deg/s^2",
    );
    for format in ["csv", "json", "vcd", "c"] {
        let refused = bench.run(&["emit", "turntable.moves", "--as", format, "-o", "out"]);
        assert_eq!(refused.code, 1, "{}", refused.err);
        assert!(!bench.file("out").exists());
        let forced = bench.run(&[
            "emit",
            "turntable.moves",
            "--as",
            format,
            "-o",
            "out",
            "--unchecked",
        ]);
        assert_eq!(forced.code, 0, "{}", forced.err);
        let text = fs::read_to_string(bench.file("out")).unwrap();
        assert!(
            text.contains("pull-out torque"),
            "the failure is not in the {format}:\n{}",
            &text[..text.len().min(500)]
        );
        fs::remove_file(bench.file("out")).unwrap();
    }
}

#[test]
fn emitted_csv_has_a_step_for_every_microstep_and_the_outputs() {
    let bench = Bench::with_scenario();
    let csv = bench.run(&["emit", "turntable.moves", "--as", "csv"]);
    assert_eq!(csv.code, 0, "{}", csv.err);
    let lines: Vec<&str> = csv
        .out
        .lines()
        .filter(|line| !line.starts_with('#'))
        .collect();
    assert_eq!(lines[0], "tick,event,name,value");
    let steps = lines
        .iter()
        .filter(|line| line.contains(",step,table,1"))
        .count();
    assert_eq!(
        steps,
        200 * 16 * 2,
        "a turn of the load is two of the motor"
    );
    assert_eq!(
        lines
            .iter()
            .filter(|line| line.contains(",output,ready,1"))
            .count(),
        8
    );
}

#[test]
fn what_is_wrong_with_the_input_ends_with_2_and_a_place() {
    let bench = Bench::with_scenario();
    bench.edit("turntable.moves", "speed 120 deg/s", "sped 120 deg/s");
    let wrong = bench.run(&["check", "turntable.moves"]);
    assert_eq!(wrong.code, 2);
    assert!(wrong.err.contains("turntable.moves:5:1"), "{}", wrong.err);
    assert!(wrong.err.contains("speed"), "{}", wrong.err);
    assert_eq!(wrong.out, "");
    let missing = bench.run(&["check", "nowhere.moves"]);
    assert_eq!(missing.code, 2);
    assert!(missing.err.contains("nowhere.moves"), "{}", missing.err);
}

#[test]
fn a_script_without_a_rig_says_how_to_name_one() {
    let bench = Bench::new();
    let wrong = bench.run_with_input(&["check", "-"], "turn by 1 deg\n");
    assert_eq!(wrong.code, 2);
    assert!(wrong.err.contains("rig \"rig.yaml\""), "{}", wrong.err);
}

#[test]
fn a_script_comes_from_standard_input_too() {
    let bench = Bench::with_scenario();
    let script = fs::read_to_string(bench.file("turntable.moves")).unwrap();
    let checked = bench.run_with_input(&["check", "-"], &script);
    assert_eq!(checked.code, 0, "{}", checked.err);
}

#[test]
fn a_file_that_cannot_be_written_ends_with_3_and_leaves_nothing() {
    let bench = Bench::with_scenario();
    let before = bench.names();
    let failed = bench.run(&[
        "emit",
        "turntable.moves",
        "--as",
        "csv",
        "-o",
        "no/such/folder/out.csv",
    ]);
    assert_eq!(failed.code, 3, "{}", failed.err);
    assert_eq!(bench.names(), before);
}

#[test]
fn a_closed_pipe_ends_quietly() {
    let bench = Bench::with_scenario();
    bench.edit("turntable.moves", "let stops = 8", "let stops = 80000");
    for arguments in [
        ["emit", "turntable.moves", "--as", "csv"].as_slice(),
        &["plan", "turntable.moves", "--json"],
    ] {
        let mut child = bench
            .command(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut start = [0u8; 16];
        std::io::Read::read_exact(child.stdout.as_mut().unwrap(), &mut start).unwrap();
        drop(child.stdout.take());
        let ended = outcome(child.wait_with_output().unwrap());
        assert_eq!((ended.code, ended.err.as_str()), (0, ""), "{arguments:?}");
    }
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let bench = Bench::with_scenario();
    for format in ["csv", "json", "vcd", "c"] {
        let once = bench.run(&["emit", "turntable.moves", "--as", format]).out;
        assert!(!once.is_empty());
        assert_eq!(
            once,
            bench.run(&["emit", "turntable.moves", "--as", format]).out
        );
    }
}

#[test]
fn travels_of_ten_million_degrees_and_more_are_checked() {
    for turns in ["27778", "1000000000", "-27778"] {
        let bench = Bench::with_scenario();
        bench.edit(
            "turntable.moves",
            "turn by 360/8 deg",
            &format!("turn by {turns} turn"),
        );
        let outcome = bench.run(&["check", "turntable.moves"]);
        assert_eq!(outcome.code, 0, "{turns}: {}", outcome.err);
        let degrees = turns.parse::<i64>().unwrap() * 360;
        assert!(
            outcome.out.contains(&format!("{degrees:+}")),
            "{}",
            outcome.out
        );
    }
}

#[test]
fn a_repeat_of_a_thousand_million_starts_at_once() {
    let bench = Bench::with_scenario();
    bench.edit("turntable.moves", "let stops = 8", "let stops = 1000000000");
    let mut child = bench
        .command(&["plan", "turntable.moves", "--json"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut start = vec![0u8; 4096];
    std::io::Read::read_exact(child.stdout.as_mut().unwrap(), &mut start).unwrap();
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(String::from_utf8_lossy(&start).contains("\"index\":0"));
}

#[test]
fn plots_are_pictures() {
    let bench = Bench::with_scenario();
    for input in ["turntable.moves", "turntable.yaml"] {
        for (output, begins) in [("plot.svg", b"<svg".as_slice()), ("plot.png", b"\x89PNG")] {
            let drawn = bench.run(&["plot", input, "-o", output]);
            assert_eq!(drawn.code, 0, "{}", drawn.err);
            let bytes = fs::read(bench.file(output)).unwrap();
            assert!(bytes.starts_with(begins), "{output}");
            assert!(bytes.len() > 2000, "{output} has {} bytes", bytes.len());
        }
    }
    assert_eq!(
        bench
            .run(&["plot", "turntable.moves", "-o", "plot.gif"])
            .code,
        2
    );
}

/// A script of the examples.
fn example(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("examples")
        .join(name)
        .display()
        .to_string()
}

#[test]
fn the_same_moves_lose_steps_in_a_band_and_none_where_it_is_avoided() {
    let bench = Bench::new();
    let rough = bench.run(&["simulate", &example("mixer.moves")]);
    assert_eq!(rough.code, 1);
    assert!(rough.out.contains("full steps lost"), "{}", rough.out);
    let cured = bench.run(&["simulate", &example("mixer-cured.moves")]);
    assert_eq!(cured.code, 0);
    assert!(cured.out.contains("no step lost"), "{}", cured.out);
}

#[test]
fn a_move_with_torque_to_spare_is_refused_in_an_unstable_band_and_loses_steps_there() {
    let bench = Bench::new();
    let refused = json(
        &bench
            .run(&["check", &example("shutter.moves"), "--json"])
            .out,
    );
    let first = &refused["moves"][0];
    let least = first["torque_margin"]["least"].as_f64().unwrap();
    assert!(least > 0.4, "torque alone would let it pass: {least}");
    assert_eq!(first["reasons"][0]["code"], "unstable-band");
    assert!(refused["simulation"]["lost_steps"].as_u64().unwrap() > 0);
    let cured = bench.run(&["check", &example("shutter-cured.moves")]);
    assert_eq!(cured.code, 0, "{}", cured.out);
    assert!(cured.out.contains("no step lost"), "{}", cured.out);
}

#[test]
fn a_cruise_in_a_bad_band_is_moved_out_of_it_unless_the_script_allows_it() {
    let bench = Bench::new();
    let text = fs::read_to_string(example("shutter.moves")).unwrap();
    let rig = example("shutter.yaml");
    let script = text
        .replace("bands allow\n", "")
        .replace("shutter.yaml", &rig);
    bench.write("avoid.moves", &script);
    let moved = bench.run(&["check", "avoid.moves", "--json"]);
    assert_eq!(moved.code, 0, "{}", moved.out);
    assert_eq!(
        json(&moved.out)["moves"][0]["changes"][0]["code"],
        "cruise-moved"
    );
}

#[test]
fn a_move_that_the_timer_cannot_play_is_refused_with_a_speed_that_it_can() {
    let bench = Bench::with_scenario();
    bench.edit("turntable.yaml", "speed: 300 deg/s", "speed: 3000 deg/s");
    bench.edit(
        "turntable.moves",
        "speed 120 deg/s\naccel 400",
        "speed 2000 deg/s\naccel 99000",
    );
    let refused = json(&bench.run(&["check", "turntable.moves", "--json"]).out);
    let reasons = refused["moves"][0]["reasons"].as_array().unwrap();
    let reason = reasons
        .iter()
        .find(|reason| reason["code"] == "timer-too-slow")
        .unwrap_or_else(|| panic!("{reasons:?}"));
    let cure = reason["cures"][0].as_str().unwrap();
    let (_, speed) = cure.split_once("→ ").unwrap();
    bench.edit(
        "turntable.moves",
        "speed 2000 deg/s",
        &format!("speed {speed}"),
    );
    let cured = bench.run(&["check", "turntable.moves", "--json"]);
    assert!(
        !cured.out.contains("timer-too-slow"),
        "{cure}: {}",
        cured.out
    );
}

#[test]
fn a_start_speed_above_the_start_stop_rate_is_refused() {
    let bench = Bench::with_scenario();
    bench.edit("turntable.yaml", "speed: 300 deg/s", "speed: 3000 deg/s");
    bench.edit(
        "turntable.moves",
        "speed 120 deg/s",
        "speed 1300 deg/s\nstart 1200 deg/s",
    );
    let refused = bench.run(&["check", "turntable.moves", "--json"]);
    let reasons = json(&refused.out)["moves"][0]["reasons"].to_string();
    assert!(reasons.contains("start-speed"), "{reasons}");
}

#[test]
fn motor_coils_and_simulate_answer_in_json() {
    let bench = Bench::with_scenario();
    let sheet = json(
        &bench
            .run(&["motor", "turntable.yaml", "--json", "--plot", "sheet.svg"])
            .out,
    );
    let axis = &sheet["axes"][0];
    for field in ["natural_frequency_hz", "start_stop_rate_hz"] {
        assert!(axis[field].as_f64().unwrap() > 10.0, "{field}");
    }
    for field in ["step_rate_hz", "speed_deg_s", "torque_nm"] {
        assert!(axis["pull_out"][0][field].is_number(), "{field}");
    }
    assert!(axis["bands"].is_array() && axis["heat"]["running"]["copper_w"].is_number());
    assert!(bench.file("sheet.svg").exists());
    let coils = bench.run(&["coils", "turntable.yaml", "--json"]);
    assert_eq!(coils.code, 0, "{}", coils.err);
    json(&coils.out);
    let played = bench.run(&[
        "simulate",
        "turntable.moves",
        "--json",
        "--trace",
        "trace.csv",
    ]);
    assert_eq!(played.code, 0, "{}", played.err);
    let outcome = json(&played.out);
    assert_eq!(outcome["ok"], true);
    assert_eq!(outcome["lost_steps"], 0);
    assert_eq!(outcome["moves"].as_array().unwrap().len(), 8);
    let trace = fs::read_to_string(bench.file("trace.csv")).unwrap();
    assert!(
        trace.starts_with("time_s,axis,commanded_deg"),
        "{}",
        &trace[..80]
    );
    assert!(trace.lines().count() > 2000);
}

#[test]
fn the_report_is_one_page_that_asks_for_nothing_else() {
    let bench = Bench::with_scenario();
    let written = bench.run(&["report", "turntable.moves", "-o", "report.html"]);
    assert_eq!(written.code, 0, "{}", written.err);
    let page = fs::read_to_string(bench.file("report.html")).unwrap();
    assert!(page.to_ascii_lowercase().starts_with("<!doctype html>"));
    assert!(page.contains("May run") && page.contains("turntable.yaml"));
    assert!(page.len() < 1_000_000, "{} bytes", page.len());
    for outside in ["src=\"http", "href=\"http", "url(http", "@import"] {
        assert!(!page.contains(outside), "{outside}");
    }
}

#[test]
fn what_is_found_can_be_explained() {
    let bench = Bench::new();
    for code in [
        "torque-margin",
        "unstable-band",
        "forced-band",
        "timer-too-slow",
        "inertia-ratio",
        "hot-transistors",
        "load-drops",
        "unit-mismatch",
    ] {
        let explained = bench.run(&["explain", code]);
        assert_eq!(explained.code, 0, "{code}: {}", explained.err);
        assert!(explained.out.len() > 200, "{code}: {}", explained.out);
    }
    assert_eq!(bench.run(&["explain", "no-such-thing"]).code, 2);
}

#[test]
fn completions_and_a_manual_are_made() {
    let bench = Bench::new();
    let completions = bench.run(&["completions", "bash"]);
    assert!(completions.out.contains("slewsmith"), "{}", completions.err);
}

/// Every file of a folder of the project with that ending.
fn project_files(folder: &str, ending: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let mut files: Vec<PathBuf> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|end| end == ending))
        .collect();
    files.sort();
    files
}

#[test]
fn every_example_gets_the_verdict_that_it_announces() {
    let bench = Bench::new();
    let scripts = project_files("examples", "moves");
    assert!(scripts.len() >= 3, "{scripts:?}");
    for script in scripts {
        let text = fs::read_to_string(&script).unwrap();
        let refused = text.contains("`check` refuses it");
        let checked = bench.run(&["check", script.to_str().unwrap()]);
        assert_eq!(
            checked.code,
            i32::from(refused),
            "{}\n{}{}",
            script.display(),
            checked.out,
            checked.err
        );
        if refused {
            assert!(checked.out.contains("cure: "), "{}", checked.out);
        }
    }
}

/// A word on standard error where the run has to end with 2.
#[track_caller]
fn refused(bench: &Bench, arguments: &[&str], told: &[&str]) {
    let run = bench.run(arguments);
    assert_eq!(run.code, 2, "{arguments:?}: {}{}", run.out, run.err);
    for told in told {
        assert!(run.err.contains(told), "{told} is not in {}", run.err);
    }
    assert!(run.err.lines().count() < 4, "{}", run.err);
}

#[test]
fn a_rig_in_place_of_a_script_is_known_and_a_script_in_place_of_a_rig() {
    let bench = Bench::with_scenario();
    let yaml = fs::read_to_string(bench.file("turntable.yaml")).unwrap();
    let script = fs::read_to_string(bench.file("turntable.moves")).unwrap();
    bench.write("rig.txt", &yaml).write("moves.txt", &script);
    for rig in ["turntable.yaml", "rig.txt"] {
        for command in [
            &["check", rig][..],
            &["plan", rig],
            &["simulate", rig],
            &["watch", rig],
            &["report", rig, "-o", "x.html"],
            &["emit", rig, "--as", "csv"],
            &["stream", rig, "--port", "none"],
        ] {
            let told = format!("rig \"{rig}\"");
            refused(&bench, command, &["is a rig", "slewsmith motor", &told]);
        }
    }
    for script in ["turntable.moves", "moves.txt"] {
        for command in [&["motor", script][..], &["coils", script]] {
            refused(
                &bench,
                command,
                &["is a script; a rig is required", "it names turntable.yaml"],
            );
        }
    }
    for (profile, part) in [
        ("motors/frame42-medium", "motor"),
        ("drives/linear-15v", "drive"),
        ("boards/small-16mhz-timer16", "timer"),
    ] {
        let path = format!("{}/profiles/{profile}.yaml", env!("CARGO_MANIFEST_DIR"));
        let told = [
            format!("is the profile of a {part}"),
            format!("`{part}: {path}`"),
        ];
        refused(&bench, &["motor", &path], &[&told[0], &told[1]]);
    }
    // What a file holds counts, not its ending.
    bench.write("turns.yaml", &script);
    assert_eq!(bench.run(&["check", "turns.yaml"]).code, 0);
    assert_eq!(bench.run(&["plot", "rig.txt", "-o", "x.svg"]).code, 0);
    assert_eq!(bench.run(&["plot", "moves.txt", "-o", "x.svg"]).code, 0);
    assert_eq!(bench.run(&["motor", "rig.txt"]).code, 0);
    let piped = bench.run_with_input(&["check", "-"], &yaml);
    assert_eq!(piped.code, 2, "{}", piped.err);
    assert!(piped.err.contains("standard input is a rig"));
    bench.write("self.moves", "rig \"turntable.moves\"\n");
    let other = bench.run(&["check", "self.moves"]);
    assert_eq!(other.code, 2);
    assert!(
        other.err.contains("“turntable.moves” is a script of moves"),
        "{}",
        other.err
    );
    // A slip in the script leaves it a script.
    bench.write("slip.moves", &script.replace("rig \"", "rigg \""));
    let slip = bench.run(&["check", "slip.moves"]);
    assert!(slip.err.contains("unknown-statement"), "{}", slip.err);
}

#[test]
fn options_that_would_do_nothing_are_refused() {
    let bench = Bench::with_scenario();
    let emit = ["emit", "turntable.moves", "--as"];
    for option in [
        &["--lines", "steps"][..],
        &["--feed", "line"],
        &["--baud", "9600"],
        &["--other-board"],
    ] {
        let arguments = [&emit[..], &["csv"], option].concat();
        refused(&bench, &arguments, &[option[0], "--as firmware"]);
    }
    let player = [&emit[..], &["firmware", "-o", "player", "--baud", "9600"]].concat();
    refused(&bench, &player, &["--feed line"]);
    assert!(!bench.file("player").exists());
    let fed = [
        &emit[..],
        &[
            "firmware", "-o", "player", "--feed", "line", "--baud", "250000",
        ],
    ];
    assert_eq!(bench.run(&fed.concat()).code, 0);
    refused(
        &bench,
        &["plot", "turntable.moves", "--of", "heat", "-o", "x.svg"],
        &["--of"],
    );
}

#[test]
fn watching_what_is_no_script_ends_at_once() {
    let bench = Bench::with_scenario();
    refused(&bench, &["watch", "turntable.yaml"], &["is a rig"]);
    refused(
        &bench,
        &["watch", "nowhere.moves"],
        &["nowhere.moves cannot be read: there is no such file"],
    );
    refused(&bench, &["watch", "."], &["cannot be read: it is a folder"]);
    assert_eq!(bench.names(), ["turntable.moves", "turntable.yaml"]);
}

#[test]
fn a_folder_that_is_not_there_is_named_by_every_writer() {
    let bench = Bench::with_scenario();
    for command in [
        &["emit", "turntable.moves", "--as", "csv", "-o", "no/x"][..],
        &["report", "turntable.moves", "-o", "no/x"],
        &["watch", "turntable.moves", "-o", "no/x"],
        &["plot", "turntable.moves", "-o", "no/x.svg"],
        &["motor", "turntable.yaml", "--plot", "no/x.svg"],
        &["coils", "turntable.yaml", "-o", "no/x"],
        &["simulate", "turntable.moves", "--trace", "no/x"],
    ] {
        let run = bench.run(command);
        assert_eq!(run.code, 3, "{command:?}: {}", run.err);
        assert!(
            run.err.contains("folder no does not exist\n") && !run.err.contains(".slewsmith"),
            "{command:?}: {}",
            run.err
        );
    }
}

#[test]
fn a_counter_of_another_width_than_the_players_is_told_of_and_changes_nothing() {
    let bench = Bench::with_scenario();
    let emit = |folder| bench.run(&["emit", "turntable.moves", "--as", "firmware", "-o", folder]);
    let plain = emit("sixteen");
    assert!(!plain.err.contains("timer 1"), "{}", plain.err);
    bench.edit("turntable.yaml", "bits: 16", "bits: 8");
    let told = emit("eight");
    assert!(
        told.err.contains("the part's timer 1, which has 16 bits"),
        "{}",
        told.err
    );
    for file in ["schedule.c", "schedule.h", "pins.h", "player.c"] {
        let read = |folder| fs::read_to_string(bench.file(folder).join(file)).unwrap();
        assert!(read("sixteen") == read("eight"), "{file}");
    }
}

#[test]
fn what_is_no_serial_port_is_told_in_plain_words() {
    let bench = Bench::with_scenario();
    for (port, told) in [
        ("turntable.yaml", "turntable.yaml is not a serial port"),
        ("/dev/null", "/dev/null is not a serial port"),
        ("no-such-port", "it does not exist"),
    ] {
        let run = bench.run(&["stream", "turntable.moves", "--port", port]);
        assert_eq!(run.code, 3, "{}", run.err);
        assert!(run.err.contains(told), "{}", run.err);
    }
}

/// Copies a folder of the project with everything in it.
fn copy_folder(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let path = entry.unwrap().path();
        let to = to.join(path.file_name().unwrap());
        if path.is_dir() {
            copy_folder(&path, &to);
        } else {
            fs::copy(&path, &to).unwrap();
        }
    }
}

#[test]
fn every_example_of_the_help_runs_beside_a_fresh_copy_of_the_examples() {
    let bench = Bench::new();
    for folder in ["examples", "profiles"] {
        let from = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
        copy_folder(&from, &bench.file(folder));
    }
    let help = bench.run(&["--help"]).out;
    let (_, commands) = help.split_once("\nCommands:\n").unwrap();
    let commands = commands.split("\n\n").next().unwrap();
    let commands: Vec<&str> = commands
        .lines()
        .filter_map(|line| line.strip_prefix("  "))
        .filter(|line| !line.starts_with(' '))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|command| *command != "help")
        .collect();
    assert!(commands.len() >= 15, "{commands:?}");
    for command in commands {
        let help = bench.run(&[command, "--help"]).out;
        let (_, examples) = help.split_once("\nExample").unwrap();
        let examples: Vec<&str> = examples
            .lines()
            .flat_map(|line| line.split("&&"))
            .filter_map(|part| part.split_once("slewsmith ").map(|(_, words)| words))
            .collect();
        assert!(!examples.is_empty(), "{help}");
        for example in examples {
            let words: Vec<&str> = example
                .split([')', '>'])
                .next()
                .unwrap()
                .split_whitespace()
                .collect();
            // It ends when somebody ends it, and there is no board here.
            let code = match words[0] {
                "watch" => continue,
                "stream" => 3,
                _ => 0,
            };
            let run = bench.run(&words);
            assert_eq!(run.code, code, "{example}: {}{}", run.out, run.err);
        }
    }
}

/// Opens a pseudo-terminal, says what it is called, and closes it once it has been spoken
/// to. In a process of its own, so that the command does not inherit the other end.
const BOARD_THAT_GOES: &str = "
import os, time
board, line = os.openpty()
print(os.ttyname(line), flush=True)
os.close(line)
while True:
    try:
        os.read(board, 1)
        break
    except OSError:
        # Nobody has opened it yet; a pause between two looks, on which nothing depends.
        time.sleep(0.01)
";

#[test]
fn a_cable_that_comes_off_ends_the_stream_with_a_failure() {
    let Some(python) = support::tool("python3") else {
        return;
    };
    let bench = Bench::with_scenario();
    let mut board = Command::new(python)
        .args(["-c", BOARD_THAT_GOES])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut port = String::new();
    BufReader::new(board.stdout.take().unwrap())
        .read_line(&mut port)
        .unwrap();
    let port = port.trim();
    let ended = bench.run(&["stream", "turntable.moves", "--port", port]);
    board.wait().unwrap();
    assert_eq!(ended.code, 3, "{}", ended.err);
    let told = format!("the line to {port} failed");
    assert!(ended.err.contains(&told), "{}", ended.err);
}

/// A turntable that seeks a contact.
const SEEKING: &str = "rig \"turntable.yaml\"\nspeed 60 deg/s\naccel 200 deg/s^2\n\
    seek by -90 deg until go at 20 deg/s\nzero at 5 deg\nturn to 10 deg\n";

#[test]
fn simulate_takes_the_place_of_a_contact_and_fails_where_it_is_out_of_reach() {
    let bench = Bench::with_scenario();
    bench.write("turntable.moves", SEEKING);
    let seek = |place: &str| bench.run(&["simulate", "turntable.moves", "--json", "--seek", place]);
    let found = seek("table=-31 deg");
    assert_eq!(found.code, 0, "{}{}", found.out, found.err);
    let outcome: serde_json::Value = serde_json::from_str(&found.out).unwrap();
    let at = outcome["seeks"][0]["at_deg"].as_f64().unwrap();
    assert!((-32.5..-31.0).contains(&at), "{outcome}");
    assert_eq!(outcome["seeks"][0]["found"], true);
    let missed = seek("table=-91 deg");
    assert_eq!(missed.code, 1);
    let outcome: serde_json::Value = serde_json::from_str(&missed.out).unwrap();
    assert_eq!(
        (&outcome["seeks"][0]["found"], &outcome["may_run"]),
        (&false.into(), &false.into())
    );
    for (place, reason) in [
        ("table", "write for instance"),
        ("plate=3 deg", "no axis `plate`"),
        ("table=3 mm", "an angle is wanted"),
    ] {
        let refused = seek(place);
        assert_eq!(refused.code, 2);
        assert!(refused.err.contains(reason), "{}", refused.err);
    }
}

#[test]
fn what_depends_on_an_input_is_marked_in_every_format_and_refused_where_it_cannot_be() {
    let bench = Bench::with_scenario();
    bench.write("turntable.moves", SEEKING);
    let emit = |format: &str| bench.run(&["emit", "turntable.moves", "--as", format]);
    let csv = emit("csv").out;
    let events: Vec<&str> = csv
        .lines()
        .map(|line| line.split(',').nth(1).unwrap())
        .collect();
    let at = |event: &str| events.iter().position(|one| *one == event).unwrap();
    assert!(at("seek") < at("seek-step") && at("seek-step") < at("sought"));
    assert!(at("sought") < at("zero") && at("zero") < at("step"));
    assert!(csv.contains(",seek,table,go\n"), "{csv}");
    let json: serde_json::Value = serde_json::from_str(&emit("json").out).unwrap();
    let sought = json["events"].as_array().unwrap().iter();
    let sought = sought.filter(|event| event["event"] == "seek-step").count();
    assert_eq!(
        sought,
        events.iter().filter(|event| **event == "seek-step").count()
    );
    let vcd = emit("vcd").out;
    assert!(
        vcd.contains("$comment seek table until go $end")
            && vcd.contains("$comment sought table $end")
    );
    let header = emit("c");
    assert_eq!(header.code, 2, "{}", header.err);
    assert!(header.err.contains("`seek` and `zero`"), "{}", header.err);
    let line = [
        "emit",
        "turntable.moves",
        "--as",
        "firmware",
        "--feed",
        "line",
        "-o",
        "board",
    ];
    assert_eq!(bench.run(&line).code, 0, "a player for any program");
    for unchecked in [&[][..], &["--unchecked"]] {
        let stream = bench.run(
            &[
                &["stream", "turntable.moves", "--port", "/dev/null"],
                unchecked,
            ]
            .concat(),
        );
        assert_ne!(stream.code, 0);
        assert!(
            stream
                .err
                .contains("a line carries steps that are known ahead"),
            "{}",
            stream.err
        );
    }
}
