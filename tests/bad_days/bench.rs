//! A folder of its own for each test, and runs of the program in it.

use std::fs::{self, File, Permissions};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use tempfile::TempDir;

use crate::support::{missing, tool};

pub(crate) const PROGRAM: &str = env!("CARGO_BIN_EXE_slewsmith");

/// The path of an example.
pub(crate) fn example(name: &str) -> String {
    let examples = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples");
    examples.join(name).display().to_string()
}

pub(crate) struct Bench {
    folder: TempDir,
}

/// What a run came to.
#[derive(Debug)]
pub(crate) struct Outcome {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl From<Output> for Outcome {
    fn from(output: Output) -> Self {
        Self {
            code: output.status.code(),
            out: String::from_utf8_lossy(&output.stdout).into_owned(),
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }
}

impl Outcome {
    /// The message of a run that has to end with that exit code.
    #[track_caller]
    pub(crate) fn ended(self, code: i32) -> String {
        assert_eq!(self.code, Some(code), "{}{}", self.out, self.err);
        self.err
    }
}

impl Bench {
    pub(crate) fn new() -> Self {
        Self {
            folder: TempDir::new().unwrap(),
        }
    }

    /// With the scenario that `new` writes.
    pub(crate) fn with_scenario() -> Self {
        let bench = Self::new();
        bench.run(&["new", "."]).ended(0);
        bench
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    pub(crate) fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, text: impl AsRef<[u8]>) -> &Self {
        fs::write(self.file(name), text).unwrap();
        self
    }

    #[track_caller]
    pub(crate) fn read(&self, name: &str) -> String {
        let text = fs::read_to_string(self.file(name));
        text.unwrap_or_else(|error| panic!("{name}: {error}"))
    }

    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(PROGRAM);
        command
            .args(arguments)
            .current_dir(self.folder.path())
            .env_remove("COLUMNS")
            .stdin(Stdio::null());
        command
    }

    pub(crate) fn run(&self, arguments: &[&str]) -> Outcome {
        self.command(arguments).output().unwrap().into()
    }

    /// A run in which no file may grow beyond so many KiB: what a full disk does, at a
    /// place of our choice.
    pub(crate) fn run_on_small_disk(&self, kib: u32, arguments: &[&str]) -> Outcome {
        // The system would end the program, where a full disk lets the writing fail.
        // Blocks of 512 bytes (POSIX, `ulimit`) or, in some shells, of 1024.
        self.run_limited(&format!("trap '' XFSZ; ulimit -f {kib}"), arguments)
    }

    /// A run within the limits that these words of a shell set.
    pub(crate) fn run_limited(&self, limits: &str, arguments: &[&str]) -> Outcome {
        let output = Command::new("sh")
            .args(["-c", &format!("{limits}; exec \"$@\""), "sh", PROGRAM])
            .args(arguments)
            .current_dir(self.folder.path())
            .env("RAYON_NUM_THREADS", "2")
            .output();
        output.unwrap().into()
    }

    /// Words of a shell by which what follows runs as a user like any other, who owns the
    /// files. The superuser reads and writes everything; in a user namespace of its own
    /// (user_namespaces(7)) a process has no such rights. None where there can be none.
    pub(crate) fn as_a_user(&self) -> Option<&'static str> {
        const IN_NAMESPACE: &str = "set -- unshare --user \"$@\"";
        let locked = self.file("locked");
        self.write("locked", "");
        fs::set_permissions(&locked, Permissions::from_mode(0o000)).unwrap();
        let is_superuser = File::open(&locked).is_ok();
        fs::remove_file(&locked).unwrap();
        if !is_superuser {
            return Some(":");
        }
        tool("unshare")?;
        if self.run_limited(IN_NAMESPACE, &["--version"]).code != Some(0) {
            missing("the right to make a user namespace");
            return None;
        }
        Some(IN_NAMESPACE)
    }

    /// The names of everything in the folder or in one below it.
    pub(crate) fn names(&self, folder: &str) -> Vec<String> {
        let entries = fs::read_dir(self.file(folder)).unwrap();
        let mut names: Vec<String> = entries
            .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }
}
