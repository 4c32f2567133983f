//! What the tests share: the outside tools that they check against.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Set by `tests/run` and CI: a missing outside tool is then a failure.
const REQUIRED: &str = "SLEWSMITH_OUTSIDE_CHECKS";

/// The program `name` of the search path, or none where it is missing; then the
/// check is skipped and says so, or fails where outside checks are required.
#[allow(dead_code, reason = "each test binary uses its own part")]
pub(crate) fn tool(name: &str) -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    found(
        name,
        std::env::split_paths(&path).map(|folder| folder.join(name)),
    )
}

/// The Python of the virtual environment that `tests/run` makes.
#[allow(dead_code, reason = "each test binary uses its own part")]
pub(crate) fn python() -> Option<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    found(
        "the virtual environment target/outside",
        [root.join("target/outside/bin/python")].into_iter(),
    )
}

/// What the Python script of that path below `tests/` prints; none where Python is
/// missing. It has to end well.
#[allow(dead_code, reason = "each test binary uses its own part")]
#[track_caller]
pub(crate) fn python_says(
    script: &str,
    arguments: impl IntoIterator<Item = impl AsRef<OsStr>>,
) -> Option<String> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests")
        .join(script);
    Some(said(Command::new(python()?).arg(path).args(arguments)))
}

/// Has a script of `tests/outside/page` look at pages in a browser, where there are Node,
/// its packages and the browser. It has to end well.
#[allow(dead_code, reason = "each test binary uses its own part")]
#[track_caller]
pub(crate) fn browser_looks(script: &str, arguments: impl IntoIterator<Item = impl AsRef<OsStr>>) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/outside-page");
    let packages = folder.join("node_modules/.package-lock.json");
    let there = found(
        "target/outside-page with its packages",
        [packages].into_iter(),
    );
    if let (Some(node), Some(_), Some(_)) = (tool("node"), tool("chromium"), there) {
        said(Command::new(node).arg(folder.join(script)).args(arguments));
    }
}

/// What a program prints, which has to end well and without a complaint.
#[allow(dead_code, reason = "each test binary uses its own part")]
#[track_caller]
pub(crate) fn said(program: &mut Command) -> String {
    let output = program.output().expect("the program starts");
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{complaint}");
    assert_eq!(complaint, "", "nothing to complain about");
    String::from_utf8(output.stdout).expect("text")
}

fn found(name: &str, mut places: impl Iterator<Item = PathBuf>) -> Option<PathBuf> {
    let place = places.find(|place| place.is_file());
    if place.is_none() {
        assert!(
            !is_required(),
            "{name} is missing, and {REQUIRED}=required: run tests/run, which installs it"
        );
        eprintln!("SKIPPED an outside check: {name} is missing (tests/run installs it)");
    }
    place
}

fn is_required() -> bool {
    std::env::var(REQUIRED).as_deref() == Ok("required")
}

/// Says that a check is skipped for want of something that cannot be installed, or fails where
/// outside checks are required.
#[allow(dead_code, reason = "each test binary uses its own part")]
#[track_caller]
pub(crate) fn missing(what: &str) {
    assert!(!is_required(), "{what} is missing, and {REQUIRED}=required");
    eprintln!("SKIPPED an outside check: {what} is missing");
}
