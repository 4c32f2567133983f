//! `bench`: test programs for a rig, with a sheet for whoever runs them.

use std::path::{Component, Path, PathBuf};

use clap::Args;

use super::exchange::{Exchange, TargetFolder};
use super::input::{load_rig, tell_guesses};
use super::{Answer, Failure, Terminal};
use slewsmith::MotorSheet;
use slewsmith::identify::bench::{programs, sheet};

/// Test programs for a rig (ring-down, start-stop rate, pull-out, return, microstep angles), and
/// a sheet: the first power-up, what to connect, what to write down, when to stop.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith bench examples/carousel.yaml carousel-bench")]
pub(super) struct BenchCommand {
    /// The rig.
    rig: PathBuf,
    /// The folder to write to; made where it is missing.
    folder: PathBuf,
}

impl BenchCommand {
    /// Runs the command. Files that are there already are left alone.
    ///
    /// # Errors
    /// Wrong input, a file that is there already, or a folder that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let rig = load_rig(&self.rig)?;
        tell_guesses(&rig, terminal);
        let _made = TargetFolder::make(&self.folder)?;
        let folder = self.folder.canonicalize().map_err(Failure::system(format!(
            "cannot find {}",
            self.folder.display()
        )))?;
        let place = self.rig.canonicalize().map_err(Failure::system(format!(
            "cannot find {}",
            self.rig.display()
        )))?;
        let named = relative(&folder, &place);
        let mut files = vec![("sheet.md".to_owned(), sheet(&rig.axes))];
        for of_motor in MotorSheet::all(&rig) {
            let axis = of_motor.axis;
            let start_stop = of_motor.ability.start_stop(axis).rate;
            let end = of_motor.range.to_step_rate_hz;
            let of_axis = programs(&named, axis, start_stop, end).into_iter();
            files.extend(of_axis.map(|file| (file.name, file.text)));
        }
        if let Some((name, _)) = files.iter().find(|(name, _)| folder.join(name).exists()) {
            return Err(Failure::Request(format!(
                "{} already exists; nothing was written",
                self.folder.join(name).display()
            )));
        }
        let mut exchange = Exchange::default();
        for (name, text) in &files {
            exchange.add(&self.folder.join(name), text)?;
        }
        exchange.finish_new()?;
        for (name, _) in &files {
            terminal.note(&format!("wrote {}", self.folder.join(name).display()));
        }
        terminal.note("`slewsmith explain SYMPTOM` tells the causes of a symptom apart");
        Ok(Answer::Yes)
    }
}

/// `path` as a file in `folder` names it, with `/` between; both are absolute.
fn relative(folder: &Path, path: &Path) -> String {
    let (from, to): (Vec<Component<'_>>, Vec<Component<'_>>) =
        (folder.components().collect(), path.components().collect());
    let shared = from
        .iter()
        .zip(&to)
        .take_while(|(one, other)| one == other)
        .count();
    let up = from[shared..].iter().map(|_| "..".to_owned());
    let down = to[shared..]
        .iter()
        .map(|part| part.as_os_str().to_string_lossy().into_owned());
    up.chain(down).collect::<Vec<_>>().join("/")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rig_is_named_from_the_folder_of_its_programs() {
        let of = |folder: &str, path: &str| relative(Path::new(folder), Path::new(path));
        assert_eq!(of("/a/b/bench", "/a/b/rig.yaml"), "../rig.yaml");
        assert_eq!(of("/a/b", "/a/b/rig.yaml"), "rig.yaml");
        assert_eq!(of("/a/c/d", "/a/b/rig.yaml"), "../../b/rig.yaml");
    }
}
