//! What a report is about, besides the program itself.

/// The script, what was read for it, and who explains findings.
#[derive(Debug)]
pub(crate) struct About {
    /// Name of the script.
    pub title: String,
    /// The files that were read, by name and text.
    pub inputs: Vec<(String, String)>,
    /// Paragraphs that explain a kind of finding.
    pub explain: fn(&str) -> Vec<String>,
}
