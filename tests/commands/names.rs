//! Names are data: what a mark, an output, an axis or a file is called does nothing to
//! whatever reads our outputs.

use std::fs;
use std::process::Command;

use serde_json::Value;
use tempfile::TempDir;

use crate::support;

const PROGRAM: &str = env!("CARGO_BIN_EXE_slewsmith");

/// Texts that end a comment, a string, a line or a cell somewhere, or begin something.
const MARKS: [&str; 15] = [
    "</script><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "it's `quoted` $HOME $(id)",
    "*/ int main(void) { return 1; } /*",
    "// \\",
    "??/ ??) ??'",
    "%s%n \\x41",
    "$end $var wire 1 ! x $end",
    "=1+1",
    "+1",
    "-1",
    "@x",
    "a,b;c",
    "\u{202e}right to left",
    "tab\tand\u{2028}line",
];

/// Names that are words of C, of make and of our own headers.
const NAMES: [&str; 6] = ["int", "while", "main", "NULL", "all", "clean"];

/// A scenario with all of them.
fn scenario() -> TempDir {
    let folder = TempDir::new().unwrap();
    let new = Command::new(PROGRAM)
        .args(["new", "."])
        .current_dir(folder.path())
        .output();
    assert!(new.unwrap().status.success());
    let rig = folder.path().join("turntable.yaml");
    let text = fs::read_to_string(&rig).unwrap();
    assert!(text.contains("  ready: { pin: PB0 }"));
    let outputs: String = NAMES.map(|name| format!("  \"{name}\": {{}}\n")).concat();
    let text = text.replace("  ready: { pin: PB0 }", outputs.trim_end());
    fs::write(&rig, text).unwrap();
    let mut script = "rig \"turntable.yaml\"\nspeed 90 deg/s\naccel 400 deg/s^2\n".to_owned();
    for mark in MARKS {
        script += &format!("mark \"{mark}\"\n");
    }
    for name in NAMES {
        script += &format!("output {name} on\ndwell 10 ms\n");
    }
    script += "turn by 45 deg\n";
    fs::write(folder.path().join(FILE), script).unwrap();
    folder
}

/// The script's file.
#[cfg(unix)]
const FILE: &str = "a '<b>' $(id) =x\n#error\n\n*\\ \u{202e}.moves";
/// A line end and a star are no parts of names on some systems.
#[cfg(not(unix))]
const FILE: &str = "a '$(id)' =x.moves";

fn written(folder: &TempDir, arguments: &[&str]) -> String {
    let ran = Command::new(PROGRAM)
        .current_dir(folder.path())
        .args(&arguments[..1])
        .arg(FILE)
        .args(&arguments[1..])
        .output()
        .unwrap();
    let complaint = String::from_utf8_lossy(&ran.stderr);
    assert_eq!(ran.status.code(), Some(0), "{complaint}");
    String::from_utf8(ran.stdout).unwrap()
}

#[test]
fn a_page_shows_names_and_runs_none() {
    let page = written(&scenario(), &["report", "-o", "-"]);
    for raw in ["<script>alert", "<img", "<b>"] {
        assert!(!page.contains(raw), "{raw}");
    }
    // Only our own scripts are closed.
    assert_eq!(
        page.matches("<script").count(),
        page.matches("</script").count()
    );
    assert!(page.contains("&lt;/script&gt;"));
}

#[test]
fn a_spreadsheet_finds_no_formula() {
    let csv = written(&scenario(), &["emit", "--as", "csv"]);
    let mut reader = csv::ReaderBuilder::new().from_reader(csv.as_bytes());
    let mut marks = Vec::new();
    for record in reader.records() {
        let record = record.unwrap();
        assert_eq!(record.len(), 4, "{record:?}");
        if &record[1] != "mark" {
            continue;
        }
        let text = record[3].to_owned();
        assert!(!text.starts_with(['=', '+', '-', '@', '\t']), "{text}");
        marks.push(text.trim_start_matches('\'').to_owned());
    }
    assert_eq!(marks, MARKS.map(|mark| mark.trim_start_matches('\'')));
}

#[test]
fn json_gives_back_what_was_written() {
    let text = written(&scenario(), &["emit", "--as", "json"]);
    let json: Value = serde_json::from_str(&text).unwrap();
    let events = json["events"].as_array().unwrap().iter();
    let marks: Vec<&str> = events
        .filter(|event| event["event"] == "mark")
        .map(|event| event["value"].as_str().unwrap())
        .collect();
    assert_eq!(marks, MARKS);
}

#[test]
fn a_waveform_keeps_its_own_words() {
    let vcd = written(&scenario(), &["emit", "--as", "vcd"]);
    let (head, _) = vcd.split_once("$enddefinitions $end").unwrap();
    let variables = head.lines().filter(|line| line.contains("$var"));
    for variable in variables {
        let words: Vec<&str> = variable.split_whitespace().collect();
        assert_eq!(
            (words[0], words.last()),
            ("$var", Some(&"$end")),
            "{variable}"
        );
        assert_eq!(words.iter().filter(|word| **word == "$end").count(), 1);
    }
}

/// The name of the script is all that a line of the project's page holds of it.
#[cfg(unix)]
#[test]
fn a_page_of_the_project_takes_no_heading_or_tag_from_a_name() {
    let folder = scenario();
    let project = ["emit", "--as", "firmware", "--other-board", "-o", "player"];
    written(&folder, &project);
    let page = fs::read_to_string(folder.path().join("player/README.md")).unwrap();
    let heading = page.lines().next().unwrap();
    assert!(heading.contains("$(id) =x #error  *"), "{heading}");
    assert!(!page.contains("\n#error"), "{page}");
    assert!(!page.replace("\\<", "").contains("<b>"), "{page}");
    assert!(!page.contains('\u{202e}'), "{page}");
}

/// Strings, comments and identifiers of the header, of every file of the project and of its
/// Makefile stay what they are; trigraphs are switched on.
#[test]
fn a_c_compiler_and_make_are_not_led_astray() {
    let (Some(gcc), Some(make)) = (support::tool("gcc"), support::tool("make")) else {
        return;
    };
    let folder = scenario();
    let header = written(&folder, &["emit", "--as", "c"]);
    fs::write(folder.path().join("schedule.h"), header).unwrap();
    let program = "#include \"schedule.h\"\nint main(void) { return 0; }\n";
    fs::write(folder.path().join("main.c"), program).unwrap();
    let flags = ["-std=c99", "-trigraphs", "-Wall", "-Wextra", "-Werror"];
    let unused = ["-Wno-unused-function", "-Wno-unused-const-variable"];
    let built = Command::new(&gcc)
        .current_dir(folder.path())
        .args(flags)
        .args(unused)
        .args(["main.c", "-o", "main"])
        .output()
        .unwrap();
    let complaint = String::from_utf8_lossy(&built.stderr);
    assert!(built.status.success(), "{complaint}");
    let project = ["emit", "--as", "firmware", "--other-board", "-o", "player"];
    written(&folder, &project);
    let built = Command::new(make)
        .current_dir(folder.path().join("player"))
        .args(["--silent", "objects"])
        .arg(format!("CC={}", gcc.display()))
        .arg(format!("CFLAGS={} {}", flags.join(" "), unused.join(" ")))
        .output()
        .unwrap();
    let complaint = String::from_utf8_lossy(&built.stderr);
    assert!(built.status.success(), "{complaint}");
}
