//! Of the best choices of all moves, those that pass together.

use super::trial::Tried;
use super::{Error, Job, SearchedMove};
use crate::check::{Severity, Summary};

/// Checks of the whole program at most.
const WHOLE_CHECKS: usize = 40;

impl Job {
    /// Takes the best choices that pass together; gives the script and why it fails, if it does.
    pub(super) fn settle_the_whole(
        &self,
        tasks: &mut [SearchedMove<'_>],
        scoped: bool,
    ) -> Result<(String, Option<String>), Error> {
        let written = self.with_script(self.script.source().text())?;
        let written = written.check().of_the_motion()?;
        let known: Vec<&str> = whole_failures(&written).collect();
        for _ in 0..WHOLE_CHECKS {
            let (text, lines) = self.rewritten(tasks, scoped);
            let summary = self.with_script(&text)?.check().of_the_motion()?;
            let Some(failure) = &summary.first_failure else {
                return Ok((text, None));
            };
            let of_line = |line| lines.iter().find(|(written, _)| *written == line);
            let to_blame = failure.line.and_then(of_line).map(|(_, task)| *task);
            // What it fails for as it is written.
            let as_written = match (failure.line, &written.first_failure) {
                (None, _) => whole_failures(&summary).all(|code| known.contains(&code)),
                (Some(_), Some(before)) => before.reason == failure.reason,
                (Some(_), None) => false,
            };
            match (to_blame, most_gained(tasks)) {
                (Some(task), _) => tasks[task].demote(),
                // Nobody in particular: the one that has gained most.
                (None, Some(task)) if !as_written => tasks[task].taken = None,
                (None, _) => return Ok((text, Some(failure.to_string()))),
            }
        }
        for task in &mut *tasks {
            task.taken = None;
        }
        let (text, _) = self.rewritten(tasks, scoped);
        let summary = self.with_script(&text)?.check().of_the_motion()?;
        let failure = summary.first_failure.map(|failure| failure.to_string());
        Ok((text, failure))
    }
}

/// Codes of what a program as a whole fails for.
fn whole_failures(summary: &Summary) -> impl Iterator<Item = &'static str> {
    let findings = summary.findings.iter();
    let failures = findings.filter(|one| one.severity == Severity::Failure);
    failures.map(|one| one.code)
}

fn most_gained(tasks: &[SearchedMove<'_>]) -> Option<usize> {
    let gained = |task: &SearchedMove<'_>| {
        let (_, best) = task.ranked[task.taken?];
        match &task.today {
            Tried::Good(today) => Some(today.settled - best.settled),
            Tried::Bad(_) => Some(0.0),
        }
    };
    let all = tasks.iter().enumerate();
    let all = all.filter_map(|(number, task)| Some((number, gained(task)?)));
    all.max_by(|(_, one), (_, other)| one.total_cmp(other))
        .map(|(number, _)| number)
}
