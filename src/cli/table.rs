//! Tables for people.

use comfy_table::presets::NOTHING;
use comfy_table::{
    CellAlignment, ColumnConstraint, ContentArrangement, Table, TableComponent, Width,
};

/// A table with a line under its heads; columns named in `right` stand right-aligned.
/// Where it is wider than `width`, columns move together and cells wrap between words.
pub(super) fn table(
    heads: &[&str],
    right: &[usize],
    rows: impl IntoIterator<Item = Vec<String>>,
    width: usize,
) -> String {
    let mut table = Table::new();
    table
        .load_preset(NOTHING)
        .set_style(TableComponent::HeaderLines, '─')
        .set_style(TableComponent::MiddleHeaderIntersections, '─')
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(u16::try_from(width).unwrap_or(u16::MAX))
        .set_header(heads);
    let mut words: Vec<usize> = heads.iter().map(|head| longest_word(head)).collect();
    for row in rows {
        for (longest, cell) in words.iter_mut().zip(&row) {
            *longest = longest_word(cell).max(*longest);
        }
        table.add_row(row);
    }
    for index in right {
        if let Some(column) = table.column_mut(*index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    let full: usize = table
        .column_max_content_widths()
        .iter()
        .map(|width| usize::from(*width) + 3)
        .sum();
    if full > width {
        for (column, word) in table.column_iter_mut().zip(words) {
            column.set_padding((0, 1));
            let word = u16::try_from(word + 1).unwrap_or(u16::MAX);
            column.set_constraint(ColumnConstraint::LowerBoundary(Width::Fixed(word)));
        }
    }
    table.trim_fmt()
}

fn longest_word(text: &str) -> usize {
    let words = text.split_whitespace().map(|word| word.chars().count());
    words.max().unwrap_or(0)
}
