//! Texts of the user in the comments and pages of other languages.

/// Text that neither ends a comment of C nor upsets a careful compiler, and that reads in
/// the order in which it stands.
pub(crate) fn in_c(text: &str) -> String {
    one_line(text)
        .replace('\\', " ")
        .replace("*/", "* /")
        .replace("/*", "/ *")
        .replace("??", "? ?")
}

/// Text that begins neither a heading, nor a tag, nor a cell of a page in Markdown.
pub(crate) fn in_markdown(text: &str) -> String {
    one_line(text).replace('<', "\\<").replace('|', "\\|")
}

/// Text on one line, without characters that nobody sees: controls, and those that turn the
/// direction of what follows (Unicode Standard Annex 9, table 4 and section 2.6).
pub(crate) fn one_line(text: &str) -> String {
    let shown = |c: char| match c {
        '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => {
            ' '
        }
        c if c.is_control() => ' ',
        c => c,
    };
    text.chars().map(shown).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_ends_its_comment_or_turns_the_reading_direction() {
        for text in [
            "a */ b",
            "a **/ b",
            "a /* b",
            "a ??/ b",
            "a \\\n b",
            "a \u{202e} b",
            "a \u{2066} b",
            "a \u{2028} b",
            "*\u{202e}/",
        ] {
            let comment = in_c(text);
            for bad in [
                "*/", "/*", "??", "\\", "\n", "\u{202e}", "\u{2066}", "\u{2028}",
            ] {
                assert!(!comment.contains(bad), "{text:?} became {comment:?}");
            }
        }
        assert_eq!(in_c("Tür 3 → סוף"), "Tür 3 → סוף");
    }
}
