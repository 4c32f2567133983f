//! The same inputs give the same bytes: whatever the number of threads, the folder, the
//! locale and the build, and from one commit to the next. `tests/reference/digests.txt` holds
//! the SHA-256 of everything that is written of every example, so that a change of bytes is
//! a decision.
//!
//! Accept new bytes:  SLEWSMITH_WRITE_DIGESTS=yes cargo test --test commands digests
//! Another build:     SLEWSMITH_PROGRAM=target/release/slewsmith cargo test --test commands digests

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use sha2::{Digest as _, Sha256};

/// What is written of a script: a name, and the command without the script.
const OF_SCRIPT: [(&str, &[&str]); 12] = [
    (
        "csv",
        &["emit", "--without-simulation", "--unchecked", "--as", "csv"],
    ),
    (
        "json",
        &[
            "emit",
            "--without-simulation",
            "--unchecked",
            "--as",
            "json",
        ],
    ),
    (
        "binary",
        &[
            "emit",
            "--without-simulation",
            "--unchecked",
            "--as",
            "binary",
        ],
    ),
    (
        "vcd",
        &["emit", "--without-simulation", "--unchecked", "--as", "vcd"],
    ),
    (
        "c",
        &["emit", "--without-simulation", "--unchecked", "--as", "c"],
    ),
    ("check", &["check", "--json"]),
    ("plan", &["plan", "--json"]),
    ("simulate", &["simulate", "--json"]),
    ("report", &["report", "-o", "-"]),
    ("svg", &["plot", "-o", "written.svg"]),
    ("png", &["plot", "-o", "written.png"]),
    (
        "firmware",
        &[
            "emit",
            "--without-simulation",
            "--unchecked",
            "--other-board",
            "--as",
            "firmware",
            "-o",
            "written",
        ],
    ),
];
/// The same of a rig.
const OF_RIG: [(&str, &[&str]); 4] = [
    ("motor", &["motor", "--json"]),
    ("coils.csv", &["coils", "--as", "csv"]),
    ("coils.json", &["coils", "--as", "json"]),
    ("coils.c", &["coils", "--as", "c"]),
];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn recorded() -> PathBuf {
    root().join("tests/reference/digests.txt")
}

fn program() -> PathBuf {
    match std::env::var_os("SLEWSMITH_PROGRAM") {
        Some(path) => root().join(path),
        None => env!("CARGO_BIN_EXE_slewsmith").into(),
    }
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let to = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &to);
        } else {
            fs::copy(entry.path(), to).unwrap();
        }
    }
}

/// The bytes of a file, or of a folder's files with their names.
fn all_of(path: &Path) -> Vec<u8> {
    if !path.is_dir() {
        return fs::read(path).unwrap();
    }
    let entries = fs::read_dir(path).unwrap();
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    files.sort();
    let mut bytes = Vec::new();
    for file in files {
        let name = file.file_name().unwrap().to_str().unwrap();
        let text = fs::read(&file).unwrap();
        bytes.extend(format!("{name} {}\n", text.len()).bytes());
        bytes.extend(text);
    }
    bytes
}

/// A place to work in: a copy of examples and profiles.
struct Place {
    _kept: tempfile::TempDir,
    examples: PathBuf,
    environment: Vec<(&'static str, &'static str)>,
}

impl Place {
    fn new(below: &str, environment: &[(&'static str, &'static str)]) -> Self {
        let kept = tempfile::tempdir().unwrap();
        let top = kept.path().join(below);
        copy(&root().join("profiles"), &top.join("profiles"));
        let examples = top.join("examples");
        copy(&root().join("examples"), &examples);
        Self {
            _kept: kept,
            examples,
            environment: environment.to_vec(),
        }
    }

    /// The digest of what a command writes of a file.
    fn digest(&self, command: &[&str], of: &str) -> String {
        let ran = Command::new(program())
            .arg(command[0])
            .arg(of)
            .args(&command[1..])
            .current_dir(&self.examples)
            .env_remove("COLUMNS")
            .envs(self.environment.iter().copied())
            .output()
            .unwrap();
        let complaint = String::from_utf8_lossy(&ran.stderr);
        let fine = matches!(ran.status.code(), Some(0 | 1));
        assert!(fine, "{command:?} {of}: {complaint}");
        let target = command.iter().find(|word| word.starts_with("written"));
        let bytes = match target {
            None => ran.stdout,
            Some(name) => {
                let path = self.examples.join(name);
                let bytes = all_of(&path);
                if path.is_dir() {
                    fs::remove_dir_all(path).unwrap();
                } else {
                    fs::remove_file(path).unwrap();
                }
                bytes
            }
        };
        assert!(!bytes.is_empty(), "{command:?} {of}");
        let digest = Sha256::digest(&bytes);
        digest.iter().map(|byte| format!("{byte:02x}")).collect()
    }

    /// Everything of the examples, by `FILE WHAT`.
    fn digests(&self) -> BTreeMap<String, String> {
        let mut all = BTreeMap::new();
        let entries = fs::read_dir(&self.examples).unwrap();
        let names = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap());
        for name in names {
            let commands: &[(&str, &[&str])] = match Path::new(&name).extension() {
                Some(end) if end == "moves" => &OF_SCRIPT,
                Some(end) if end == "yaml" => &OF_RIG,
                _ => &[],
            };
            for (what, command) in commands {
                // A header holds no seeks.
                if (*what, name.as_str()) == ("c", "candler.moves") {
                    continue;
                }
                all.insert(format!("{name} {what}"), self.digest(command, &name));
            }
        }
        assert!(all.len() > 100, "{} digests", all.len());
        all
    }
}

#[test]
fn everything_written_of_the_examples_is_what_is_recorded() {
    let one = Place::new(".", &[("RAYON_NUM_THREADS", "1")]).digests();
    let two = Place::new(
        "another folder/ä",
        &[
            ("RAYON_NUM_THREADS", "2"),
            ("LC_ALL", "tr_TR.UTF-8"),
            ("LANG", "de_DE.UTF-8"),
            ("TZ", "Asia/Kathmandu"),
        ],
    )
    .digests();
    for (of, digest) in &one {
        assert_eq!(
            two.get(of),
            Some(digest),
            "{of}: other threads, folder, locale"
        );
    }
    let text: String = one
        .iter()
        .map(|(of, digest)| format!("{digest}  {of}\n"))
        .collect();
    if std::env::var("SLEWSMITH_WRITE_DIGESTS").as_deref() == Ok("yes") {
        fs::write(recorded(), text).unwrap();
        return;
    }
    let recorded = fs::read_to_string(recorded()).unwrap();
    let changed: Vec<&str> = text
        .lines()
        .filter(|line| !recorded.lines().any(|one| one == *line))
        .map(|line| &line[66..])
        .collect();
    assert!(
        changed.is_empty() && text == recorded,
        "these bytes are not the recorded ones; where that is meant:\n\
         SLEWSMITH_WRITE_DIGESTS=yes cargo test --test commands digests\n{}",
        changed.join("\n")
    );
}
