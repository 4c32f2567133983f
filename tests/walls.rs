//! Rules of the code's structure, read from the sources: which stage may import which, names
//! of types, and that only the command line speaks of commands and options.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// The stages in the order in which data pass them; those of one row do not import each other.
const STAGES: [&[&str]; 13] = [
    &["units", "diagnostic", "exact"],
    &["script"],
    &["rig"],
    &["files", "physics"],
    &["identify", "plan", "study"],
    &["schedule"],
    &["emit", "stream", "simulate"],
    &["player"],
    &["check"],
    &["size"],
    &["draw"],
    &["job"],
    &["lib"],
];

/// A source of the library or of the command line, without its tests and comments.
struct SourceFile {
    path: PathBuf,
    /// Its stage, or `cli` or `main`.
    stage: String,
    code: String,
}

/// The sources, without those that only tests use.
fn sources() -> Vec<SourceFile> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut found = Vec::new();
    let mut folders = vec![root.clone()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_str().unwrap().to_owned();
            if path.is_dir() {
                if name != "tests" && name != "testing" {
                    folders.push(path);
                }
            } else if name.ends_with(".rs") {
                let first = path.strip_prefix(&root).unwrap().iter().next().unwrap();
                let stage = first.to_str().unwrap().trim_end_matches(".rs").to_owned();
                let code = code_of(&fs::read_to_string(&path).unwrap());
                found.push(SourceFile { path, stage, code });
            }
        }
    }
    assert!(found.len() > 150, "{} sources", found.len());
    found
}

/// A text without whole-line comments and without what stands behind its tests' heading.
fn code_of(text: &str) -> String {
    let text = text.split("#[cfg(test)]\nmod tests {").next().unwrap();
    let lines = text
        .lines()
        .filter(|line| !line.trim_start().starts_with("//"));
    lines.map(|line| format!("{line}\n")).collect()
}

/// The words that follow `opening` in a text.
fn words_after<'t>(text: &'t str, opening: &'t str) -> impl Iterator<Item = &'t str> {
    text.split(opening).skip(1).map(|rest| {
        let end = rest.find(|letter: char| !letter.is_alphanumeric() && letter != '_');
        &rest[..end.unwrap_or(rest.len())]
    })
}

#[test]
fn no_stage_imports_a_later_one_or_a_neighbour() {
    let floor = |stage: &str| STAGES.iter().position(|row| row.contains(&stage));
    for source in sources() {
        if matches!(&*source.stage, "cli" | "main" | "lib") {
            continue;
        }
        let own = floor(&source.stage)
            .unwrap_or_else(|| panic!("{} is in no row of STAGES", source.path.display()));
        for other in words_after(&source.code, "crate::") {
            if let Some(other_floor) = floor(other)
                && other != source.stage
            {
                let path = source.path.display();
                assert!(other_floor < own, "{path} imports {other}");
            }
        }
    }
}

#[test]
fn every_type_has_a_name_of_its_own() {
    let mut places: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for source in sources() {
        for line in source.code.lines() {
            // Types in functions and the associated types of an `impl` are indented.
            let line = line.strip_prefix("pub").map_or(line, |rest| {
                rest.split_once(' ').map_or(rest, |(_, item)| item)
            });
            for kind in ["struct ", "enum ", "trait ", "type ", "union "] {
                if let Some(name) = line
                    .starts_with(kind)
                    .then(|| words_after(line, kind).next())
                {
                    let path = source.path.display().to_string();
                    places
                        .entry(name.unwrap().to_owned())
                        .or_default()
                        .push(path);
                }
            }
        }
    }
    assert!(places.len() > 400, "{} types", places.len());
    let shared: Vec<_> = places.iter().filter(|(_, paths)| paths.len() > 1).collect();
    assert!(shared.is_empty(), "{shared:#?}");
}

/// The commands, whose names are ordinary words: the program's name stands before them.
const COMMANDS: [&str; 18] = [
    "check",
    "size",
    "plan",
    "emit",
    "plot",
    "simulate",
    "stream",
    "motor",
    "identify",
    "bench",
    "coils",
    "report",
    "watch",
    "new",
    "explain",
    "schema",
    "completions",
    "manual",
];

#[test]
fn the_library_names_no_command_and_no_option() {
    let is_option = |word: &str| word.starts_with(|letter: char| letter.is_ascii_lowercase());
    let mut found = Vec::new();
    for source in sources() {
        if matches!(&*source.stage, "cli" | "main") {
            continue;
        }
        for line in source.code.lines() {
            let option = [" --", "`--", "\"--"]
                .iter()
                .any(|opening| words_after(line, opening).any(is_option));
            let command = words_after(line, "slewsmith ").any(|word| COMMANDS.contains(&word));
            if option || command {
                found.push(format!("{}: {line}", source.path.display()));
            }
        }
    }
    assert!(found.is_empty(), "{found:#?}");
}

/// How many digits a number has is asked in one place, which every magnitude has been through:
/// elsewhere this has panicked for a number larger than any that was thought of.
#[test]
fn the_digits_of_a_number_are_counted_in_one_place() {
    let counts = |source: &SourceFile| source.code.contains("log10");
    let places: Vec<PathBuf> = sources()
        .into_iter()
        .filter(counts)
        .map(|s| s.path)
        .collect();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    assert_eq!(places, [root.join("src/units/decimal.rs")]);
}

/// A test that looks at a clock or pauses says in the line above why it cannot fail on a slow
/// machine. Time that a test counts by itself, in durations, is no clock's.
#[test]
fn every_test_that_looks_at_a_clock_says_why_a_slow_machine_does_not_fail_it() {
    const CLOCKS: [&str; 6] = [
        "Instant::now(",
        "SystemTime::now(",
        "sleep(",
        "_timeout(",
        "park_timeout",
        "pause(",
    ];
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut folders = vec![root.join("src"), root.join("tests")];
    let mut looks = 0;
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let inside = path.strip_prefix(root).unwrap();
            let ending = path.extension().and_then(|ending| ending.to_str());
            match ending {
                None if path.is_dir() => folders.push(path),
                Some("rs" | "mjs" | "py") if !inside.ends_with("tests/walls.rs") => {
                    let text = fs::read_to_string(&path).unwrap();
                    let tests = if inside
                        .iter()
                        .any(|part| part == "tests" || part == "testing")
                    {
                        text.as_str()
                    } else {
                        let own = text.split_once("#[cfg(test)]\nmod tests {");
                        own.map_or("", |(_, tests)| tests)
                    };
                    let lines = std::iter::once("").chain(tests.lines().map(str::trim));
                    for (above, line) in lines.clone().zip(lines.skip(1)) {
                        if CLOCKS.iter().any(|clock| line.contains(clock)) {
                            looks += 1;
                            let says = ["// ", "# "].iter().any(|mark| above.starts_with(mark));
                            assert!(says, "{}: no reason above “{line}”", inside.display());
                        }
                    }
                }
                _ => {}
            }
        }
    }
    assert!(looks > 3, "{looks} looks at a clock");
}
