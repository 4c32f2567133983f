//! YAML as a tree of nodes, each with its place. The one file that knows the reader.
//!
//! Scalars stay texts: whether `3:1`, `.inf` or `yes` is meant as a ratio, a number or
//! a name is for the field to decide, not for YAML. Keys may repeat here; the reader of
//! the fields refuses that and shows both places. Anchors and aliases are refused, so
//! that no text grows beyond what is written.

use std::fmt;
use std::sync::Arc;

use serde::de::{self, Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_yaml::budget::BudgetBreach;
use serde_yaml::options::{DuplicateKeyPolicy, MergeKeyPolicy, NonFiniteFloatPolicy};
use serde_yaml::{Error, Location, Options, Spanned};

use super::problems::Place;
use crate::diagnostic::{Diagnostic, Source, Span};

/// No rig or profile comes near these.
const MOST_BYTES: usize = 1 << 20;
const MOST_NODES: usize = 50_000;
const DEEPEST: usize = 16;

/// One node of the tree.
#[derive(Debug, Clone)]
pub(crate) struct Node {
    pub place: Place,
    pub kind: NodeKind,
}

#[derive(Debug, Clone)]
pub(crate) enum NodeKind {
    /// An empty value, `~` or `null`.
    Nothing,
    /// A scalar, as written.
    Text(String),
    List(Vec<Node>),
    Table(Vec<Entry>),
}

/// A key of a table with its value.
#[derive(Debug, Clone)]
pub(crate) struct Entry {
    pub key: String,
    pub key_place: Place,
    pub value: Node,
}

/// Reads the one document of `source`.
pub(crate) fn read(source: &Arc<Source>) -> Result<Node, Diagnostic> {
    if source.text().len() > MOST_BYTES {
        return Err(Diagnostic::error(
            "file-too-large",
            format!("the file has more than {MOST_BYTES} bytes"),
        )
        .at(source, Span::new(0, 0), "")
        .help("a rig or a profile is a page of text; is this the right file?"));
    }
    if source.text().trim().is_empty() {
        return Ok(Node {
            place: Place {
                source: Arc::clone(source),
                span: Span::new(0, 0),
            },
            kind: NodeKind::Nothing,
        });
    }
    let raw: Spanned<Raw> = serde_yaml::from_str_with_options(source.text(), options())
        .map_err(|error| explain(source, &error))?;
    node(source, raw)
}

fn options() -> Options {
    serde_yaml::options! {
        budget: serde_yaml::budget! {
            max_nodes: MOST_NODES,
            max_events: 4 * MOST_NODES,
            max_depth: DEEPEST,
            flow_nesting_limit: 4 * DEEPEST,
            max_anchors: 0,
            max_aliases: 0,
            max_documents: 1,
        },
        duplicate_keys: DuplicateKeyPolicy::PassThrough,
        merge_keys: MergeKeyPolicy::AsOrdinary,
        non_finite_float_policy: NonFiniteFloatPolicy::PassThrough,
        reject_unsupported_tags: true,
        with_snippet: false,
    }
}

/// A node as the reader hands it out.
enum Raw {
    Nothing,
    Text(String),
    /// A scalar that the reader took for a number or a truth value: its text is taken
    /// from the source.
    Typed,
    List(Vec<Spanned<Raw>>),
    Table(Vec<(Spanned<Raw>, Spanned<Raw>)>),
}

impl<'de> Deserialize<'de> for Raw {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(RawVisitor)
    }
}

struct RawVisitor;

impl<'de> Visitor<'de> for RawVisitor {
    type Value = Raw;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a value, a list or a table")
    }

    fn visit_unit<E: de::Error>(self) -> Result<Raw, E> {
        Ok(Raw::Nothing)
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<Raw, E> {
        Ok(Raw::Text(text.to_owned()))
    }

    fn visit_bool<E: de::Error>(self, _: bool) -> Result<Raw, E> {
        Ok(Raw::Typed)
    }

    fn visit_i64<E: de::Error>(self, _: i64) -> Result<Raw, E> {
        Ok(Raw::Typed)
    }

    fn visit_u64<E: de::Error>(self, _: u64) -> Result<Raw, E> {
        Ok(Raw::Typed)
    }

    fn visit_f64<E: de::Error>(self, _: f64) -> Result<Raw, E> {
        Ok(Raw::Typed)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Raw, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = items.next_element()? {
            list.push(item);
        }
        Ok(Raw::List(list))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Raw, A::Error> {
        let mut table = Vec::new();
        while let Some(entry) = entries.next_entry()? {
            table.push(entry);
        }
        Ok(Raw::Table(table))
    }
}

/// The node with its place. The depth is bounded by the reader's budget.
fn node(source: &Arc<Source>, raw: Spanned<Raw>) -> Result<Node, Diagnostic> {
    let place = Place {
        source: Arc::clone(source),
        span: span(source, &raw.referenced),
    };
    let kind = match raw.value {
        Raw::Nothing => NodeKind::Nothing,
        Raw::Text(text) => NodeKind::Text(text),
        Raw::Typed => NodeKind::Text(
            source
                .text()
                .get(place.span.start()..place.span.end())
                .unwrap_or_default()
                .to_owned(),
        ),
        Raw::List(items) => NodeKind::List(
            items
                .into_iter()
                .map(|item| node(source, item))
                .collect::<Result<_, _>>()?,
        ),
        Raw::Table(entries) => NodeKind::Table(
            entries
                .into_iter()
                .map(|(key, value)| entry(source, key, value))
                .collect::<Result<_, _>>()?,
        ),
    };
    Ok(Node { place, kind })
}

fn entry(
    source: &Arc<Source>,
    key: Spanned<Raw>,
    value: Spanned<Raw>,
) -> Result<Entry, Diagnostic> {
    let key = node(source, key)?;
    match key.kind {
        NodeKind::Text(text) => Ok(Entry {
            key: text,
            key_place: key.place,
            value: node(source, value)?,
        }),
        _ => Err(key
            .place
            .error(
                "key-not-a-word",
                "the key of a table must be a word",
                "this is not a word",
            )
            .help("write `word: value`")),
    }
}

/// The stretch of the source that the reader speaks of.
fn span(source: &Source, location: &Location) -> Span {
    let text = source.text();
    let span = location.span();
    if let (Some(start), Some(length)) = (span.byte_offset(), span.byte_len()) {
        let start = (start as usize).min(text.len());
        let end = start.saturating_add(length as usize).min(text.len());
        // Block collections run on to the next token; what belongs to them ends before.
        let marked = text.get(start..end).unwrap_or_default();
        return Span::new(start, start + marked.trim_end().len());
    }
    let line_start = text
        .split_inclusive('\n')
        .take((location.line() as usize).saturating_sub(1))
        .map(str::len)
        .sum::<usize>();
    let line = text[line_start..].lines().next().unwrap_or_default();
    let column = (location.column() as usize).saturating_sub(1);
    let start = line_start
        + line
            .char_indices()
            .nth(column)
            .map_or(line.len(), |(at, _)| at);
    Span::new(start, start)
}

/// The reader's error in our words.
fn explain(source: &Arc<Source>, error: &Error) -> Diagnostic {
    let error = error.without_snippet();
    let place = Place {
        source: Arc::clone(source),
        span: error
            .location()
            .map_or_else(Span::default, |location| span(source, &location)),
    };
    match error {
        Error::Budget { breach, .. } => over_budget(&place, breach),
        Error::UnknownAnchor { .. } => over_budget(&place, &BudgetBreach::Aliases { aliases: 1 }),
        Error::MultipleDocuments { .. } => place
            .error(
                "several-documents",
                "the file holds more than one YAML document",
                "a second one begins here",
            )
            .help("keep one rig or profile in a file, without `---` between"),
        Error::UnsupportedTag { .. } => place
            .error("tag", "tags are not used here", "")
            .help("leave out the word that begins with `!`"),
        _ => not_yaml(&place),
    }
}

fn over_budget(place: &Place, breach: &BudgetBreach) -> Diagnostic {
    match breach {
        BudgetBreach::Anchors { .. } | BudgetBreach::Aliases { .. } => place
            .error(
                "alias",
                "anchors (`&`) and aliases (`*`) are not used here",
                "",
            )
            .help("write the value out, or keep it in a profile and name its path twice"),
        BudgetBreach::Depth { .. } => too_deep(place),
        BudgetBreach::Documents { .. } => place
            .error(
                "several-documents",
                "the file holds more than one YAML document",
                "",
            )
            .help("keep one rig or profile in a file, without `---` between"),
        _ => place
            .error(
                "file-too-large",
                format!("the file has more than {MOST_NODES} entries"),
                "",
            )
            .help("a rig or a profile is a page of text; is this the right file?"),
    }
}

fn too_deep(place: &Place) -> Diagnostic {
    place
        .error(
            "nested-too-deep",
            format!("the file is nested more than {DEEPEST} levels deep"),
            "",
        )
        .help("a rig needs six levels at most")
}

/// What cannot be read at all, with the most likely reason as far as the text shows it.
fn not_yaml(place: &Place) -> Diagnostic {
    let text = place.source.text();
    if let Some(tab) = tab_near(text, place.span.start()) {
        let place = Place {
            source: Arc::clone(&place.source),
            span: Span::new(tab, tab + 1),
        };
        return place
            .error("tab", "a tab indents this line", "a tab")
            .help("YAML is indented with spaces");
    }
    let open = |text: &str, open: char, close: char| {
        text.matches(open).count() as i64 - text.matches(close).count() as i64
    };
    let before = &text[..place.span.start()];
    if open(before, '[', ']') + open(before, '{', '}') > DEEPEST as i64 {
        return too_deep(place);
    }
    let line = text[before.rfind('\n').map_or(0, |at| at + 1)..]
        .lines()
        .next()
        .unwrap_or_default();
    let help = if open(text, '{', '}') != 0 || open(text, '[', ']') != 0 {
        "a bracket is opened and not closed, or closed and not opened"
    } else if text.matches('"').count() % 2 == 1 {
        "a quotation mark is opened and not closed"
    } else if line.matches(": ").count() > 1 && !line.contains('{') {
        "put a text that contains `: ` between quotation marks"
    } else {
        "check the indentation here and on the line above, and that every key is followed by `: `"
    };
    place
        .error(
            "not-yaml",
            "this cannot be read as YAML",
            "reading stops here",
        )
        .help(help)
}

/// The first tab that indents the line of `offset` or the one after it.
fn tab_near(text: &str, offset: usize) -> Option<usize> {
    let mut start = text[..offset].rfind('\n').map_or(0, |at| at + 1);
    for line in text[start..].split_inclusive('\n').take(2) {
        let indent = line.len() - line.trim_start().len();
        if let Some(tab) = line[..indent].find('\t') {
            return Some(start + tab);
        }
        start += line.len();
    }
    None
}
