//! What a value that cannot be used was probably meant to be.

use super::fields::Bounds;
use super::problems::Problems;
use super::yaml::{Entry, NodeKind};
use crate::diagnostic::alternatives;
use crate::units::{Measure, split_number};

/// Units that data sheets use besides those in which values are shown.
const OTHER_UNITS: [&str; 4] = ["N.cm", "kgf.cm", "rpm", "arcmin"];
/// How many units are offered at most.
const MOST_OFFERED: usize = 3;

/// Keys that a rig does not have, and where their values belong.
const OTHER_KEYS: &[(&[&str], &str)] = &[(
    &[
        "series_resistor",
        "series_resistance",
        "ballast_resistor",
        "ballast_resistance",
        "dropping_resistor",
    ],
    "a resistor in series with the phases is a `ballast` of the drive: \
     `ballast: { resistance: … ohm, rating: … W }`",
)];

/// Values of a key that a rig does not have, and what there is instead.
const OTHER_VALUES: &[(&str, &[&str], &str)] = &[(
    "sequence",
    &["full-step", "full_step", "fullstep", "full step", "full"],
    "full steps are `two-phase` (both phases on) or `wave` (one phase on)",
)];

/// Where the value of an unknown key belongs.
pub(super) fn elsewhere(key: &str) -> Option<&'static str> {
    let found = OTHER_KEYS.iter().find(|(keys, _)| keys.contains(&key));
    found.map(|(_, belongs)| *belongs)
}

/// What to write instead of an unknown word of `key`.
pub(super) fn instead_of(key: &str, word: &str) -> Option<&'static str> {
    let found = OTHER_VALUES
        .iter()
        .find(|(of, words, _)| *of == key && words.contains(&word));
    found.map(|(_, _, instead)| *instead)
}

/// Asks which unit a number without one has: those that give a value within its bounds,
/// the nearest to a usual value first.
pub(super) fn with_a_unit<T: Measure>(number: &str, bounds: Bounds) -> Option<String> {
    let usual = bounds
        .usual
        .or_else(|| T::EXAMPLE.parse().ok().map(T::to_si))?;
    let shown = T::UNITS.iter().map(|(symbol, _)| *symbol);
    let mut offered: Vec<(f64, String)> = shown
        .chain(OTHER_UNITS)
        .filter_map(|symbol| {
            let text = format!("{number} {symbol}");
            let value = text.parse::<T>().ok()?.to_si();
            let off = (value / usual).abs().ln().abs();
            bounds.fault(value).is_none().then_some((off, text))
        })
        .collect();
    offered.sort_by(|(one, _), (other, _)| one.total_cmp(other));
    let offered: Vec<String> = offered
        .iter()
        .take(MOST_OFFERED)
        .map(|(_, text)| format!("`{text}`"))
        .collect();
    (!offered.is_empty()).then(|| format!("which unit: {}?", alternatives(&offered)))
}

/// Units as they are written without a sign between.
const JOINED: [(&str, &str); 7] = [
    ("kgfcm", "kgf.cm"),
    ("kgcm", "kg.cm"),
    ("gfcm", "gf.cm"),
    ("gcm", "g.cm"),
    ("kgm", "kg.m"),
    ("ozin", "oz.in"),
    ("lbin", "lb.in"),
];

/// Masses given as weights.
const WEIGHTS: [(&str, &str); 4] = [("kg", "kgf"), ("g", "gf"), ("oz", "ozf"), ("lb", "lbf")];

/// Asks whether a text was meant as a quantity of this kind: with a decimal point, with a
/// dot between its units, with a force in place of a mass.
pub(super) fn spelled_otherwise<T: Measure>(text: &str) -> Option<String> {
    let reads = |text: &String| text.parse::<T>().is_ok();
    if let Some(meant) = with_decimal_point(text) {
        return Some(&meant).filter(|meant| reads(meant)).map(did_you_mean);
    }
    let (number, unit) = split_number(text);
    let dotted = unit.replace(['-', ' ', '*', '·'], ".");
    let joined = JOINED.iter().find_map(|(joined, apart)| {
        let power = dotted.strip_prefix(joined)?;
        Some(format!("{apart}{power}"))
    });
    let apart = joined.unwrap_or(dotted);
    let meant = format!("{number} {apart}");
    if reads(&meant) {
        return Some(did_you_mean(&meant));
    }
    if let Some(meant) = in_other_letters::<T>(number, &apart) {
        return Some(did_you_mean(&meant));
    }
    let weights: Vec<&str> = apart
        .split('.')
        .map(|symbol| {
            let weight = WEIGHTS.iter().find(|(mass, _)| *mass == symbol);
            weight.map_or(symbol, |(_, force)| *force)
        })
        .collect();
    let meant = format!("{number} {}", weights.join("."));
    let why = if weights.len() > 1 {
        "a torque is a force × a length"
    } else {
        "a force is not a mass"
    };
    reads(&meant).then(|| format!("{why}: {}", did_you_mean(&meant)))
}

/// With a unit that is the same but for capital letters, such as `35 MH` and `16 mhz`.
fn in_other_letters<T: Measure>(number: &str, unit: &str) -> Option<String> {
    let lower = unit.to_lowercase();
    let alike = |symbol: &str| symbol.to_lowercase() == lower;
    let (symbol, _) = T::UNITS.iter().find(|(symbol, _)| alike(symbol))?;
    let meant = format!("{number} {symbol}");
    meant.parse::<T>().is_ok().then_some(meant)
}

fn did_you_mean(meant: &String) -> String {
    format!("did you mean `{meant}`?")
}

/// The text with a point in its number, where there is a comma.
fn with_decimal_point(text: &str) -> Option<String> {
    let (whole, rest) = text.split_once(',')?;
    let digits = |part: &str| part.starts_with(|c: char| c.is_ascii_digit());
    let number = digits(whole.trim_start_matches(['+', '-'])) && split_number(whole).1.is_empty();
    (number && digits(rest)).then(|| format!("{whole}.{rest}"))
}

/// Reports numbers with a decimal comma in tables between braces, which YAML takes for the
/// end of their entry (`{ supply: 2,4 V }`), and reads them as they were meant.
pub(super) fn without_decimal_commas(entries: Vec<Entry>, problems: &mut Problems) -> Vec<Entry> {
    let mut kept: Vec<Entry> = Vec::with_capacity(entries.len());
    for entry in entries {
        let parts = kept.last_mut();
        let Some((meant, last)) = parts.and_then(|last| Some((parted(last, &entry)?, last))) else {
            kept.push(entry);
            continue;
        };
        let mut place = last.value.place.clone();
        place.span = place.span.to(entry.key_place.span);
        problems.add(
            place
                .error(
                    "not-a-quantity",
                    format!("`{}` has a comma in its number", last.key),
                    "the comma ends the entry",
                )
                .help(format!(
                    "numbers have a decimal point: {}",
                    did_you_mean(&meant)
                )),
        );
        last.value.kind = NodeKind::Text(meant);
    }
    kept
}

/// The value that was meant where a comma has parted it from what is now a key.
fn parted(entry: &Entry, next: &Entry) -> Option<String> {
    let (NodeKind::Text(whole), NodeKind::Nothing) = (&entry.value.kind, &next.value.kind) else {
        return None;
    };
    let text = entry.value.place.source.text();
    let between = text.get(entry.value.place.span.end()..next.key_place.span.start())?;
    with_decimal_point(&format!("{whole}{between}{}", next.key))
}
