//! The report and what explains the rest: the page, `watch`, `explain`, the schemas,
//! completions and manual pages.

use crate::support;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use serde_json::Value;
use tempfile::TempDir;

const PROGRAM: &str = env!("CARGO_BIN_EXE_slewsmith");

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn run(arguments: &[&str]) -> Output {
    Command::new(PROGRAM)
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn out(arguments: &[&str]) -> String {
    let ran = run(arguments);
    assert!(
        ran.status.code().is_some_and(|code| code <= 1),
        "{arguments:?}: {}",
        String::from_utf8_lossy(&ran.stderr)
    );
    String::from_utf8(ran.stdout).unwrap()
}

/// The files of a folder of the project that end so.
fn files(folder: &str, ending: &str) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = fs::read_dir(root().join(folder))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|found| found == ending))
        .collect();
    files.sort();
    assert!(!files.is_empty());
    files
}

/// A folder with the scenario that `new` writes.
fn scenario() -> TempDir {
    let folder = TempDir::new().unwrap();
    out(&["new", folder.path().to_str().unwrap()]);
    folder
}

fn edit(path: &Path, from: &str, to: &str) {
    let text = fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{from} is not in {}", path.display());
    fs::write(path, text.replace(from, to)).unwrap();
}

fn report(script: &Path, page: &Path) -> String {
    out(&[
        "report",
        script.to_str().unwrap(),
        "-o",
        page.to_str().unwrap(),
    ]);
    fs::read_to_string(page).unwrap()
}

/// The start of an element.
struct Tag {
    element: String,
    attributes: Vec<(String, String)>,
}

/// The tags of a page whose texts and values hold no `<` and no `>`; what stands in scripts
/// and styles is passed over.
fn tags(page: &str) -> Vec<Tag> {
    let mut tags = Vec::new();
    let mut rest = page;
    while let Some((_, behind)) = rest.split_once('<') {
        let (inside, after) = behind.split_once('>').unwrap();
        rest = after;
        if inside.starts_with(['/', '!']) {
            continue;
        }
        let (element, mut values) = inside.split_once(' ').unwrap_or((inside, ""));
        let mut attributes = Vec::new();
        while let Some((attribute, behind)) = values.split_once("=\"") {
            let (value, after) = behind.split_once('"').unwrap();
            // In front of it may stand some without a value.
            for name in attribute.split_whitespace() {
                attributes.push((name.to_ascii_lowercase(), value.to_owned()));
            }
            values = after;
        }
        for name in values.split_whitespace() {
            attributes.push((name.to_ascii_lowercase(), String::new()));
        }
        if matches!(element, "script" | "style") {
            let end = format!("</{element}>");
            rest = rest.split_once(end.as_str()).unwrap().1;
        }
        let element = element.to_ascii_lowercase();
        tags.push(Tag {
            element,
            attributes,
        });
    }
    tags
}

#[test]
fn a_page_that_asks_for_something_would_be_noticed() {
    let tags = tags("<p hidden onclick=\"go()\"><script>a<b</script><img SRC=\"x\"></p>");
    let found: Vec<_> = tags
        .iter()
        .map(|tag| {
            let names = tag.attributes.iter().map(|(name, _)| name.as_str());
            (tag.element.as_str(), names.collect::<Vec<_>>())
        })
        .collect();
    let wanted = [
        ("p", vec!["hidden", "onclick"]),
        ("script", vec![]),
        ("img", vec!["src"]),
    ];
    assert_eq!(found, wanted);
}

#[test]
fn the_report_of_every_example_is_one_small_file_that_asks_for_nothing() {
    let folder = TempDir::new().unwrap();
    for script in files("examples", "moves") {
        let page = report(&script, &folder.path().join("page.html"));
        let name = script.display();
        assert!(page.len() < 1_000_000, "{name}: {} bytes", page.len());
        let tags = tags(&page);
        assert!(tags.len() > 100, "{name}: {} tags", tags.len());
        for Tag {
            element,
            attributes,
        } in &tags
        {
            for (attribute, value) in attributes {
                // What asks for something, and what would run or be styled in its place.
                let asks = ["src", "srcset", "poster", "data", "action", "style"];
                let is_handler = attribute.starts_with("on");
                assert!(
                    !asks.contains(&attribute.as_str()) && !is_handler,
                    "{name}: <{element} {attribute}=\"{value}\">"
                );
                let is_link = matches!(attribute.as_str(), "href" | "xlink:href");
                assert!(!is_link || value.starts_with('#'), "{name}: {value}");
            }
            let asks = ["link", "img", "iframe", "object", "embed", "base"];
            assert!(!asks.contains(&element.as_str()), "{name}: <{element}>");
        }
        for asks in ["url(", "@import", "fetch(", "XMLHttpRequest", "import("] {
            assert!(!page.contains(asks), "{name}: {asks}");
        }
        // The command prints the code of each finding in brackets.
        let checked = out(&["check", script.to_str().unwrap()]);
        let finds = checked.contains(']');
        for part in [
            "findings", "moves", "stops", "time", "torque", "schedule", "coils", "heat",
            "cautions", "inputs",
        ] {
            let wanted = part != "findings" || finds;
            let there = page.contains(&format!("id=\"{part}\""));
            assert_eq!(there, wanted, "{name}: {part}");
        }
        assert_eq!(
            page,
            report(&script, &folder.path().join("again.html")),
            "{name}: same inputs, same bytes"
        );
    }
}

/// What stands in an element of the page: the text from `from` up to `to`.
fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let behind = text.split_once(from).unwrap_or_else(|| panic!("no {from}"));
    behind
        .1
        .split_once(to)
        .unwrap_or_else(|| panic!("no {to}"))
        .0
}

#[test]
fn no_move_passes_that_lags_too_far_or_loses_steps() {
    let folder = scenario();
    let script = folder.path().join("turntable.moves");
    let rig = folder.path().join("turntable.yaml");
    // Torque in plenty, and full steps near resonance: the rotor swings far.
    edit(&rig, "microsteps: 16", "microsteps: 1");
    let (mut far, mut lost) = (0, 0);
    for speed in ["120", "200", "260"] {
        let text = format!(
            "rig \"turntable.yaml\"\nbands allow\nspeed {speed} deg/s\naccel 4000 deg/s^2\nturn by 720 deg\n"
        );
        fs::write(&script, text).unwrap();
        let page = report(&script, &folder.path().join("page.html"));
        let moves = between(&page, "id=\"moves\"", "</section></section>");
        for row in moves.split("<tr data-row").skip(1) {
            let verdict = between(row, "<td class=\"tone ", "</td>");
            let cells: Vec<&str> = row.split("</td>").collect();
            let lag = cells[2].rsplit('>').next().unwrap();
            if lag.ends_with("steps lost") {
                lost += 1;
                assert!(verdict.ends_with(">fail"), "{row}");
            } else if lag.trim_end_matches('°').parse::<f64>().unwrap() >= 150.0 {
                far += 1;
                assert!(!verdict.ends_with(">pass"), "{row}");
            }
        }
    }
    assert!(far + lost > 0, "none of them swings far");
}

#[test]
fn the_plots_begin_with_one_pass_and_a_long_repeat_ends_them_honestly() {
    let folder = scenario();
    let script = folder.path().join("turntable.moves");
    let write = |text: &str| {
        fs::write(
            &script,
            format!("rig \"turntable.yaml\"\nspeed 120 deg/s\naccel 400 deg/s^2\n{text}"),
        )
        .unwrap();
        report(&script, &folder.path().join("page.html"))
    };
    let instants = |page: &str| -> Value {
        let data = between(page, "type=\"application/json\">", "</script>");
        serde_json::from_str(data).unwrap()
    };
    // 45 degrees at 120 deg/s and 400 deg/s² take 120/400 + 45/120 s.
    let pass = 0.675 + 0.325;
    let page = write("repeat 8 {\n turn by 45 deg\n dwell 325 ms\n}\n");
    let data = instants(&page);
    approx::assert_relative_eq!(data["first"].as_f64().unwrap(), pass, max_relative = 1e-9);
    approx::assert_relative_eq!(
        data["end"].as_f64().unwrap(),
        8.0 * pass,
        max_relative = 1e-9
    );
    let times = data["plots"].as_array().unwrap().iter();
    let times: Vec<&Value> = times.filter(|plot| plot["kind"] == "time").collect();
    assert!(times.len() >= 5, "{}", times.len());
    for plot in times {
        approx::assert_relative_eq!(plot["x"][1].as_f64().unwrap(), pass, max_relative = 1e-9);
    }
    assert!(page.contains("The plots begin with the first 1 s of 8 s"));
    // Nothing moves again: all of it is shown.
    let data = instants(&write("turn by 45 deg\ndwell 325 ms\nturn by 90 deg\n"));
    assert_eq!(data["first"], data["end"]);
    // Passes that are left out are left out of the plots, with what comes behind them.
    let page = write("repeat 100000 {\n turn by 45 deg\n dwell 325 ms\n}\nturn by 90 deg\n");
    let data = instants(&page);
    let shown = data["moves"].as_array().unwrap().len();
    assert!(shown < 2000, "{shown}");
    assert!(page.contains(&format!("The plots hold the first {shown} moves.")));
    let line = |one: &Value| one[2].as_u64().unwrap();
    let lines: Vec<u64> = data["moves"].as_array().unwrap().iter().map(line).collect();
    assert!(lines.iter().all(|line| *line == 5), "{lines:?}");
}

#[test]
fn stops_are_shown_from_close_by_and_their_errors_on_the_circle() {
    let folder = scenario();
    let script = folder.path().join("turntable.moves");
    // 16 microsteps and 2:1: 6400 of them a turn, and 360/7 degrees are no whole number.
    fs::write(
        &script,
        "rig \"turntable.yaml\"\nspeed 120 deg/s\naccel 400 deg/s^2\nrepeat 7 {\n turn by 360/7 deg\n dwell 1 s\n}\n",
    )
    .unwrap();
    let page = report(&script, &folder.path().join("page.html"));
    let stops = between(&page, "id=\"stops\"", "id=\"time\"");
    for part in [
        "Stop of line 5",
        "Overshoot ",
        "Phase currents at the stop of line 5",
        "table stops at 7 places",
    ] {
        assert!(stops.contains(part), "no {part}");
    }
    // Each place with its rounding: k·6400/7 to the nearest whole, of 360/6400 degrees each.
    let table = stops.rsplit("<tbody>").next().unwrap();
    let rows: Vec<&str> = table.split("<tr>").skip(1).collect();
    assert_eq!(rows.len(), 7);
    for (place, row) in rows.iter().enumerate() {
        let asked = place as f64 * 6400.0 / 7.0;
        let cell = |from: &str| between(row, from, "<").parse::<f64>().unwrap();
        let at = cell("scope=\"row\">");
        approx::assert_abs_diff_eq!(at, asked.round() * 360.0 / 6400.0, epsilon = 0.06);
        let error = cell("<td class=\"number\">");
        approx::assert_abs_diff_eq!(
            error,
            (asked.round() - asked) * 360.0 / 6400.0,
            epsilon = 1e-5
        );
    }
}

#[test]
fn controls_of_the_writing_direction_are_shown_and_not_obeyed() {
    let folder = scenario();
    // Such a name reads as another one: U+202E turns what follows round.
    let script = folder.path().join("table\u{202e}sevom.moves");
    fs::rename(folder.path().join("turntable.moves"), &script).unwrap();
    edit(
        &script,
        "repeat stops {",
        "mark \"a\u{2067}b\u{200f}c\"\nrepeat stops {",
    );
    let page = report(&script, &folder.path().join("page.html"));
    let hidden = |letter: char| matches!(letter, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    assert!(!page.contains(hidden));
    assert!(between(&page, "<title>", "</title>").starts_with("table[U+202E]sevom.moves"));
    assert!(page.contains("<h1>table[U+202E]sevom.moves</h1>"));
    assert!(page.contains("a[U+2067]b[U+200F]c"));
    let drawn = folder.path().join("moves.svg");
    out(&[
        "plot",
        script.to_str().unwrap(),
        "-o",
        drawn.to_str().unwrap(),
    ]);
    assert!(!fs::read_to_string(&drawn).unwrap().contains(hidden));
}

#[test]
fn the_report_says_why_a_move_must_not_run_and_what_cures_it() {
    let folder = scenario();
    let script = folder.path().join("turntable.moves");
    edit(&script, "accel 400 deg/s^2", "accel 400000 deg/s^2");
    let page = report(&script, &folder.path().join("page.html"));
    for part in [
        "Must not run",
        "[torque-margin]",
        "Cure: accel 400000 →",
        "Cause and cure",
        "(<code>torque_margin</code>, default 15 %",
    ] {
        assert!(page.contains(part), "no {part}");
    }
}

#[test]
fn whatever_the_inputs_hold_is_shown_and_never_run() {
    let folder = scenario();
    let script = folder.path().join("turntable.moves");
    edit(
        &script,
        "# A turntable",
        "# </pre></script><script>alert(1)</script><img src=x onerror=alert(1)> A turntable",
    );
    edit(
        &folder.path().join("turntable.yaml"),
        "42 mm frame",
        "</script><script>alert(2)</script> 42 mm frame",
    );
    let page = report(&script, &folder.path().join("page.html"));
    assert!(page.contains("&lt;/pre&gt;&lt;/script&gt;&lt;script&gt;alert(1)"));
    for raw in ["<script>alert", "<img"] {
        assert!(!page.contains(raw), "{raw}");
    }
}

#[test]
fn a_browser_and_its_auditors_find_nothing_wrong_with_the_reports() {
    let folder = scenario();
    let mut pages = Vec::new();
    let failing = folder.path().join("turntable.moves");
    edit(&failing, "accel 400 deg/s^2", "accel 400000 deg/s^2");
    for script in files("examples", "moves").into_iter().chain([failing]) {
        let page = folder
            .path()
            .join(script.with_extension("html").file_name().unwrap());
        report(&script, &page);
        pages.push(page);
    }
    let pictures = root().join("target/pictures");
    fs::create_dir_all(&pictures).unwrap();
    support::browser_looks("reports.mjs", [pictures].iter().chain(&pages));
}

#[test]
fn an_open_page_of_watch_keeps_itself_up_to_date() {
    let folder = scenario();
    support::browser_looks("watched.mjs", [Path::new(PROGRAM), folder.path()]);
}

/// Reads the page until it says `words`, however long that takes, as long as `watch` runs.
fn wait_for(watch: &mut Child, page: &Path, words: &str) {
    while !fs::read_to_string(page).is_ok_and(|text| text.contains(words)) {
        let ended = watch.try_wait().unwrap();
        assert!(ended.is_none(), "it ended before {words} came: {ended:?}");
        // A pause between two looks, on which nothing depends.
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[cfg(unix)]
#[test]
fn watch_shows_errors_in_place_of_the_result_and_takes_them_away_again() {
    let folder = scenario();
    let (script, rig) = (
        folder.path().join("turntable.moves"),
        folder.path().join("turntable.yaml"),
    );
    let page = folder.path().join("page.html");
    let mut watch = Command::new(PROGRAM)
        .args([
            "watch",
            script.to_str().unwrap(),
            "-o",
            page.to_str().unwrap(),
        ])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    wait_for(&mut watch, &page, "<strong>May run");
    edit(&script, "speed 120", "sped 120");
    wait_for(&mut watch, &page, "<strong>Invalid input");
    // The page says when, and what has changed, in the words of `check`.
    wait_for(
        &mut watch,
        &page,
        " UTC: Invalid input; before: May run</p>",
    );
    wait_for(&mut watch, &page, "unknown-statement");
    edit(&script, "sped 120", "speed 120");
    wait_for(&mut watch, &page, "<strong>May run");
    wait_for(&mut watch, &page, " UTC: May run, as before</p>");
    edit(&rig, "supply: 24 V", "supply: 24 A");
    wait_for(&mut watch, &page, "unit-mismatch");
    fs::remove_file(&rig).unwrap();
    wait_for(&mut watch, &page, "rig-unreadable");
    out(&["new", folder.path().join("other").to_str().unwrap()]);
    fs::rename(folder.path().join("other/turntable.yaml"), &rig).unwrap();
    wait_for(&mut watch, &page, "<strong>May run");
    let interrupt = Command::new("kill")
        .args(["-INT", &watch.id().to_string()])
        .status()
        .unwrap();
    assert!(interrupt.success());
    let ended = watch.wait_with_output().unwrap();
    assert_eq!(
        ended.status.code(),
        Some(130),
        "as Ctrl-C ends every command"
    );
    let shown = String::from_utf8(ended.stdout).unwrap();
    assert_eq!(shown.matches("May run").count(), 3, "{shown}");
    let wrong = String::from_utf8(ended.stderr).unwrap();
    assert!(
        wrong.contains("sped 120") && wrong.contains("24 A"),
        "{wrong}"
    );
    assert!(!shown.contains('\x1b'), "no terminal, no control codes");
}

/// Hyphenated words in quotation marks that are no codes: words of the rig and the
/// script, and names inside the program.
const NO_CODES: [&str; 23] = [
    "phase-enable",
    "await-pressed",
    "full-step",
    "await-released",
    "seek-released",
    "spin-down",
    "ring-down",
    "start-stop",
    "pull-out",
    "fixed-voltage",
    "linear-current",
    "two-phase",
    "half-step",
    "s-curve",
    "full-torque",
    "kebab-case",
    "forced-response",
    "sans-serif",
    "axe-core",
    "slewsmith-check",
    "aria-label",
    "noto-sans",
    "content-security",
];

/// Every hyphenated word in quotation marks in the sources, the tests within them and
/// the pages' texts left out.
fn words_in_sources(folder: &Path, words: &mut BTreeSet<String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() && !path.ends_with("tests") {
            words_in_sources(&path, words);
        } else if path.extension().is_some_and(|end| end == "rs") {
            let text = fs::read_to_string(&path).unwrap();
            // Tests within a file stand at its end.
            let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap();
            let lines = code
                .lines()
                .filter(|line| !line.trim_start().starts_with("//"));
            for line in lines {
                words.extend(
                    line.split('"')
                        .filter(|word| is_code(word))
                        .map(str::to_owned),
                );
            }
        }
    }
}

fn is_code(word: &str) -> bool {
    let mut parts = word.split('-');
    let lower = |part: &str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_lowercase());
    word.contains('-') && parts.all(lower)
}

#[test]
fn every_code_in_the_sources_is_explained_and_every_explanation_has_its_code() {
    let mut used = BTreeSet::new();
    for part in [
        "check",
        "cli",
        "diagnostic.rs",
        "identify",
        "job",
        "physics",
        "plan",
        "player",
        "rig",
        "schedule",
        "script",
        "draw/report",
    ] {
        let path = root().join("src").join(part);
        if path.is_dir() {
            words_in_sources(&path, &mut used);
        }
    }
    used.retain(|word| !NO_CODES.contains(&word.as_str()));
    let listed: Value = serde_json::from_str(&out(&["explain", "--json"])).unwrap();
    // A symptom is what a reader sees; nothing says it.
    let explained: BTreeSet<String> = listed["codes"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|one| one["area"] != "what a drive does on the bench")
        .map(|one| one["code"].as_str().unwrap().to_owned())
        .collect();
    let missing: Vec<_> = used.difference(&explained).collect();
    assert!(missing.is_empty(), "without an explanation: {missing:?}");
    let unused: Vec<_> = explained.difference(&used).collect();
    assert!(unused.is_empty(), "explained, but never said: {unused:?}");
}

#[test]
fn explain_says_what_a_code_means_and_suggests_the_nearest() {
    let full = out(&["explain", "torque-margin"]);
    assert!(
        full.contains("pull-out torque") && full.contains("Acarnley"),
        "{full}"
    );
    assert_eq!(full, out(&["explain", "[torque-margin]"]));
    let wrong = run(&["explain", "torque-margn"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("torque-margin"));
    assert!(
        out(&["explain"])
            .lines()
            .all(|line| line.chars().count() <= 100)
    );
}

/// What an independent validator says of each file.
fn validated(schema: &str, paths: &[PathBuf]) -> Option<Vec<String>> {
    let folder = TempDir::new().unwrap();
    let file = folder.path().join("schema.json");
    fs::write(&file, out(&["schema", schema])).unwrap();
    let said = support::python_says("outside/schemas.py", [&file].into_iter().chain(paths))?;
    Some(said.lines().map(str::to_owned).collect())
}

#[test]
fn what_the_commands_print_fits_the_schemas_and_what_is_broken_does_not() {
    let folder = TempDir::new().unwrap();
    for command in ["check", "plan", "simulate", "motor"] {
        let ending = if command == "motor" { "yaml" } else { "moves" };
        let mut paths = Vec::new();
        for (number, input) in files("examples", ending).iter().enumerate() {
            let text = out(&[command, input.to_str().unwrap(), "--json"]);
            let path = folder.path().join(format!("{command}-{number}.json"));
            fs::write(&path, &text).unwrap();
            paths.push(path);
            // The same without one of its fields, and with one that nobody knows.
            let whole: Value = serde_json::from_str(&text).unwrap();
            let list = if command == "motor" { "axes" } else { "moves" };
            let mut without = whole.clone();
            without[list][0].as_object_mut().unwrap().remove("axis");
            let mut with = whole.clone();
            with[list][0]["surprise"] = Value::from(1);
            for (kind, broken) in [("without", without), ("with", with)] {
                let path = folder
                    .path()
                    .join(format!("{command}-{number}-{kind}.json"));
                fs::write(&path, broken.to_string()).unwrap();
                paths.push(path);
            }
        }
        let Some(said) = validated(command, &paths) else {
            return;
        };
        assert_eq!(said.len(), paths.len());
        for (number, (path, said)) in paths.iter().zip(&said).enumerate() {
            let good = number % 3 == 0;
            assert_eq!(said == "valid", good, "{}: {said}", path.display());
        }
    }
}

#[test]
fn good_rigs_fit_the_schema_and_broken_ones_do_not() {
    let folder = scenario();
    let rig = fs::read_to_string(folder.path().join("turntable.yaml")).unwrap();
    let broken = [
        ("supply: 24 V", "suply: 24 V"),
        ("supply: 24 V", "supply: 24"),
        ("kind: chopper", "kind: steam"),
        ("kind: chopper", "kind: fixed-voltage"),
        ("microsteps: 16", "microsteps: 300"),
        ("gearing: 2:1", "gearing: 2"),
        ("rotor_teeth: 50", "rotor_teeth: fifty"),
        ("prescaler: 8", "prescaler: 0"),
        ("timer:", "clock:"),
    ];
    let mut paths = files("examples", "yaml");
    paths.push(folder.path().join("turntable.yaml"));
    let good = paths.len();
    for (number, (from, to)) in broken.iter().enumerate() {
        assert!(rig.contains(from), "{from}");
        let path = folder.path().join(format!("broken-{number}.yaml"));
        fs::write(&path, rig.replacen(from, to, 1)).unwrap();
        // The program itself refuses it as well.
        assert_eq!(
            run(&["motor", path.to_str().unwrap()]).status.code(),
            Some(2),
            "{to}"
        );
        paths.push(path);
    }
    let Some(said) = validated("rig", &paths) else {
        return;
    };
    for (number, (path, said)) in paths.iter().zip(&said).enumerate() {
        assert_eq!(said == "valid", number < good, "{}: {said}", path.display());
    }
}

#[test]
fn completions_know_every_command_and_manual_pages_hold_the_examples() {
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let text = out(&["completions", shell]);
        for command in ["check", "report", "watch", "explain"] {
            assert!(text.contains(command), "{command} for {shell}");
        }
    }
    let folder = TempDir::new().unwrap();
    out(&["manual", folder.path().join("man1").to_str().unwrap()]);
    let pages = fs::read_dir(folder.path().join("man1")).unwrap().count();
    assert!(pages > 10, "{pages}");
    let page = fs::read_to_string(folder.path().join("man1/slewsmith-check.1")).unwrap();
    assert!(
        page.contains("examples/carousel.moves") && page.contains(".TH"),
        "{page}"
    );
}

#[test]
fn every_help_text_has_a_worked_example() {
    let help = out(&["--help"]);
    let commands = help
        .lines()
        .skip_while(|line| !line.starts_with("Commands:"))
        .skip(1);
    let commands: Vec<&str> = commands
        .take_while(|line| !line.trim().is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|command| *command != "help")
        .collect();
    assert!(commands.len() > 10, "{commands:?}");
    for command in commands {
        let help = out(&[command, "--help"]);
        assert!(help.contains("Example"), "{command}");
        assert!(help.contains(&format!("slewsmith {command}")), "{command}");
    }
}

#[test]
fn a_trace_of_the_simulator_is_laid_over_the_plan() {
    let folder = scenario();
    let file = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    out(&[
        "simulate",
        &file("turntable.moves"),
        "--trace",
        &file("trace.csv"),
        "--every",
        "5 ms",
    ]);
    out(&[
        "plot",
        &file("turntable.moves"),
        "--recorded",
        &file("trace.csv"),
        "-o",
        &file("over.svg"),
    ]);
    let drawn = fs::read_to_string(folder.path().join("over.svg")).unwrap();
    for part in [
        "Position of table over time",
        "recorded less planned",
        "Lag of table over time",
    ] {
        assert!(drawn.contains(part), "no {part}");
    }
    let wrong = run(&[
        "plot",
        &file("turntable.moves"),
        "--recorded",
        &file("turntable.yaml"),
        "-o",
        &file("over.svg"),
    ]);
    assert_eq!(
        wrong.status.code(),
        Some(2),
        "{}",
        String::from_utf8_lossy(&wrong.stderr)
    );
}
