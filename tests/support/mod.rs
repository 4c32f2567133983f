//! What the tests share: the outside tools that they check against.

use std::path::{Path, PathBuf};

/// Set by `tests/run` and CI: a missing outside tool is then a failure.
const REQUIRED: &str = "SLEWSMITH_OUTSIDE_CHECKS";

/// The program `name` of the search path, or none where it is missing; then the
/// check is skipped and says so, or fails where outside checks are required.
#[allow(dead_code, reason = "each test binary uses its own part")]
pub fn tool(name: &str) -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    found(
        name,
        std::env::split_paths(&path).map(|folder| folder.join(name)),
    )
}

/// The Python of the virtual environment that `tests/run` makes.
#[allow(dead_code, reason = "each test binary uses its own part")]
pub fn python() -> Option<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    found(
        "the virtual environment target/outside",
        [root.join("target/outside/bin/python")].into_iter(),
    )
}

/// Node, and the folder where `tests/run` puts the scripts that open pages in a browser.
#[allow(dead_code, reason = "each test binary uses its own part")]
pub fn page_scripts() -> Option<(PathBuf, PathBuf)> {
    let node = tool("node")?;
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/outside-page");
    found(
        "target/outside-page with its packages",
        [folder.join("node_modules/.package-lock.json")].into_iter(),
    )?;
    Some((node, folder))
}

fn found(name: &str, mut places: impl Iterator<Item = PathBuf>) -> Option<PathBuf> {
    let place = places.find(|place| place.is_file());
    if place.is_none() {
        assert!(
            std::env::var(REQUIRED).as_deref() != Ok("required"),
            "{name} is missing, and {REQUIRED}=required: run tests/run, which installs it"
        );
        eprintln!("SKIPPED an outside check: {name} is missing (tests/run installs it)");
    }
    place
}
