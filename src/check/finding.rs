//! What a check has to say: findings with a kind, words and cures.

use serde::Serialize;

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// A fact worth knowing; a caution.
    Note,
    /// It may run; it deserves attention.
    Warning,
    /// It must not run.
    Failure,
}

/// Something found about a move or about the rig.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// The kind, in one hyphenated word; `slewsmith explain` knows it.
    pub code: &'static str,
    /// How much it weighs.
    pub severity: Severity,
    /// What it is, with the numbers.
    pub message: String,
    /// What would cure it; each alone is enough. There is at least one, but for notes.
    pub cures: Vec<String>,
    /// The axis it speaks of, where it is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub axis: Option<String>,
    /// The line of the script, where it stands among what is found about a whole program and
    /// one line is to blame.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<usize>,
}

impl Finding {
    /// A finding of the kind `code`.
    pub fn new(code: &'static str, severity: Severity, message: impl Into<String>) -> Self {
        Self {
            code,
            severity,
            message: message.into(),
            cures: Vec::new(),
            axis: None,
            line: None,
        }
    }

    /// With what would cure it.
    #[must_use]
    pub fn cures(mut self, cures: Vec<String>) -> Self {
        self.cures = cures;
        self
    }

    /// About this line of the script, if it is about one.
    #[must_use]
    pub fn line(mut self, line: Option<usize>) -> Self {
        self.line = line;
        self
    }

    /// About this axis.
    #[must_use]
    pub fn axis(mut self, name: &str) -> Self {
        self.axis = Some(name.to_owned());
        self
    }
}

/// Whether a move may run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Nothing stands against it.
    Pass,
    /// It may run, with warnings.
    Warn,
    /// It must not run.
    Fail,
}

impl Verdict {
    /// The verdict that the findings add up to.
    pub fn of<'a>(findings: impl IntoIterator<Item = &'a Finding>) -> Self {
        match findings.into_iter().map(|finding| finding.severity).max() {
            Some(Severity::Failure) => Self::Fail,
            Some(Severity::Warning) => Self::Warn,
            Some(Severity::Note) | None => Self::Pass,
        }
    }

    /// As it is shown.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Warn => "warn",
            Self::Fail => "fail",
        }
    }
}
