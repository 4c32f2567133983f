//! Strange inputs and targets: bytes that no text has, files without end, folders and devices,
//! paths with spaces, line ends and letters of any language.

use std::fs::{self, File, Permissions};
use std::os::unix::fs::PermissionsExt as _;
use std::process::Command;

use crate::bench::Bench;

#[test]
fn a_byte_that_is_zero_is_refused_with_its_place_in_scripts_rigs_and_notes() {
    let bench = Bench::with_scenario();
    bench.write("nul.moves", b"rig \"turntable.yaml\"\nturn by \0 90 deg\n");
    let message = bench.run(&["check", "nul.moves"]).ended(2);
    assert!(message.contains("nul.moves:2"), "{message}");
    let rig = bench.read("turntable.yaml");
    bench.write("turntable.yaml", rig.replacen("supply:", "sup\0ply:", 1));
    let message = bench.run(&["check", "turntable.moves"]).ended(2);
    assert!(message.contains("turntable.yaml:"), "{message}");
    bench.write("notes.yaml", b"resistance: 2\0 ohm\n");
    let message = bench.run(&["identify", "notes.yaml"]).ended(2);
    assert!(message.contains("notes.yaml:1"), "{message}");
}

#[test]
fn a_byte_order_mark_and_line_ends_of_two_bytes_change_nothing() {
    let bench = Bench::with_scenario();
    let plain = bench.run(&["check", "turntable.moves", "--json"]);
    for name in ["turntable.moves", "turntable.yaml"] {
        let text = bench.read(name).replace('\n', "\r\n");
        bench.write(name, format!("\u{feff}{text}"));
    }
    let other = bench.run(&["check", "turntable.moves", "--json"]);
    assert_eq!((other.code, other.out), (Some(0), plain.out));
}

#[test]
fn paths_with_spaces_line_ends_and_any_letters_are_paths() {
    let bench = Bench::with_scenario();
    for folder in ["a b", "a\nb", "Übung 角度", "'$(x)\"", "-v"] {
        let path = bench.file(folder);
        fs::create_dir(&path).unwrap();
        for name in ["turntable.moves", "turntable.yaml"] {
            fs::copy(bench.file(name), path.join(name)).unwrap();
        }
        let script = format!("./{folder}/turntable.moves");
        bench.run(&["check", &script]).ended(0);
        for (format, target) in [
            ("csv", "steps.csv"),
            ("c", "table.h"),
            ("firmware", "player"),
        ] {
            let target = format!("./{folder}/{target}");
            bench
                .run(&["emit", &script, "--as", format, "-o", &target])
                .ended(0);
            assert!(bench.file(&target).exists(), "{target}");
        }
        let page = format!("./{folder}/page.html");
        bench.run(&["report", &script, "-o", &page]).ended(0);
        assert!(bench.read(&page).ends_with("</html>\n") || bench.read(&page).contains("</html>"));
    }
}

#[test]
fn inputs_without_end_and_of_a_gibibyte_are_refused() {
    let bench = Bench::with_scenario();
    // Takes no room on the disk.
    let sparse = File::create(bench.file("huge.moves")).unwrap();
    sparse.set_len(1 << 30).unwrap();
    for (path, limit) in [("huge.moves", "MiB"), ("/dev/zero", "MiB")] {
        // In less memory than such a text has.
        let outcome = bench.run_limited("ulimit -v 900000", &["check", path]);
        let message = outcome.ended(2);
        assert!(
            message.contains(limit) && message.contains(path),
            "{message}"
        );
    }
    let message = bench.run(&["motor", "/dev/zero"]).ended(2);
    assert!(message.contains("MiB"), "{message}");
}

#[test]
fn rigs_of_a_hundred_thousand_lines_and_a_thousand_axes_name_the_limit() {
    let bench = Bench::with_scenario();
    let rig = bench.read("turntable.yaml");
    let (comments, entries): (String, String) = (0..100_000)
        .map(|k| (format!("# {k}\n"), format!("k{k}: 1\n")))
        .unzip();
    bench.write("turntable.yaml", format!("{comments}{rig}"));
    bench.run(&["check", "turntable.moves"]).ended(0);
    bench.write("turntable.yaml", format!("{rig}{entries}"));
    let message = bench.run(&["check", "turntable.moves"]).ended(2);
    let named = message.contains("1048576 bytes")
        || message.contains("50000")
        || message.contains("50,000");
    assert!(named, "{message}");
    let axes: String = (0..1000)
        .map(|k| format!("  axis{k}: {{ motor: m.yaml, drive: d.yaml }}\n"))
        .collect();
    bench.write(
        "turntable.yaml",
        format!("axes:\n{axes}timer: {{ clock: 16 MHz }}\n"),
    );
    let message = bench.run(&["check", "turntable.moves"]).ended(2);
    assert!(message.contains("64"), "{message}");
}

#[test]
fn a_folder_is_no_script_and_no_target() {
    let bench = Bench::with_scenario();
    fs::create_dir(bench.file("folder")).unwrap();
    let message = bench.run(&["check", "folder"]).ended(2);
    assert!(message.contains("folder"), "{message}");
    for arguments in [
        &["emit", "turntable.moves", "--as", "csv", "-o", "folder"][..],
        &["report", "turntable.moves", "-o", "folder"],
        &["coils", "turntable.yaml", "-o", "folder"],
    ] {
        let message = bench.run(arguments).ended(3);
        assert!(message.contains("cannot write folder"), "{message}");
        assert_eq!(bench.names("folder"), [""; 0]);
    }
}

#[test]
fn what_nobody_may_read_is_named() {
    let bench = Bench::with_scenario();
    let run = |locked: &str, command: &str| {
        fs::set_permissions(bench.file(locked), Permissions::from_mode(0o000)).unwrap();
        let words: Vec<&str> = command.split(' ').collect();
        let outcome = bench
            .as_a_user()
            .map(|user| bench.run_limited(user, &words));
        fs::set_permissions(bench.file(locked), Permissions::from_mode(0o644)).unwrap();
        outcome
    };
    for (locked, command, code, told) in [
        (
            "turntable.moves",
            "check turntable.moves",
            3,
            "cannot read turntable.moves: ",
        ),
        (
            "turntable.yaml",
            "motor turntable.yaml",
            3,
            "cannot read turntable.yaml: ",
        ),
        // The script names it, in a line.
        (
            "turntable.yaml",
            "check turntable.moves",
            2,
            "this user may not read it",
        ),
    ] {
        let Some(outcome) = run(locked, command) else {
            return;
        };
        let message = outcome.ended(code);
        assert!(message.contains(told), "{command}: {message}");
    }
}

#[test]
fn a_folder_that_nobody_may_write_to_is_named_by_every_writer() {
    let bench = Bench::with_scenario();
    fs::create_dir(bench.file("locked-up")).unwrap();
    bench.write("locked-up/page.html", "old");
    let allow = |mode| {
        let folder = bench.file("locked-up");
        fs::set_permissions(folder, Permissions::from_mode(mode)).unwrap();
    };
    for (command, told) in [
        (
            "emit turntable.moves --as csv -o locked-up/x",
            "cannot write locked-up/x: ",
        ),
        (
            "emit turntable.moves --as firmware -o locked-up/x",
            "cannot make locked-up/x: ",
        ),
        (
            "report turntable.moves -o locked-up/page.html",
            "cannot write locked-up/page.html: ",
        ),
        (
            "plot turntable.moves -o locked-up/x.png",
            "cannot write locked-up/x.png: ",
        ),
        (
            "simulate turntable.moves --trace locked-up/x",
            "cannot write locked-up/x: ",
        ),
        (
            "coils turntable.yaml -o locked-up/x",
            "cannot write locked-up/x: ",
        ),
        ("new locked-up/x", "cannot make locked-up/x: "),
        ("new locked-up", "cannot write locked-up/turntable.moves: "),
        ("bench turntable.yaml locked-up", "cannot write locked-up/"),
        ("manual locked-up", "cannot write locked-up/"),
    ] {
        allow(0o555);
        let words: Vec<&str> = command.split(' ').collect();
        let outcome = bench
            .as_a_user()
            .map(|user| bench.run_limited(user, &words));
        allow(0o755);
        let Some(outcome) = outcome else { return };
        let message = outcome.ended(3);
        assert!(message.contains(told), "{command}: {message}");
        assert!(!message.contains(".part"), "{message}");
        assert_eq!(bench.names("locked-up"), ["page.html"]);
        assert_eq!(bench.read("locked-up/page.html"), "old");
    }
}

#[test]
fn devices_and_pipes_are_written_to_as_they_are() {
    let bench = Bench::with_scenario();
    let whole = bench.run(&["emit", "turntable.moves", "--as", "csv"]).out;
    bench
        .run(&["emit", "turntable.moves", "--as", "csv", "-o", "/dev/null"])
        .ended(0);
    if fs::metadata("/dev/full").is_ok() {
        let full = ["emit", "turntable.moves", "--as", "csv", "-o", "/dev/full"];
        let message = bench.run(&full).ended(3);
        assert!(message.contains("cannot write /dev/full"), "{message}");
    }
    let made = Command::new("mkfifo").arg(bench.file("pipe")).status();
    assert!(made.unwrap().success());
    let mut reader = Command::new("sh")
        .args(["-c", "cat pipe > read"])
        .current_dir(bench.path())
        .spawn()
        .unwrap();
    bench
        .run(&["emit", "turntable.moves", "--as", "csv", "-o", "pipe"])
        .ended(0);
    assert!(reader.wait().unwrap().success());
    assert_eq!(bench.read("read"), whole);
    // A script may come from one too, whose writer leaves when all is said.
    let script = bench.read("turntable.moves");
    let mut writer = Command::new("sh")
        .args(["-c", "printf %s \"$1\" > pipe", "sh", &script])
        .current_dir(bench.path())
        .spawn()
        .unwrap();
    bench.run(&["check", "pipe"]).ended(0);
    assert!(writer.wait().unwrap().success());
}
