//! Problems with a place: what is wrong, where it is written, and what to do.
//!
//! A [`Diagnostic`] knows the text it speaks of ([`Source`]) and marks stretches of
//! it ([`Label`]); a unit mismatch marks both sides. Every kind of problem has a
//! [code](Diagnostic::code), a short word such as `unit-mismatch`. Drawing is left to a library; this file alone knows which.

use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

/// A text with the name it is known by.
#[derive(Debug, PartialEq, Eq)]
pub struct Source {
    name: String,
    path: PathBuf,
    text: String,
}

impl Source {
    /// A text called `name` (its path as the user wrote it). A byte order mark at
    /// the start is dropped.
    pub fn new(name: impl Into<String>, text: impl Into<String>) -> Arc<Self> {
        let name = name.into();
        let path = PathBuf::from(&name);
        Self::with(name, path, text.into())
    }

    /// The text of the file at `path`, which need not be UTF-8 as names are.
    pub fn of_file(path: &Path, text: impl Into<String>) -> Arc<Self> {
        Self::with(path.display().to_string(), path.to_owned(), text.into())
    }

    fn with(name: String, path: PathBuf, mut text: String) -> Arc<Self> {
        if text.starts_with('\u{feff}') {
            text.drain(..'\u{feff}'.len_utf8());
        }
        Arc::new(Self { name, path, text })
    }

    /// What the text is called.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Where it is, as far as that is known.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The text itself.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Line and column (both from 1, columns in characters) of a byte offset.
    pub fn position(&self, offset: usize) -> (usize, usize) {
        let before = &self.text[..self.floor(offset)];
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
        (line, column)
    }

    /// The nearest character boundary at or before `offset`.
    fn floor(&self, offset: usize) -> usize {
        let mut offset = offset.min(self.text.len());
        while !self.text.is_char_boundary(offset) {
            offset -= 1;
        }
        offset
    }
}

/// A stretch of a source, in bytes from its start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, PartialOrd, Ord)]
pub struct Span {
    /// Offset of the first byte. Half as wide as an offset may be: scripts hold very many
    /// spans, and no text that is read has 4 GiB.
    start: u32,
    /// Offset behind the last byte.
    end: u32,
}

impl Span {
    /// The stretch from `start` to before `end`.
    pub const fn new(start: usize, end: usize) -> Self {
        Self {
            start: narrow(start),
            end: narrow(end),
        }
    }

    /// Offset of its first byte.
    pub const fn start(self) -> usize {
        self.start as usize
    }

    /// Offset behind its last byte.
    pub const fn end(self) -> usize {
        self.end as usize
    }

    /// The least stretch that holds both.
    pub fn to(self, other: Self) -> Self {
        Self {
            start: self.start.min(other.start),
            end: self.end.max(other.end),
        }
    }
}

const fn narrow(offset: usize) -> u32 {
    if offset > u32::MAX as usize {
        u32::MAX
    } else {
        offset as u32
    }
}

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum DiagnosticLevel {
    /// Worth knowing.
    Note,
    /// Should be looked at.
    Warning,
    /// The input cannot be used.
    Error,
}

/// A marked stretch and its label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Label {
    /// Where.
    pub source: Arc<Source>,
    /// Which part.
    pub span: Span,
    /// What about it; may be empty.
    pub text: String,
}

/// A problem with a place. The first label is where it is; further ones explain it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnostic {
    /// How bad it is.
    pub severity: DiagnosticLevel,
    /// The kind of problem in one hyphenated word.
    pub code: &'static str,
    /// What is wrong, in a sentence without a full stop.
    pub message: String,
    /// The places, the first one foremost.
    pub labels: Vec<Label>,
    /// What to do about it.
    pub help: Option<String>,
}

impl Diagnostic {
    /// An error of the kind `code`.
    pub fn error(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(DiagnosticLevel::Error, code, message)
    }

    /// A warning of the kind `code`.
    pub fn warning(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(DiagnosticLevel::Warning, code, message)
    }

    fn new(severity: DiagnosticLevel, code: &'static str, message: impl Into<String>) -> Self {
        Self {
            severity,
            code,
            message: message.into(),
            labels: Vec::new(),
            help: None,
        }
    }

    /// With one more marked place.
    #[must_use]
    pub fn at(mut self, source: &Arc<Source>, span: Span, text: impl Into<String>) -> Self {
        self.labels.push(Label {
            source: Arc::clone(source),
            span,
            text: text.into(),
        });
        self
    }

    /// With a word of help.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// With “did you mean …?” when one of `known` is close to `word`.
    #[must_use]
    pub fn suggest<'a>(self, word: &str, known: impl IntoIterator<Item = &'a str>) -> Self {
        match nearest(word, known) {
            Some(near) => self.help(format!("did you mean “{near}”?")),
            None => self,
        }
    }

    /// File, line and column of the first place.
    pub fn place(&self) -> Option<(&str, usize, usize)> {
        let label = self.labels.first()?;
        let (line, column) = label.source.position(label.span.start());
        Some((label.source.name(), line, column))
    }

    /// The problem drawn with the lines it speaks of, `width` columns wide; with
    /// terminal colours when `colour`.
    pub fn render(&self, width: usize, colour: bool) -> String {
        let level = match self.severity {
            DiagnosticLevel::Note => Level::NOTE,
            DiagnosticLevel::Warning => Level::WARNING,
            DiagnosticLevel::Error => Level::ERROR,
        };
        let mut group = level
            .primary_title(self.message.as_str())
            .id(self.code)
            .elements(Vec::<Snippet<'_, annotate_snippets::Annotation<'_>>>::new());
        for (source, labels) in self.labels_by_source() {
            let shown = lines_of(source, &labels);
            let mut snippet = Snippet::source(&source.text()[shown.clone()])
                .line_start(source.position(shown.start).0)
                .path(source.name());
            for (kind, label) in labels {
                let Range { start, end } = source_range(source, label.span);
                let annotation = kind.span(start - shown.start..end - shown.start);
                snippet = snippet.annotation(if label.text.is_empty() {
                    annotation
                } else {
                    annotation.label(label.text.as_str())
                });
            }
            group = group.element(snippet);
        }
        let mut report: Vec<Group<'_>> = vec![group];
        if let Some(help) = &self.help {
            report.push(Group::with_title(
                Level::HELP.secondary_title(help.as_str()),
            ));
        }
        let renderer = if colour {
            Renderer::styled()
        } else {
            Renderer::plain()
        };
        renderer
            .decor_style(DecorStyle::Unicode)
            .term_width(width)
            .render(&report)
    }

    /// The labels, those of one source together, in order of first mention.
    fn labels_by_source(&self) -> Vec<LabelsOf<'_>> {
        let mut groups: Vec<LabelsOf<'_>> = Vec::new();
        for (index, label) in self.labels.iter().enumerate() {
            let kind = if index == 0 {
                AnnotationKind::Primary
            } else {
                AnnotationKind::Context
            };
            match groups
                .iter_mut()
                .find(|(source, _)| Arc::ptr_eq(source, &label.source))
            {
                Some((_, labels)) => labels.push((kind, label)),
                None => groups.push((&label.source, vec![(kind, label)])),
            }
        }
        groups
    }
}

/// The labels of one source, each with the kind of its mark.
type LabelsOf<'a> = (&'a Arc<Source>, Vec<(AnnotationKind, &'a Label)>);

/// The lines from the first label to the last: whatever draws them takes several times the
/// memory of the text that it is given.
fn lines_of(source: &Source, labels: &[(AnnotationKind, &Label)]) -> Range<usize> {
    let ranges = labels
        .iter()
        .map(|(_, label)| source_range(source, label.span));
    let (from, to) = ranges.fold((usize::MAX, 0), |(from, to), range| {
        (from.min(range.start), to.max(range.end))
    });
    let text = source.text();
    let from = from.min(text.len());
    let start = text[..from].rfind('\n').map_or(0, |at| at + 1);
    let end = text[to..].find('\n').map_or(text.len(), |at| to + at + 1);
    start..end
}

/// The span as a range that lies within the source and on character boundaries.
fn source_range(source: &Source, span: Span) -> Range<usize> {
    let start = source.floor(span.start());
    start..source.floor(span.end()).max(start)
}

impl fmt::Display for Diagnostic {
    /// One line: `file:line:column: message [code]`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some((name, line, column)) = self.place() {
            write!(f, "{name}:{line}:{column}: ")?;
        }
        write!(f, "{} [{}]", self.message, self.code)
    }
}

impl std::error::Error for Diagnostic {}

/// All the problems found in one go; never empty where it is an error.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnostics(pub Vec<Diagnostic>);

impl From<Diagnostic> for Diagnostics {
    fn from(one: Diagnostic) -> Self {
        Self(vec![one])
    }
}

impl fmt::Display for Diagnostics {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, diagnostic) in self.0.iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{diagnostic}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Diagnostics {}

/// “a, b or c”.
pub(crate) fn alternatives(words: &[String]) -> String {
    match words {
        [first @ .., last] if !first.is_empty() => format!("{} or {last}", first.join(", ")),
        _ => words.concat(),
    }
}

/// The word of `known` that `word` was most likely meant to be, if one is close.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let limit = word.chars().count().div_ceil(3).max(1);
    known
        .into_iter()
        .map(|candidate| (strsim::damerau_levenshtein(word, candidate), candidate))
        .filter(|(distance, _)| *distance <= limit)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mismatch_shows_both_sides() {
        let source = Source::new("a.moves", "let x = 90° + 2 s\n");
        let drawn = Diagnostic::error("unit-mismatch", "an angle and a time cannot be added")
            .at(&source, Span::new(8, 12), "an angle")
            .at(&source, Span::new(15, 18), "a time")
            .help("both sides of + need the same kind of unit")
            .render(80, false);
        for part in [
            "a.moves:1:9",
            "let x = 90° + 2 s",
            "an angle",
            "a time",
            "help: both sides",
        ] {
            assert!(drawn.contains(part), "{part} is missing in\n{drawn}");
        }
    }

    #[test]
    fn a_place_counts_characters_from_one() {
        let source = Source::new("a", "\u{feff}µm\nx°y\n");
        assert_eq!(source.position(0), (1, 1));
        assert_eq!(source.position("µm\nx°".len()), (2, 3));
        assert_eq!(source.position(999), (3, 1));
    }

    #[test]
    fn only_close_words_are_suggested() {
        assert_eq!(nearest("sped", ["speed", "shape"]), Some("speed"));
        assert_eq!(nearest("xyzzy", ["speed", "shape"]), None);
    }
}
