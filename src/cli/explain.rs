//! `explain`: every kind of warning and error, with the physics and what to do.

use std::io::Write as _;

use clap::Args;
use serde_json::json;

use super::{Answer, Failure, Terminal};
use slewsmith::diagnostic::nearest;

/// The texts: an area, and a file with a heading for each code.
const TEXTS: [(&str, &str); 7] = [
    ("what a check finds", include_str!("explain/check.md")),
    (
        "heat, current and hanging loads",
        include_str!("explain/heat.md"),
    ),
    ("problems of a script", include_str!("explain/script.md")),
    ("problems of a rig", include_str!("explain/rig.md")),
    ("problems of a program", include_str!("explain/program.md")),
    (
        "measurements of a motor",
        include_str!("explain/identify.md"),
    ),
    (
        "what a drive does on the bench",
        include_str!("explain/symptoms.md"),
    ),
];

/// What begins a code's part in a file.
const HEADING: &str = "\n## ";

/// Explain a warning or an error: the physics and the cure; without a code, list all
/// codes.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith explain torque-margin")]
pub(super) struct ExplainCommand {
    /// The code in square brackets at the start or end of a message.
    code: Option<String>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// A code with what there is to say about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Explanation {
    /// What it is a problem of.
    pub area: &'static str,
    /// The code.
    pub code: &'static str,
    /// What it is, in a sentence.
    pub summary: &'static str,
    /// Why it matters and what to do, in paragraphs.
    pub text: &'static str,
}

impl Explanation {
    /// The paragraphs, without marks of emphasis.
    pub(super) fn paragraphs(&self) -> Vec<String> {
        self.text
            .split("\n\n")
            .map(|part| part.replace("**", "").replace('\n', " ").trim().to_owned())
            .collect()
    }
}

/// All the explanations, in the order of the files.
pub(super) fn explanations() -> impl Iterator<Item = Explanation> {
    TEXTS.into_iter().flat_map(|(area, file)| {
        file.split(HEADING).skip(1).map(move |part| {
            let (code, rest) = part.split_once('\n').unwrap_or((part, ""));
            let (summary, text) = rest.trim().split_once("\n\n").unwrap_or((rest.trim(), ""));
            Explanation {
                area,
                code: code.trim(),
                summary,
                text,
            }
        })
    })
}

/// What there is to say about a code.
pub(super) fn explanation(code: &str) -> Option<Explanation> {
    explanations().find(|one| one.code == code)
}

impl ExplainCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// There is no such code, or the output cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let text = match &self.code {
            None if self.json => {
                let all: Vec<_> = explanations().map(|one| to_json(&one)).collect();
                format!("{}\n", json!({ "codes": all }))
            }
            None => list(terminal.width()),
            Some(code) => {
                let code = code.trim_matches(['[', ']']);
                let Some(one) = explanation(code) else {
                    let near = nearest(code, explanations().map(|one| one.code));
                    let hint = near.map_or_else(
                        || "`slewsmith explain` lists all".to_owned(),
                        |near| format!("did you mean “{near}”?"),
                    );
                    return Err(Failure::Request(format!(
                        "there is no code “{code}”; {hint}"
                    )));
                };
                if self.json {
                    format!("{}\n", to_json(&one))
                } else {
                    full(&one, terminal.width())
                }
            }
        };
        let printing = || Failure::system("cannot print the explanation");
        let mut out = terminal.results();
        out.write_all(text.as_bytes()).map_err(printing())?;
        out.flush().map_err(printing())?;
        Ok(Answer::Yes)
    }
}

fn to_json(one: &Explanation) -> serde_json::Value {
    json!({ "code": one.code, "area": one.area, "summary": one.summary, "text": one.paragraphs() })
}

fn list(width: usize) -> String {
    let mut text = String::new();
    let column = explanations().map(|one| one.code.len()).max().unwrap_or(0);
    let indent = " ".repeat(column + 3);
    for (area, _) in TEXTS {
        let mut heading = area.to_owned();
        heading[..1].make_ascii_uppercase();
        text.push_str(&format!("{heading}\n"));
        let mut of_area: Vec<Explanation> = explanations().filter(|one| one.area == area).collect();
        of_area.sort_by_key(|one| one.code);
        for one in of_area {
            let options = textwrap::Options::new(width)
                .initial_indent("  ")
                .subsequent_indent(&indent);
            text.push_str(&textwrap::fill(
                &format!("{:<column$} {}", one.code, one.summary),
                options,
            ));
            text.push('\n');
        }
        text.push('\n');
    }
    text.push_str("`slewsmith explain CODE` says more.\n");
    text
}

fn full(one: &Explanation, width: usize) -> String {
    let width = width.min(88);
    let mut paragraphs = vec![one.code.to_owned(), one.summary.to_owned()];
    paragraphs.extend(one.paragraphs());
    let wrapped: Vec<String> = paragraphs
        .iter()
        .map(|paragraph| textwrap::fill(paragraph, width))
        .collect();
    format!("{}\n", wrapped.join("\n\n"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_explanation_has_a_summary_and_a_text() {
        let mut codes: Vec<&str> = Vec::new();
        for one in explanations() {
            assert!(
                one.summary.ends_with('.') && !one.summary.contains('\n'),
                "{}",
                one.code
            );
            assert!(!one.text.is_empty(), "{}", one.code);
            assert!(!codes.contains(&one.code), "{} stands twice", one.code);
            codes.push(one.code);
        }
        assert!(codes.len() > 60, "{}", codes.len());
    }
}
