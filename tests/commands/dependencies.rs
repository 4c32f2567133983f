//! What the program is made of: its licences allow what this project's does, no crate is there
//! twice without a reason, and lists of packages hold nobody's links.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

/// Licences whose terms shipping a binary meets by shipping their texts.
const PERMISSIVE: [&str; 12] = [
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "ISC",
    "MIT",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];
/// Crates under the MPL-2.0; DEVELOPERS.md says what shipping them takes.
const MOZILLA: [&str; 2] = ["corncobs", "serialport"];
/// Crates in several versions, and who still needs the older one.
const TWICE: [(&str, &str); 3] = [
    ("bitflags", "serialport, through nix 0.26"),
    ("miniz_oxide", "png"),
    ("syn", "maud_macros"),
];
/// Crates that are used with their default features, and what these are; all others name what
/// they need.
const WITH_DEFAULTS: [(&str, &str); 20] = [
    ("annotate-snippets", "std"),
    ("anstream", "colours on the terminals of every system"),
    ("anstyle", "std"),
    (
        "clap",
        "std, colours, help, usage, near words: all of them are printed",
    ),
    ("clap_complete", "none"),
    ("clap_mangen", "none"),
    ("crc", "none"),
    ("csv", "none"),
    ("ctrlc", "none"),
    ("levenberg-marquardt", "none"),
    (
        "libm",
        "instructions that round as the code in their place does",
    ),
    ("nom", "std"),
    ("nom_locate", "std"),
    ("notify", "the watcher of each system"),
    ("rayon", "none"),
    ("serde", "std"),
    ("serde_json", "std"),
    ("strsim", "none"),
    ("terminal_size", "none"),
    ("thiserror", "std"),
];

/// A line of the tree of dependencies.
struct Package {
    name: String,
    version: String,
    licence: String,
}

/// Everything that is compiled on this system: for the program, and for tests where these are
/// wanted as well.
fn packages(kinds: &str) -> Vec<Package> {
    let printed = Command::new(env!("CARGO"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(["tree", "--locked", "--offline", "--prefix", "none"])
        .args(["--no-dedupe", "--edges", kinds, "--format", "{p}|{l}"])
        .output()
        .unwrap();
    let complaint = String::from_utf8_lossy(&printed.stderr);
    assert!(printed.status.success(), "{complaint}");
    let text = String::from_utf8(printed.stdout).unwrap();
    let mut lines: Vec<&str> = text.lines().filter(|line| !line.is_empty()).collect();
    lines.sort_unstable();
    lines.dedup();
    assert!(lines.len() > 50, "{text}");
    lines
        .iter()
        .map(|line| {
            let (package, licence) = line.split_once('|').unwrap();
            let mut words = package.split(' ');
            Package {
                name: words.next().unwrap().to_owned(),
                version: words.next().unwrap().to_owned(),
                licence: licence.to_owned(),
            }
        })
        .collect()
}

/// Whether a licence expression (SPDX; with `/` as old crates write it) can be met.
fn is_permissive(licence: &str) -> bool {
    let parts = |operator| licence.split(operator).map(str::trim);
    let inside = |part: &str| is_permissive(part.trim_start_matches('(').trim_end_matches(')'));
    if licence.contains(" AND ") {
        parts(" AND ").all(inside)
    } else if licence.contains(" OR ") {
        parts(" OR ").any(inside)
    } else if licence.contains('/') {
        parts("/").any(inside)
    } else {
        PERMISSIVE.contains(&licence.trim())
    }
}

#[test]
fn every_licence_allows_what_the_projects_own_does() {
    let mut mozilla = Vec::new();
    for package in packages("normal,build,dev") {
        if package.licence == "MPL-2.0" {
            mozilla.push(package.name);
            continue;
        }
        let Package { name, licence, .. } = package;
        assert!(is_permissive(&licence), "{name}: “{licence}”");
    }
    assert_eq!(mozilla, MOZILLA);
    for unmet in ["GPL-3.0-only", "", "MIT AND GPL-3.0-only", "MPL-2.0"] {
        assert!(!is_permissive(unmet), "{unmet}");
    }
    for met in ["MIT OR GPL-3.0-only", "(MIT OR Apache-2.0) AND Unicode-3.0"] {
        assert!(is_permissive(met), "{met}");
    }
}

#[test]
fn no_crate_is_there_twice_without_a_reason() {
    let mut versions: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for Package { name, version, .. } in packages("normal,build") {
        let known = versions.entry(name).or_default();
        if !known.contains(&version) {
            known.push(version);
        }
    }
    let twice = versions.iter().filter(|(_, versions)| versions.len() > 1);
    let found: Vec<&str> = twice.map(|(name, _)| name.as_str()).collect();
    assert_eq!(found, TWICE.map(|(name, _)| name));
    for (_, reason) in TWICE {
        let crate_named = reason.split([',', ' ']).next().unwrap();
        assert!(versions.contains_key(crate_named), "{reason}");
    }
}

/// What a fresh clone has to compile. The number was chosen when there were 216.
#[test]
fn the_program_is_built_of_at_most_160_crates() {
    let crates = packages("normal,build").len();
    assert!(crates <= 160, "{crates} crates");
}

#[test]
fn default_features_are_off_where_they_are_not_used() {
    let printed = Command::new(env!("CARGO"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args([
            "metadata",
            "--locked",
            "--offline",
            "--no-deps",
            "--format-version",
            "1",
        ])
        .output()
        .unwrap();
    let told: Value = serde_json::from_slice(&printed.stdout).unwrap();
    let dependencies = told["packages"][0]["dependencies"].as_array().unwrap();
    let with_defaults = dependencies
        .iter()
        .filter(|one| one["kind"] != "dev" && one["uses_default_features"] == true)
        .map(|one| one["name"].as_str().unwrap());
    let mut found: Vec<&str> = with_defaults.collect();
    found.sort_unstable();
    assert_eq!(found, WITH_DEFAULTS.map(|(name, _)| name));
    let off = dependencies
        .iter()
        .filter(|one| one["uses_default_features"] == false);
    assert!(off.count() > 10, "{told}");
}

#[test]
fn the_fuzz_targets_lock_the_same_versions() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/Cargo.lock");
    let locked = std::fs::read_to_string(path).unwrap();
    for Package { name, version, .. } in packages("normal,build") {
        let version = version.trim_start_matches('v');
        let entry = format!("name = \"{name}\"\nversion = \"{version}\"\n");
        assert!(locked.contains(&entry), "{name} {version}");
    }
}

#[test]
fn the_list_of_the_pages_packages_holds_no_links_for_money() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/page/package-lock.json");
    let list = std::fs::read_to_string(path).unwrap();
    assert!(list.contains("\"license\""));
    for word in ["funding", "sponsor", "opencollective"] {
        assert!(!list.contains(word), "{word}");
    }
}
