//! Names that a script can write.

use super::yaml::Entry;
use crate::diagnostic::Diagnostic;
use crate::script::RESERVED;

/// The key of an entry as the name of an axis or a pin: a letter or `_`, then letters,
/// digits, `_` and `-`.
pub(super) fn name(entry: &Entry) -> Result<String, Diagnostic> {
    let name = entry.key.as_str();
    let mut letters = name.chars();
    let first = letters
        .next()
        .is_some_and(|c| c.is_alphabetic() || c == '_');
    if !first || !letters.all(|c| c.is_alphanumeric() || matches!(c, '_' | '-')) {
        return Err(entry
            .key_place
            .error(
                "not-a-name",
                format!("“{name}” is not a valid name in a script"),
                "",
            )
            .help("use a letter first, then letters, digits, `_` and `-`"));
    }
    // An axis or a pin of such a name could not be told from the word.
    if RESERVED.contains(&name) {
        return Err(entry
            .key_place
            .error(
                "reserved-name",
                format!("“{name}” is a word of the script language"),
                "",
            )
            .help(format!("name it, for instance, `{name}_1`")));
    }
    Ok(name.to_owned())
}
