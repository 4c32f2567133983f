//! The limits that the README lists: what is just within passes, what is just beyond is refused
//! in words that name the limit, and the README names the same. `endless`, `large`, `growing`
//! and `inputs` hold those of time, memory and recordings.

use crate::bench::Bench;

const HEAD: &str = "rig \"turntable.yaml\"\nspeed 90 deg/s\naccel 400 deg/s^2\n";

/// The row of the README's table of limits for that.
fn row(of: &str) -> String {
    let readme = include_str!("../../README.md");
    let (_, limits) = readme.split_once("\n## Limits\n").unwrap();
    let heading = format!("| {of} |");
    let row = limits.lines().find(|line| line.starts_with(&heading));
    row.unwrap_or_else(|| panic!("no row of {of}")).to_owned()
}

/// Holds a command beyond a limit: it is refused in those words, and the README's row has these.
#[track_caller]
fn refused(bench: &Bench, command: &[&str], told: &str, of: &str, documented: &str) {
    let message = bench.run(command).ended(2);
    assert!(message.contains(told), "{message}");
    let row = row(of);
    assert!(row.contains(documented), "{documented}: {row}");
}

#[test]
fn what_a_script_nests_and_repeats_ends_somewhere() {
    let bench = Bench::with_scenario();
    let plan = ["plan", "it.moves"];
    let blocks = |deep: usize| {
        format!(
            "{}turn by 1 deg\n{}",
            "repeat 1 {\n".repeat(deep),
            "}\n".repeat(deep)
        )
    };
    let parentheses =
        |deep: usize| format!("turn by {}1{} deg\n", "(".repeat(deep), ")".repeat(deep));
    let signs = |deep: usize| format!("turn by {}1 deg\n", "-".repeat(deep));
    let nested: [&dyn Fn(usize) -> String; 3] = [&blocks, &parentheses, &signs];
    for text in nested {
        bench.write("it.moves", format!("{HEAD}{}", text(64)));
        bench.run(&plan).ended(0);
        bench.write("it.moves", format!("{HEAD}{}", text(65)));
        let told = "nested more than 64 deep";
        refused(&bench, &plan, told, "script", "nested 64 deep");
    }
    let repeat = |times: &str| format!("{HEAD}repeat {times} {{ turn by 45 deg }}\n");
    bench.write("it.moves", repeat("1000000000000"));
    bench.run(&plan).ended(0);
    bench.write("it.moves", repeat("1000000000001"));
    refused(&bench, &plan, "1e12 at most", "script", "10^12 passes");
    bench.write("it.moves", repeat("forever").replace("45 deg", "1 rad"));
    let told = "none of 131072 passes begins as an earlier one did";
    refused(&bench, &plan, told, "script", "within 131,072 passes");
    bench.write("it.moves", format!("{HEAD}turn by 9e14 microstep\n"));
    bench.run(&plan).ended(0);
    let far = "repeat 2 { turn by 9e14 microstep }";
    bench.write("it.moves", format!("{HEAD}{far}\n"));
    let told = "stay within 2^50 (some 10^15) microsteps";
    refused(&bench, &plan, told, "program", "within 2^50 microsteps");
}

#[test]
fn what_a_rig_and_notes_hold_ends_somewhere() {
    let bench = Bench::with_scenario();
    let of = "rig, profile, notes";
    let rig = bench.read("turntable.yaml");
    let check = ["check", "turntable.moves", "--without-simulation"];
    let with = |list: &str, names: usize| {
        let more: String = (1..names).map(|k| format!("  more{k}: {{}}\n")).collect();
        let head = format!("{list}:\n");
        assert!(rig.contains(&head));
        rig.replace(&head, &format!("{head}{more}"))
    };
    for list in ["outputs", "inputs"] {
        bench.write("turntable.yaml", with(list, 64));
        bench.run(&check).ended(0);
        bench.write("turntable.yaml", with(list, 65));
        let told = format!("`{list}` holds more than 64 names");
        refused(
            &bench,
            &check,
            &told,
            of,
            "64 axes, outputs and inputs each",
        );
    }
    let nested = |deep: usize| format!("{rig}x: {}{}\n", "[".repeat(deep), "]".repeat(deep));
    bench.write("turntable.yaml", nested(17));
    let told = "nested more than 16 levels deep";
    refused(&bench, &check, told, of, "nested 16 deep");
    let long = |bytes: usize, text: &str| {
        let comment = "# and so on\n";
        let room = bytes - text.len();
        let filled = comment.repeat(room / comment.len() - 1);
        let rest = room - filled.len() - 2;
        format!("{text}{filled}#{}\n", "x".repeat(rest))
    };
    for (name, command) in [
        ("turntable.yaml", &check[..]),
        ("notes.yaml", &["identify", "notes.yaml"]),
    ] {
        let text = match name {
            "notes.yaml" => "resistance: { value: 2.1 ohm }\n",
            _ => &rig,
        };
        let told = "more than 1048576 bytes";
        bench.write(name, long(1 << 20, text));
        bench.run(command).ended(0);
        bench.write(name, long((1 << 20) + 1, text));
        refused(&bench, command, told, of, "1 MiB");
        let entries: String = (0..25_000).map(|k| format!("k{k}: 1\n")).collect();
        bench.write(name, format!("{text}{entries}"));
        refused(
            &bench,
            command,
            "more than 50000 entries",
            of,
            "50,000 entries",
        );
    }
}

#[test]
fn what_the_formats_hold_ends_somewhere() {
    let bench = Bench::with_scenario();
    // No pass is like another, and each has two actions.
    let actions = "repeat 600000 { turn by 0.01 rad\nmark \"x\" }\n";
    bench.write("it.moves", format!("{HEAD}{actions}"));
    let emit = |format| {
        [
            "emit",
            "it.moves",
            "--without-simulation",
            "-o",
            "out",
            "--as",
            format,
        ]
    };
    let told = "more than 1048576 actions, reached in line 4";
    refused(&bench, &emit("c"), told, "`--as c`", "2^20 actions");
    let marks = |number: u32| {
        let marks: String = (0..number).map(|k| format!("mark \"{k}\"\n")).collect();
        format!("{HEAD}{marks}")
    };
    bench.write("it.moves", marks(65_536));
    bench.run(&emit("binary")).ended(0);
    bench.write("it.moves", marks(65_537));
    let told = "more than 65,536 different marks";
    refused(
        &bench,
        &emit("binary"),
        told,
        "`--as binary`, `firmware`",
        "65,536 marks",
    );
}

#[test]
fn what_is_drawn_ends_somewhere_and_says_so() {
    let bench = Bench::with_scenario();
    let plot = ["plot", "it.moves", "-o", "it.svg"];
    for (moves, told) in [(2000, ""), (2001, "the plot shows the first 2000 moves\n")] {
        bench.write(
            "it.moves",
            format!("{HEAD}repeat {moves} {{ turn by 1 deg }}\n"),
        );
        assert_eq!(bench.run(&plot).ended(0), told);
    }
    assert!(row("plot, report").contains("the first 2000 moves"));
}
