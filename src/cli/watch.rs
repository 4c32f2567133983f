//! `watch`: checks again whenever a file of the scenario changes.
//!
//! The system tells of changes in the folders of the files; once it has been quiet for
//! a moment, the files' stamps (size, time and permissions) say whether one of them really changed.
//! The stamps are examined every second anyway, since some network drives tell nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::Permissions;
use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant, SystemTime};

use clap::Args;
use notify::{RecommendedWatcher, RecursiveMode, Watcher as _};

use super::input::read;
use super::output::{Output, refuse_inputs};
use super::progress::Progress;
use super::rehearse::RehearseOptions;
use super::{Answer, Failure, Terminal, check, report};
use slewsmith::draw::Page;
use slewsmith::rig::Files as _;
use slewsmith::{Error, FilesOnDisk, Job, TextKind};

/// A burst of changes is over when nothing has come for so long.
const QUIET: Duration = Duration::from_millis(80);
/// However long a burst lasts, the files are examined after so long.
const LOOK: Duration = Duration::from_secs(1);
/// Columns of problems on the page.
const COLUMNS: usize = 100;
/// What clears a terminal and puts the cursor into its first place (ECMA-48).
const CLEAR: &str = "\x1b[2J\x1b[3J\x1b[H";

/// Check again and rewrite the report whenever the script, the rig or a profile
/// changes, until Ctrl-C.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  slewsmith watch examples/carousel.moves -o carousel.html\n\
    An open page reloads by itself."
)]
pub struct WatchCommand {
    /// The move script.
    script: PathBuf,
    /// Report file (default: beside the script, with the
    /// extension `.html`).
    #[arg(short, long, value_name = "FILE.html")]
    output: Option<PathBuf>,
    #[command(flatten)]
    rehearse: RehearseOptions,
}

/// Size, time and permissions of a file; none if missing.
type Stamp = Option<(u64, Option<SystemTime>, Permissions)>;
/// The files of a scenario, each stamped before it was read.
type Stamps = BTreeMap<PathBuf, Stamp>;

impl WatchCommand {
    /// Runs the command until Ctrl-C.
    ///
    /// # Errors
    /// The script cannot be read at the start, or is a rig; or the first report cannot be
    /// written. What is wrong later is shown, and goes away when it is mended: the input,
    /// or a disk that is full.
    pub fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        if self.script == Path::new("-") {
            return Err(Failure::Request(
                "standard input cannot be watched; give a file".to_owned(),
            ));
        }
        // What is no script, or not there at all, is a slip; what is wrong inside can be mended.
        let script = read(&self.script)?;
        if TextKind::of(&script) == Some(TextKind::Yaml) {
            let name = script.name().to_owned();
            return Err(Error::NotAScript { name }.into());
        }
        let output = self.output.clone();
        let output = output.unwrap_or_else(|| self.script.with_extension("html"));
        let (sender, changes) = channel();
        // Where the system cannot tell of changes, the stamps are all there is.
        let mut watcher =
            notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
                if event.is_ok_and(|event| !event.kind.is_access()) {
                    // The receiver lives as long as the program.
                    let _ = sender.send(());
                }
            })
            .ok();
        let mut watched = BTreeSet::new();
        let mut written_once = false;
        loop {
            let mut files = Stamps::new();
            let page = self.look(terminal, &mut files).revised().html();
            refuse_inputs(&output, files.keys())?;
            let write = || Output::write_whole(&output, page.as_bytes());
            let mut written = write();
            if !written_once {
                written?;
                written = Ok(());
                written_once = true;
            }
            match &written {
                Ok(()) => terminal.note(&format!(
                    "the report is {}; press Ctrl-C to end",
                    output.display()
                )),
                Err(failure) => terminal.show_failure(failure),
            }
            watch_folders(watcher.as_mut(), &files, &mut watched);
            let mut tried = Instant::now();
            wait(&changes, || {
                // Each try is a change in the folder, too.
                if written.is_err() && tried.elapsed() >= LOOK {
                    written = write();
                    tried = Instant::now();
                    if written.is_ok() {
                        terminal.note(&format!("the report is in {} now", output.display()));
                    }
                }
                files.iter().any(|(path, known)| stamp(path) != *known)
            });
        }
    }

    /// Checks once, shows the outcome or what is wrong, and gives the page that says the
    /// same. `files` receives what was read.
    fn look(&self, terminal: &mut Terminal, files: &mut Stamps) -> Page {
        let mut note = |path: &Path| {
            files.entry(path.to_owned()).or_insert_with(|| stamp(path));
        };
        note(&self.script);
        let mut on_disk = |path: &str, referrer: &Path| {
            note(&FilesOnDisk::path(path, referrer));
            FilesOnDisk.open(path, referrer)
        };
        let busy = Progress::busy("checking", terminal);
        let read = read(&self.script);
        let looked = read.and_then(|script| {
            let job = self
                .rehearse
                .apply_silently(Job::read(script, &mut on_disk)?);
            let page = report::page(&job, &self.script)?.0;
            Ok((job, page))
        });
        drop(busy);
        if std::io::stdout().is_terminal() {
            let mut out = terminal.results();
            // A terminal that cannot be cleared shows one verdict behind the other.
            let _ = out.write_all(CLEAR.as_bytes()).and_then(|()| out.flush());
        }
        let title = report::title(&self.script);
        match looked {
            Ok((job, page)) => {
                // The page says the same, wherever the terminal has gone.
                if let Err(failure) = check::show(&job, terminal) {
                    terminal.show_failure(&failure);
                }
                page
            }
            Err(failure) => {
                let drawn = match &failure {
                    Failure::Input(diagnostics) => diagnostics
                        .0
                        .iter()
                        .map(|diagnostic| diagnostic.render(COLUMNS, false))
                        .collect(),
                    other => vec![other.to_string()],
                };
                terminal.show_failure(&failure);
                Page::of_problems(title, drawn)
            }
        }
    }
}

fn stamp(path: &Path) -> Stamp {
    let found = std::fs::metadata(path).ok()?;
    Some((found.len(), found.modified().ok(), found.permissions()))
}

/// Folders rather than files: editors put a new file in the place of the old one.
fn watch_folders(
    watcher: Option<&mut RecommendedWatcher>,
    files: &Stamps,
    watched: &mut BTreeSet<PathBuf>,
) {
    let Some(watcher) = watcher else { return };
    for file in files.keys() {
        let folder = match file.parent() {
            Some(folder) if folder != Path::new("") => folder,
            _ => Path::new("."),
        };
        if watched.insert(folder.to_owned()) {
            // A folder that cannot be watched is examined every second anyway.
            let _ = watcher.watch(folder, RecursiveMode::NonRecursive);
        }
    }
}

/// Returns when something changed, after the burst of changes is over.
fn wait(changes: &Receiver<()>, mut changed: impl FnMut() -> bool) {
    loop {
        match changes.recv_timeout(LOOK) {
            Ok(()) => while changes.recv_timeout(QUIET).is_ok() {},
            Err(RecvTimeoutError::Timeout) => {}
            // Without a watcher nobody sends.
            Err(RecvTimeoutError::Disconnected) => std::thread::sleep(LOOK),
        }
        if changed() {
            return;
        }
    }
}
