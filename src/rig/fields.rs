//! The fields of a table, taken one by one: each checked, what is missing or unknown
//! said, all problems collected.

use std::ops::RangeInclusive;

use super::found::where_found;
use super::meant;
use super::problems::{Place, Problems};
use super::yaml::{Entry, Node, NodeKind};
use crate::diagnostic::{Diagnostic, alternatives, nearest};
use crate::units::{Measure, Rounded, UNITS, Unit, UnitError, find_unit};

/// Which values a field can have, in SI units.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bounds {
    /// Least size of a value that is not zero.
    least: f64,
    /// Greatest size of a value.
    most: f64,
    zero: bool,
    negative: bool,
    /// Whether `most` itself is too much.
    open: bool,
    /// A value that is usual here, where that of its kind is not.
    pub usual: Option<f64>,
}

impl Bounds {
    /// From `least` to `most`, both above zero.
    pub(crate) const fn positive(least: f64, most: f64) -> Self {
        Self {
            least,
            most,
            zero: false,
            negative: false,
            open: false,
            usual: None,
        }
    }

    /// Zero, or up to `most`.
    pub(crate) const fn up_to(most: f64) -> Self {
        Self {
            least: 0.0,
            most,
            zero: true,
            negative: false,
            open: false,
            usual: None,
        }
    }

    /// Zero, or anything below `most`.
    pub(crate) const fn below(most: f64) -> Self {
        Self {
            open: true,
            ..Self::up_to(most)
        }
    }

    /// From −`most` to `most`.
    pub(crate) const fn either_way(most: f64) -> Self {
        Self {
            least: 0.0,
            most,
            zero: true,
            negative: true,
            open: false,
            usual: None,
        }
    }

    /// The same bounds for a field whose values are usually about `si`.
    pub(crate) const fn usually(self, si: f64) -> Self {
        Self {
            usual: Some(si),
            ..self
        }
    }

    /// Why the value is not allowed, if it is not. Limits are met within rounding.
    pub(crate) fn fault(&self, si: f64) -> Option<Fault> {
        if si < 0.0 && !self.negative {
            Some(Fault::Negative)
        } else if si == 0.0 && !self.zero {
            Some(Fault::Zero)
        } else if self.open && si >= self.most * (1.0 - 1e-9) {
            Some(Fault::NotBelow)
        } else if si.abs() > self.most * (1.0 + 1e-9) {
            Some(Fault::TooLarge)
        } else if si != 0.0 && si.abs() < self.least * (1.0 - 1e-9) {
            Some(Fault::TooSmall)
        } else {
            None
        }
    }
}

/// Why a value is not within its bounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fault {
    Negative,
    Zero,
    NotBelow,
    TooLarge,
    TooSmall,
}

/// What is left of a table while its fields are taken.
pub(crate) struct Fields<'p> {
    what: &'static str,
    /// Where a missing field is missing.
    place: Place,
    entries: Vec<Entry>,
    asked: Vec<&'static str>,
    written: Written,
    problems: &'p mut Problems,
}

/// The values of a table as they are written, for questions about how they go together.
#[derive(Debug, Default)]
pub(crate) struct Written(Vec<WrittenValue>);

/// One of them.
#[derive(Debug)]
pub(crate) struct WrittenValue {
    pub key: &'static str,
    pub text: String,
    pub place: Place,
}

impl Written {
    /// The value of that key.
    pub(crate) fn of(&self, key: &str) -> Option<&WrittenValue> {
        self.0.iter().find(|value| value.key == key)
    }
}

impl<'p> Fields<'p> {
    /// The fields of `what` ("the motor"), which a table at `place` holds.
    pub(crate) fn new(
        what: &'static str,
        place: Place,
        entries: Vec<Entry>,
        problems: &'p mut Problems,
    ) -> Self {
        let entries = meant::without_decimal_commas(entries, problems);
        let entries = without_repeats(entries, problems);
        Self {
            what,
            place,
            entries,
            asked: Vec::new(),
            written: Written::default(),
            problems,
        }
    }

    /// The fields of a node that must be a table; an empty value is an empty table.
    pub(crate) fn of(
        what: &'static str,
        place: Place,
        node: Node,
        problems: &'p mut Problems,
    ) -> Option<Self> {
        let entries = match node.kind {
            NodeKind::Table(entries) => entries,
            NodeKind::Nothing => Vec::new(),
            NodeKind::Text(_) | NodeKind::List(_) => {
                problems.add(
                    node.place
                        .error(
                            "not-a-table",
                            format!("{what} must be a table of keys and values"),
                            kind_of(&node.kind),
                        )
                        .help("write `key: value`, one a line, or `{ key: value, … }`"),
                );
                return None;
            }
        };
        Some(Self::new(what, place, entries, problems))
    }

    /// Where the table is.
    pub(crate) fn place(&self) -> &Place {
        &self.place
    }

    /// Reports a problem.
    pub(crate) fn problem(&mut self, problem: Diagnostic) {
        self.problems.add(problem);
    }

    /// Where problems of what is inside go.
    pub(crate) fn problems(&mut self) -> &mut Problems {
        self.problems
    }

    /// Whether a key is there that has not been taken.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.entries.iter().any(|entry| entry.key == key)
    }

    /// Keys that could be there, for the suggestions of [`finish`](Self::finish).
    pub(crate) fn offer(&mut self, keys: &[&'static str]) {
        self.asked.extend_from_slice(keys);
    }

    /// The entry of that key, if it is there.
    pub(crate) fn take(&mut self, key: &'static str) -> Option<Entry> {
        self.asked.push(key);
        let at = self.entries.iter().position(|entry| entry.key == key)?;
        let entry = self.entries.remove(at);
        if let NodeKind::Text(text) = &entry.value.kind {
            self.written.0.push(WrittenValue {
                key,
                text: text.trim().to_owned(),
                place: entry.value.place.clone(),
            });
        }
        Some(entry)
    }

    /// Every entry that is left, for tables whose keys are names.
    pub(crate) fn take_all(&mut self) -> Vec<Entry> {
        std::mem::take(&mut self.entries)
    }

    /// The entry of that key, which must be there; `form` is how it is written.
    pub(crate) fn need(&mut self, key: &'static str, form: &str) -> Option<Entry> {
        let entry = self.take(key);
        if entry.is_none() {
            self.missing(key, form);
        }
        entry
    }

    /// Says that a field is missing and where its value is found, or which of those that
    /// are there was meant for it. `form` is how it is written; it holds no value that
    /// could be taken for the builder's own.
    pub(crate) fn missing(&mut self, key: &'static str, form: &str) {
        let meant = self
            .entries
            .iter()
            .position(|entry| nearest(&entry.key, [key]).is_some() && alike(&entry.key, key));
        if let Some(at) = meant {
            let entry = self.entries.remove(at);
            self.problems.add(unknown(self.what, &entry, &[key]));
            return;
        }
        self.problems.add(
            self.place
                .error(
                    "missing-key",
                    format!("{} has no `{key}`", self.what),
                    format!("`{key}` is missing here"),
                )
                .help(format!("add `{key}: {form}`, {}", where_found(key))),
        );
    }

    /// Says that a quantity is missing.
    pub(crate) fn missing_quantity<T: Measure>(&mut self, key: &'static str) {
        self.missing(key, &format!("… {}", unit_of::<T>()));
    }

    /// A quantity, if it is there.
    pub(crate) fn optional<T: Measure>(&mut self, key: &'static str, bounds: Bounds) -> Option<T> {
        let entry = self.take(key)?;
        self.keep(quantity(key, &entry.value, bounds))
    }

    /// A quantity, or `default` where it is not given.
    pub(crate) fn or<T: Measure>(&mut self, key: &'static str, bounds: Bounds, default: T) -> T {
        let bounds = match default.to_si() {
            0.0 => bounds,
            usual => bounds.usually(usual),
        };
        self.optional(key, bounds).unwrap_or(default)
    }

    /// A quantity that must be there.
    pub(crate) fn required<T: Measure>(&mut self, key: &'static str, bounds: Bounds) -> Option<T> {
        let entry = self.take(key);
        if entry.is_none() {
            self.missing_quantity::<T>(key);
        }
        let entry = entry?;
        self.keep(quantity(key, &entry.value, bounds))
    }

    /// A whole number, if it is there.
    pub(crate) fn whole(&mut self, key: &'static str, range: RangeInclusive<u32>) -> Option<u32> {
        let entry = self.take(key)?;
        self.keep(whole(key, &entry.value, range))
    }

    /// A text, if it is there.
    pub(crate) fn text(&mut self, key: &'static str) -> Option<String> {
        let entry = self.take(key)?;
        self.keep(text(key, &entry.value).map(str::to_owned))
    }

    /// Reports every field that nobody asked for, and hands out what the others held.
    pub(crate) fn finish(self) -> Written {
        let Self {
            what,
            entries,
            asked,
            written,
            problems,
            ..
        } = self;
        for entry in entries {
            problems.add(unknown(what, &entry, &asked));
        }
        written
    }

    /// The value, or its problem among the others.
    pub(crate) fn keep<T>(&mut self, result: Result<T, Diagnostic>) -> Option<T> {
        result.map_err(|problem| self.problems.add(problem)).ok()
    }
}

/// Whether one word is the other with a slip of the pen or two.
fn alike(word: &str, other: &str) -> bool {
    strsim::damerau_levenshtein(word, other) <= 2
}

/// A key that is none of those `known`.
fn unknown(what: &str, entry: &Entry, known: &[&'static str]) -> Diagnostic {
    let problem = entry.key_place.error(
        "unknown-key",
        format!("{what} has no key `{}`", entry.key),
        "unknown",
    );
    if let Some(belongs) = meant::elsewhere(&entry.key) {
        return problem.help(belongs);
    }
    if let Some(near) = nearest(&entry.key, known.iter().copied()) {
        return problem.help(format!("did you mean `{near}`?"));
    }
    let close: Vec<String> = known
        .iter()
        .filter(|known| shares_words(&entry.key, known))
        .map(|known| format!("`{known}`"))
        .collect();
    problem.help(if close.is_empty() {
        format!("the keys are {}", list(known))
    } else {
        format!("did you mean {}?", alternatives(&close))
    })
}

/// Whether all words of one key are among those of the other: `current`, `rated_current`.
fn shares_words(key: &str, known: &str) -> bool {
    let within = |one: &str, other: &str| {
        one.split('_')
            .all(|word| other.split('_').any(|other| other == word))
    };
    within(key, known) || within(known, key)
}

/// Reports each key that is there a second time, and keeps the first.
fn without_repeats(entries: Vec<Entry>, problems: &mut Problems) -> Vec<Entry> {
    let mut kept: Vec<Entry> = Vec::with_capacity(entries.len());
    for entry in entries {
        match kept.iter().find(|earlier| earlier.key == entry.key) {
            Some(earlier) => problems.add(
                entry
                    .key_place
                    .error(
                        "duplicate-key",
                        format!("`{}` is written twice", entry.key),
                        "again here",
                    )
                    .at(
                        &earlier.key_place.source,
                        earlier.key_place.span,
                        "first here",
                    )
                    .help("keep one of them"),
            ),
            None => kept.push(entry),
        }
    }
    kept
}

/// `a`, `b` and `c`.
pub(crate) fn list(words: &[&str]) -> String {
    let quoted: Vec<String> = words.iter().map(|word| format!("`{word}`")).collect();
    match quoted.as_slice() {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// What a node is, in words.
fn kind_of(kind: &NodeKind) -> &'static str {
    match kind {
        NodeKind::Nothing => "no value",
        NodeKind::Text(_) => "this is a single value",
        NodeKind::List(_) => "this is a list",
        NodeKind::Table(_) => "this is a table",
    }
}

/// The text of a scalar.
pub(crate) fn text<'n>(key: &str, node: &'n Node) -> Result<&'n str, Diagnostic> {
    match &node.kind {
        NodeKind::Text(text) => Ok(text.trim()),
        NodeKind::Nothing => {
            Err(node
                .place
                .error("missing-value", format!("`{key}` has no value"), ""))
        }
        other => Err(node.place.error(
            "not-a-value",
            format!("`{key}` takes a single value"),
            kind_of(other),
        )),
    }
}

/// A quantity within its bounds.
pub(crate) fn quantity<T: Measure>(
    key: &str,
    node: &Node,
    bounds: Bounds,
) -> Result<T, Diagnostic> {
    let text = text(key, node).map_err(|problem| problem.help(instance::<T>(key)))?;
    let value: T = text.parse().map_err(|error| {
        let error = if is_not_a_number(text) {
            UnitError::NotFinite(text.to_owned())
        } else {
            error
        };
        wrong_unit::<T>(key, node, &error, bounds)
    })?;
    within(key, node, value, bounds)?;
    Ok(value)
}

/// The unit of the example.
fn unit_of<T: Measure>() -> &'static str {
    T::EXAMPLE.split_once(' ').map_or("", |(_, unit)| unit)
}

/// What to write, by example.
fn instance<T: Measure>(key: &str) -> String {
    format!("write for instance `{key}: {}`", T::EXAMPLE)
}

/// The spellings that YAML has for what is no number.
fn is_not_a_number(text: &str) -> bool {
    let word = text.trim_start_matches(['+', '-', '.']);
    let word = word.split_whitespace().next().unwrap_or_default();
    ["nan", "inf", "infinity"]
        .iter()
        .any(|name| word.eq_ignore_ascii_case(name))
}

/// A text that is not the quantity that is wanted.
fn wrong_unit<T: Measure>(key: &str, node: &Node, error: &UnitError, bounds: Bounds) -> Diagnostic {
    let (code, message) = match error {
        UnitError::NoUnit { text, .. } => ("missing-unit", format!("“{text}” has no unit")),
        UnitError::WrongDimension { text, found, .. } => {
            ("unit-mismatch", format!("“{text}” is {found}"))
        }
        UnitError::UnknownUnit { .. } => ("unknown-unit", error.to_string()),
        UnitError::NotFinite(_) => ("not-finite", error.to_string()),
        UnitError::NoNumber(_) | UnitError::DecimalComma(_) | UnitError::Malformed { .. } => {
            ("not-a-quantity", error.to_string())
        }
    };
    let meant = match error {
        UnitError::NoUnit { text, .. } => meant::with_a_unit::<T>(text, bounds),
        UnitError::UnknownUnit { symbol } => {
            let near = near_unit(symbol, unit_of::<T>());
            near.map(|near| format!("did you mean “{near}”?"))
        }
        _ => None,
    };
    let meant = text(key, node)
        .ok()
        .and_then(meant::spelled_otherwise::<T>)
        .or(meant);
    node.place
        .error(code, message, format!("`{key}` is {}", T::WORDS))
        .help(meant.unwrap_or_else(|| instance::<T>(key)))
}

/// The unit that `symbol` was most likely meant to be where one like `wanted` belongs.
fn near_unit(symbol: &str, wanted: &str) -> Option<&'static str> {
    let of_its_kind =
        |unit: &&Unit| find_unit(wanted).is_none_or(|wanted| unit.dimension == wanted.dimension);
    let candidates = UNITS.iter().filter(of_its_kind).map(|unit| unit.symbol);
    nearest(symbol, candidates).filter(|near| alike(near, symbol))
}

fn within<T: Measure>(key: &str, node: &Node, value: T, bounds: Bounds) -> Result<(), Diagnostic> {
    let si = value.to_si();
    let problem = |code, says: &str| {
        node.place
            .error(code, format!("`{key}` {says}"), "")
            .help(instance::<T>(key))
    };
    let absurd = |says: &str, limit: f64| {
        node.place
            .error(
                "absurd-value",
                format!("`{key}` is {says} than any real part's"),
                format!("this is {value}"),
            )
            .help(format!(
                "the limit is {}; check the unit",
                T::from_si(limit)
            ))
    };
    match bounds.fault(si) {
        None => Ok(()),
        Some(Fault::Negative) => Err(problem("negative-value", "cannot be negative")),
        Some(Fault::Zero) => Err(problem("zero-value", "cannot be zero")),
        Some(Fault::NotBelow) => {
            let most = T::from_si(bounds.most);
            Err(problem("out-of-range", &format!("must be below {most}")))
        }
        Some(Fault::TooLarge) => Err(absurd("larger", bounds.most)),
        Some(Fault::TooSmall) => Err(absurd("smaller", bounds.least)),
    }
}

/// A whole number within a range.
pub(crate) fn whole(key: &str, node: &Node, range: RangeInclusive<u32>) -> Result<u32, Diagnostic> {
    let (least, most) = (*range.start(), *range.end());
    let help = format!("write a number from {least} to {most}, without a unit");
    let text = text(key, node).map_err(|problem| problem.help(help.clone()))?;
    let number: f64 = text.parse().map_err(|_| {
        // Both `1/16` steps and a clock divided by 8 are written as a share.
        let share = text.strip_prefix("1/").map(str::trim);
        let meant = share.filter(|of| of.parse().is_ok_and(|of| range.contains(&of)));
        node.place
            .error(
                "not-a-number",
                format!("“{text}” is not a whole number"),
                format!("`{key}` is a plain number"),
            )
            .help(meant.map_or(help.clone(), |meant| format!("did you mean `{meant}`?")))
    })?;
    if number.fract() != 0.0 || !number.is_finite() {
        return Err(node
            .place
            .error(
                "not-a-number",
                format!("“{text}” is not a whole number"),
                format!("`{key}` is a whole number"),
            )
            .help(help));
    }
    if number < f64::from(least) || number > f64::from(most) {
        return Err(node
            .place
            .error(
                "out-of-range",
                format!("`{key}` must be from {least} to {most}"),
                format!("this is {}", Rounded(number)),
            )
            .help(help));
    }
    Ok(number as u32)
}

/// One of `words`.
pub(crate) fn choice<'a>(
    key: &str,
    entry: &Entry,
    words: &[&'a str],
) -> Result<&'a str, Diagnostic> {
    let word = text(key, &entry.value)?;
    if let Some(known) = words.iter().find(|known| **known == word) {
        return Ok(known);
    }
    let problem = entry.value.place.error(
        "unknown-word",
        format!("`{key}` cannot be “{word}”"),
        "unknown",
    );
    if let Some(belongs) = meant::instead_of(key, word) {
        return Err(problem.help(belongs));
    }
    Err(match nearest(word, words.iter().copied()) {
        Some(near) => problem.help(format!("did you mean `{near}`?")),
        None => problem.help(format!("use one of {}", list(words))),
    })
}
