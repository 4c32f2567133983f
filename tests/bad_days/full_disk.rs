//! Disks that are full, as the system makes them full: a file system of a few pages, in a mount
//! namespace of its own (unshare(1), tmpfs(5)). A file takes whole pages there, so each command
//! has to fail with one page less than its files take, and to pass with just as many.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::bench::{Bench, Outcome, PROGRAM, example};
use crate::support::{missing, tool};

/// Bytes by path; a folder has none, and a `/` at its end.
type Tree = BTreeMap<String, Vec<u8>>;

/// Mounts the disk, puts on it what was there before, runs the program, and takes out what is
/// there afterwards: a mount dies with its namespace.
const ON_THE_DISK: &str = "mount -t tmpfs -o \"$1\" tmpfs disk && cp -R old/. disk/ || exit 125
shift
\"$@\"
code=$?
cp -R disk/. after/ || exit 125
exit $code";

/// Steps a turn; no flange, length and leads; a resistance, the first way.
const ANSWERS: &str = "200\n\n\n\n1\n2.1 ohm\n";

/// A folder with the scenario that `new` writes, and an empty `disk` in it.
struct SmallDisk {
    bench: Bench,
    /// The command that makes the namespace.
    namespace: (PathBuf, &'static [&'static str]),
    page: usize,
}

impl SmallDisk {
    /// None where the system lets nobody mount.
    fn new() -> Option<Self> {
        let unshare = tool("unshare")?;
        let bench = Bench::with_scenario();
        bench.write("answers", ANSWERS);
        for folder in ["disk", "old", "after"] {
            fs::create_dir(bench.file(folder)).unwrap();
        }
        let ways: [&[&str]; 2] = [&["--mount"], &["--user", "--map-root-user", "--mount"]];
        let mounts = |way: &&&[&str]| {
            let tried = Command::new(&unshare)
                .args(**way)
                .args(["mount", "-t", "tmpfs", "-o", "nr_blocks=1", "tmpfs", "disk"])
                .current_dir(bench.path())
                .output();
            tried.is_ok_and(|output| output.status.success())
        };
        let Some(way) = ways.iter().find(mounts) else {
            missing("the right to mount a file system");
            return None;
        };
        let page = Command::new("getconf").arg("PAGESIZE").output().unwrap();
        let page = String::from_utf8(page.stdout).unwrap();
        Some(Self {
            namespace: (unshare, way),
            page: page.trim().parse().unwrap(),
            bench,
        })
    }

    fn pages(&self, tree: &Tree) -> usize {
        tree.values()
            .map(|bytes| bytes.len().div_ceil(self.page))
            .sum()
    }

    /// The command on a disk with these options of the file system; what is there afterwards.
    fn run(&self, before: &Tree, mount: &str, arguments: &[&str]) -> (Outcome, Tree) {
        put(&self.bench.file("old"), before);
        put(&self.bench.file("after"), &Tree::new());
        let (unshare, way) = &self.namespace;
        let output = Command::new(unshare)
            .args(*way)
            .args(["sh", "-c", ON_THE_DISK, "sh", mount, PROGRAM])
            .args(arguments)
            .current_dir(self.bench.path())
            .env("RAYON_NUM_THREADS", "2")
            .stdin(self.answers())
            .output();
        (output.unwrap().into(), tree(&self.bench.file("after")))
    }

    /// For a command that asks.
    fn answers(&self) -> File {
        File::open(self.bench.file("answers")).unwrap()
    }

    /// With so many pages left beside what is there before.
    fn run_with(&self, free: usize, before: &Tree, arguments: &[&str]) -> (Outcome, Tree) {
        let pages = self.pages(before) + free;
        self.run(before, &format!("nr_blocks={pages}"), arguments)
    }

    /// With room for bytes, and for no file more.
    fn run_without_names(&self, before: &Tree, arguments: &[&str]) -> (Outcome, Tree) {
        // And one for the root.
        let names = before.len() + 1;
        let mount = format!("nr_blocks=4096,nr_inodes={names}");
        self.run(before, &mount, arguments)
    }

    /// What the command comes to in a folder with room.
    fn reference(&self, before: &Tree, arguments: &[&str]) -> (Option<i32>, Tree) {
        put(&self.bench.file("disk"), before);
        let mut command = self.bench.command(arguments);
        let outcome: Outcome = command.stdin(self.answers()).output().unwrap().into();
        let code = outcome.code;
        let after = tree(&self.bench.file("disk"));
        put(&self.bench.file("disk"), &Tree::new());
        (code, after)
    }

    /// Holds a command that writes a file or a folder to it: nothing has changed where there is
    /// not enough room, and everything where there is just enough. `besides` are the pages that
    /// are taken on the way.
    fn hold(&self, before: &Tree, arguments: &[&str], besides: usize) {
        let (code, whole) = self.reference(before, arguments);
        assert!(matches!(code, Some(0 | 1)), "{arguments:?}: {code:?}");
        let mut written = whole.clone();
        written.retain(|name, bytes| before.get(name) != Some(bytes));
        let need = self.pages(&written) + besides;
        assert!(need > besides, "{arguments:?} writes nothing");
        let target = arguments
            .iter()
            .rfind(|argument| argument.starts_with("disk/"))
            .unwrap();
        let mut frees = vec![0, need / 2, need - 1];
        frees.dedup();
        let mut runs: Vec<_> = frees
            .into_iter()
            .map(|free| self.run_with(free, before, arguments))
            .collect();
        runs.push(self.run_without_names(before, arguments));
        for (outcome, after) in runs {
            let message = outcome.ended(3);
            let named = message.contains(&format!("cannot write {target}"))
                || message.contains(&format!("cannot make {target}"));
            assert!(named, "{arguments:?}: {message}");
            assert!(!message.contains(".slewsmith-"), "{message}");
            assert_same(&after, before, arguments);
        }
        let (outcome, after) = self.run_with(need, before, arguments);
        assert_eq!(outcome.code, code, "{arguments:?}: {}", outcome.err);
        assert_same(&after, &whole, arguments);
    }
}

#[track_caller]
fn assert_same(is: &Tree, wanted: &Tree, arguments: &[&str]) {
    let sizes = |tree: &Tree| -> Vec<(String, usize)> {
        let size = |(name, bytes): (&String, &Vec<u8>)| (name.clone(), bytes.len());
        tree.iter().map(size).collect()
    };
    assert_eq!(sizes(is), sizes(wanted), "{arguments:?}");
    assert!(is == wanted, "{arguments:?}: other bytes");
}

/// Makes a folder hold just that.
fn put(folder: &Path, tree: &Tree) {
    fs::remove_dir_all(folder).unwrap();
    fs::create_dir(folder).unwrap();
    for (name, bytes) in tree {
        let path = folder.join(name);
        if name.ends_with('/') {
            fs::create_dir_all(path).unwrap();
        } else {
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
        }
    }
}

fn tree(folder: &Path) -> Tree {
    let mut found = Tree::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() {
            let inner = tree(&path).into_iter();
            found.extend(inner.map(|(inner, bytes)| (format!("{name}/{inner}"), bytes)));
            found.insert(format!("{name}/"), Vec::new());
        } else {
            found.insert(name, fs::read(path).unwrap());
        }
    }
    found
}

/// A file that stands in the way: the limit of a file system is not zero, which means none.
fn ballast() -> Tree {
    Tree::from([("ballast".to_owned(), vec![b'x'])])
}

/// Each command that writes one file, over an old one.
#[test]
fn a_full_disk_keeps_the_old_file_until_there_is_room_for_the_new_one() {
    let Some(disk) = SmallDisk::new() else { return };
    let (moves, rig) = ("turntable.moves", "turntable.yaml");
    disk.bench
        .write("run.csv", "time_s,angle_deg\n0,0\n0.1,1\n")
        .write("other.yaml", disk.bench.read(rig));
    let notes = example("unknown-motor/notes.yaml");
    let emit = |format| vec!["emit", moves, "--as", format, "-o", "disk/out"];
    let coils = |format| vec!["coils", rig, "--as", format, "-o", "disk/out"];
    let mut commands: Vec<Vec<&str>> = Vec::new();
    commands.extend(["csv", "json", "vcd", "c", "binary"].map(emit));
    commands.extend(["table", "csv", "json", "c"].map(coils));
    commands.extend([
        vec!["report", moves, "-o", "disk/out.html"],
        vec!["plot", moves, "-o", "disk/out.svg"],
        vec!["plot", moves, "-o", "disk/out.png"],
        vec!["plot", rig, "--of", "heat", "-o", "disk/out.png"],
        vec!["plot", moves, "--recorded", "run.csv", "-o", "disk/out.svg"],
        vec!["simulate", moves, "--trace", "disk/out"],
        vec!["motor", rig, "--plot", "disk/out.svg"],
        vec!["compare", rig, "other.yaml", "--plot", "disk/out.png"],
        vec![
            "check",
            moves,
            "--variations",
            "2",
            "--plot",
            "disk/out.svg",
        ],
        vec!["size", moves, "--plot", "disk/out.svg"],
        vec!["identify", &notes, "-o", "disk/out"],
        vec!["identify", &notes, "--plot", "disk/out.svg"],
    ]);
    for command in commands {
        let target = command[command.len() - 1].strip_prefix("disk/").unwrap();
        let mut before = ballast();
        before.insert(target.to_owned(), b"old".to_vec());
        disk.hold(&before, &command, 0);
    }
}

/// What must not be there before, or stands beside its script.
#[test]
fn a_full_disk_takes_no_half_of_a_new_file() {
    let Some(disk) = SmallDisk::new() else { return };
    disk.hold(&ballast(), &["identify", "--ask", "disk/notes.yaml"], 0);
    let steps = [
        "emit",
        "turntable.moves",
        "--as",
        "csv",
        "-o",
        "disk/steps.csv",
    ];
    disk.hold(&ballast(), &steps, 0);
    let mut before = ballast();
    for name in ["turntable.moves", "turntable.yaml"] {
        before.insert(name.to_owned(), disk.bench.read(name).into_bytes());
    }
    let fastest = [
        "fastest",
        "disk/turntable.moves",
        "--write",
        "disk/faster.moves",
    ];
    disk.hold(&before, &fastest, 0);
}

/// Writes a player.
const PROJECT: [&str; 6] = [
    "emit",
    "turntable.moves",
    "--as",
    "firmware",
    "-o",
    "disk/made",
];

/// Each command that writes a folder.
#[test]
fn a_full_disk_takes_no_half_of_a_new_folder() {
    let Some(disk) = SmallDisk::new() else { return };
    // And the text that stands in the guard's place on the way.
    disk.hold(&ballast(), &PROJECT, 1);
    for command in [
        &["new", "disk/made"][..],
        &["new", "disk/made/deep"],
        &["bench", "turntable.yaml", "disk/made"],
        &["manual", "disk/made"],
    ] {
        disk.hold(&ballast(), command, 0);
    }
}

#[test]
fn a_full_disk_keeps_the_old_folder_until_there_is_room_for_the_new_one() {
    let Some(disk) = SmallDisk::new() else { return };
    let manual = ["manual", "disk/made"];
    let (_, mut old) = disk.reference(&ballast(), &manual);
    for (name, page) in &mut old {
        if name.ends_with(".1") {
            page.push(b'\n');
        }
    }
    disk.hold(&old, &manual, 0);
    let (_, old) = disk.reference(&ballast(), &PROJECT);
    let script = disk.bench.read("turntable.moves");
    disk.bench
        .write("turntable.moves", script.replace("360/8", "360/9"));
    let (_, new) = disk.reference(&old, &PROJECT);
    assert_ne!(old, new);
    // All of its files are written again, also those that come to the same bytes.
    let rewritten = disk.pages(&new);
    for free in [0, 1, rewritten / 4] {
        let (outcome, after) = disk.run_with(free, &old, &PROJECT);
        let message = outcome.ended(3);
        assert!(message.contains("cannot write disk/made/"), "{message}");
        assert!(!message.contains(".slewsmith-"), "{message}");
        assert_same(&after, &old, &PROJECT);
    }
    let (outcome, after) = disk.run_with(rewritten, &old, &PROJECT);
    outcome.ended(0);
    assert_same(&after, &new, &PROJECT);
}

/// Hours at the bench are not lost with the file that they were to be written to.
#[test]
fn answers_that_find_no_room_are_shown() {
    let bench = Bench::new();
    bench.write("answers", ANSWERS);
    let outcome: Outcome = bench
        .command(&["identify", "--ask", "none/notes.yaml"])
        .stdin(File::open(bench.file("answers")).unwrap())
        .output()
        .unwrap()
        .into();
    let message = outcome.ended(3);
    assert!(
        message.contains("cannot write none/notes.yaml"),
        "{message}"
    );
    assert!(
        message.contains("full_steps_a_turn: 200\nresistance: { value: 2.1 ohm }"),
        "{message}"
    );
}
