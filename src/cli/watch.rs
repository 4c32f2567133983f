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
pub(super) struct WatchCommand {
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
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
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
        let mut before = None;
        loop {
            let mut files = Stamps::new();
            let (page, news) = self.look(terminal, &mut files, &mut before);
            let page = page.with_news(news).revised().html();
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
    /// same and what is new. `files` receives what was read; `before` is the verdict of the
    /// run before.
    fn look(
        &self,
        terminal: &mut Terminal,
        files: &mut Stamps,
        before: &mut Option<WatchedVerdict>,
    ) -> (Page, String) {
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
        let time = time_of_day(SystemTime::now());
        match looked {
            Ok((job, page)) => {
                // The page says the same, wherever the terminal has gone.
                if let Err(failure) = check::show(&job, terminal) {
                    terminal.show_failure(&failure);
                }
                let now = WatchedVerdict::of(&job).ok();
                let changed = match (&*before, &now) {
                    (Some(before), Some(now)) => now.since(before),
                    (None, Some(now)) => now.word().to_owned(),
                    (_, None) => "checked".to_owned(),
                };
                let news = format!("{time}: {changed}");
                terminal.note(&news);
                *before = now;
                (page, news)
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
                let last = before.as_ref();
                let last = last.map(|last| format!("; before: {}", last.word()));
                let news = format!("{time}: Invalid input{}", last.unwrap_or_default());
                terminal.note(&news);
                (Page::of_problems(title, drawn), news)
            }
        }
    }
}

/// What a check said, to tell what has changed since.
#[derive(Debug, PartialEq, Eq)]
struct WatchedVerdict {
    ok: bool,
    /// Kinds of findings with their lines.
    found: BTreeSet<String>,
}

impl WatchedVerdict {
    fn of(job: &Job) -> Result<Self, Error> {
        let mut found = BTreeSet::new();
        let mut checks = job.check();
        for checked in checks.by_ref() {
            let checked = checked?;
            let findings = checked.findings().chain(&checked.changes);
            found.extend(
                findings.map(|one| format!("line {} [{}]", checked.planned.line, one.code)),
            );
        }
        let summary = checks.of_the_motion()?;
        found.extend(summary.findings.iter().map(|one| format!("[{}]", one.code)));
        Ok(Self {
            ok: summary.ok,
            found,
        })
    }

    /// The verdict in the words of `check`.
    const fn word(&self) -> &'static str {
        if self.ok { "May run" } else { "Must not run" }
    }

    /// What is otherwise than it was before.
    fn since(&self, before: &Self) -> String {
        let (now, was) = (self.word(), before.word());
        let mut parts = vec![match self.ok == before.ok {
            true => format!("{now}, as before"),
            false => format!("{now}; before: {was}"),
        }];
        let new: Vec<&str> = self
            .found
            .difference(&before.found)
            .map(String::as_str)
            .collect();
        let gone: Vec<&str> = before
            .found
            .difference(&self.found)
            .map(String::as_str)
            .collect();
        for (word, some) in [("new", new), ("gone", gone)] {
            if !some.is_empty() {
                parts.push(format!("{word}: {}", some.join(", ")));
            }
        }
        parts.join("; ")
    }
}

/// The time of day in UTC, which needs to know of no zone.
fn time_of_day(now: SystemTime) -> String {
    let since = now.duration_since(SystemTime::UNIX_EPOCH);
    let second = since.map_or(0, |since| since.as_secs() % 86_400);
    let (hour, minute) = (second / 3600, second / 60 % 60);
    format!("{hour:02}:{minute:02}:{:02} UTC", second % 60)
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

#[cfg(test)]
mod tests {
    use super::*;

    fn verdict(ok: bool, found: &[&str]) -> WatchedVerdict {
        let found = found.iter().map(|one| (*one).to_owned()).collect();
        WatchedVerdict { ok, found }
    }

    #[test]
    fn what_changed_in_a_verdict_is_told() {
        let before = verdict(true, &["line 3 [cruise-moved]", "[load-drops]"]);
        let now = verdict(false, &["line 3 [torque-margin]", "[load-drops]"]);
        assert_eq!(
            now.since(&before),
            "Must not run; before: May run; new: line 3 [torque-margin]; gone: line 3 [cruise-moved]"
        );
        assert_eq!(now.since(&now), "Must not run, as before");
    }

    #[test]
    fn the_time_of_day_is_that_of_the_clock() {
        let at = SystemTime::UNIX_EPOCH + Duration::from_secs(86_400 * 365 + 3_600 * 13 + 62);
        assert_eq!(time_of_day(at), "13:01:02 UTC");
    }
}
