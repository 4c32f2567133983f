//! `watch` outlives what a bench does to it. A test here waits for what has to be said, and
//! for nothing else: it does not depend on how fast the machine is, and one that fails by
//! never ending has failed.

use std::fs::{self, Permissions};
use std::io::{BufRead as _, BufReader, Lines};
use std::os::unix::fs::PermissionsExt as _;
use std::process::{Child, ChildStderr, Command, ExitStatus, Stdio};

use crate::bench::{Bench, PROGRAM};
use crate::support::tool;

/// What it says once it waits for changes.
const WAITS: &str = "press Ctrl-C to end";

struct Watch {
    child: Child,
    said: Lines<BufReader<ChildStderr>>,
}

impl Watch {
    /// In an environment that these words of a shell set.
    fn start(bench: &Bench, environment: &str) -> Self {
        let mut child = Command::new("sh")
            .args(["-c", &format!("{environment} exec \"$@\""), "sh", PROGRAM])
            .args(["watch", "turntable.moves", "-o", "page.html"])
            .current_dir(bench.path())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let said = BufReader::new(child.stderr.take().unwrap()).lines();
        let mut watch = Self { child, said };
        watch.says(WAITS);
        watch
    }

    /// Waits until it says so.
    #[track_caller]
    fn says(&mut self, words: &str) -> String {
        let mut before = String::new();
        for line in self.said.by_ref().map(Result::unwrap) {
            if line.contains(words) {
                return line;
            }
            before += &line;
        }
        panic!("it ended before it said “{words}”: {before}");
    }

    fn signal(&self, name: &str) {
        let number = self.child.id().to_string();
        let sent = Command::new("kill").args(["-s", name, &number]).status();
        assert!(sent.unwrap().success());
    }

    /// Sends a signal that has to end it.
    fn ended_by(mut self, name: &str) -> ExitStatus {
        self.signal(name);
        self.child.wait().unwrap()
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        // It may have ended.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Puts `to` for `from` in the script, in one go.
fn change(bench: &Bench, from: &str, to: &str) {
    let script = bench.read("turntable.moves");
    assert!(script.contains(from));
    bench.write("new.moves", script.replace(from, to));
    fs::rename(bench.file("new.moves"), bench.file("turntable.moves")).unwrap();
}

#[test]
fn each_signal_that_ends_a_session_ends_watch_with_its_code() {
    let bench = Bench::with_scenario();
    for (signal, code) in [("HUP", 129), ("INT", 130), ("TERM", 143)] {
        let ended = Watch::start(&bench, "").ended_by(signal);
        assert_eq!(ended.code(), Some(code), "{signal}");
    }
}

/// `nohup` starts a program with hang-up ignored, and a shell its background jobs with
/// Ctrl-C ignored (POSIX).
#[test]
fn signals_that_are_ignored_from_the_start_stay_ignored() {
    let bench = Bench::with_scenario();
    let mut watch = Watch::start(&bench, "trap '' HUP INT;");
    watch.signal("HUP");
    watch.signal("INT");
    // A signal that is not ignored would have ended it by the time that it looks again.
    change(&bench, "speed 120", "speed 121");
    watch.says(WAITS);
    assert!(bench.read("page.html").contains("speed 121"));
    assert_eq!(watch.ended_by("TERM").code(), Some(143));
}

#[test]
fn a_disk_that_is_full_for_a_while_does_not_end_watch() {
    let Some(prlimit) = tool("prlimit") else {
        return;
    };
    let bench = Bench::with_scenario();
    let mut watch = Watch::start(&bench, "trap '' XFSZ;");
    let before = bench.read("page.html");
    let number = watch.child.id().to_string();
    let limit = |most: &str| {
        let size = format!("--fsize={most}:unlimited");
        let set = Command::new(&prlimit)
            .args(["--pid", &number, &size])
            .status();
        assert!(set.unwrap().success());
    };
    limit("4096");
    change(&bench, "speed 120", "speed 121");
    let said = watch.says("cannot write");
    assert!(
        said.contains("page.html") && !said.contains(".part"),
        "{said}"
    );
    assert_eq!(bench.read("page.html"), before);
    limit("unlimited");
    watch.says("the report is in page.html now");
    assert!(bench.read("page.html").contains("speed 121"));
    let names = ["page.html", "turntable.moves", "turntable.yaml"];
    assert_eq!(bench.names("."), names);
}

#[test]
fn a_change_of_permissions_is_a_change() {
    let bench = Bench::with_scenario();
    let Some(user) = bench.as_a_user() else {
        return;
    };
    let mut watch = Watch::start(&bench, &format!("{user};"));
    let allow = |mode| {
        fs::set_permissions(bench.file("turntable.moves"), Permissions::from_mode(mode)).unwrap();
    };
    allow(0o000);
    watch.says("cannot read turntable.moves");
    watch.says(WAITS);
    assert!(
        bench
            .read("page.html")
            .contains("cannot read turntable.moves")
    );
    allow(0o644);
    watch.says(WAITS);
    assert!(bench.read("page.html").contains("<strong>May run"));
}

#[test]
fn a_script_that_goes_away_and_comes_back_is_waited_for() {
    let bench = Bench::with_scenario();
    let mut watch = Watch::start(&bench, "");
    let (script, elsewhere) = (bench.file("turntable.moves"), bench.file("elsewhere.moves"));
    let text = bench.read("turntable.moves");
    // Renamed, and replaced by another file.
    fs::rename(&script, &elsewhere).unwrap();
    watch.says("there is no such file");
    watch.says(WAITS);
    fs::rename(&elsewhere, &script).unwrap();
    watch.says(WAITS);
    assert!(bench.read("page.html").contains("<strong>May run"));
    // Removed, and a folder in its place.
    fs::remove_file(&script).unwrap();
    watch.says("there is no such file");
    watch.says(WAITS);
    fs::create_dir(&script).unwrap();
    watch.says("it is a folder");
    watch.says(WAITS);
    fs::remove_dir(&script).unwrap();
    watch.says("there is no such file");
    watch.says(WAITS);
    bench.write("turntable.moves", text);
    // Half of it may be seen first.
    loop {
        watch.says(WAITS);
        if bench.read("page.html").contains("<strong>May run") {
            break;
        }
    }
    assert_eq!(watch.ended_by("INT").code(), Some(130));
}
