//! Tables for people.

use comfy_table::presets::NOTHING;
use comfy_table::{CellAlignment, ContentArrangement, Table, TableComponent};

/// A table with a line under its heads; columns named in `right` stand right-aligned.
pub fn table(
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
    for row in rows {
        table.add_row(row);
    }
    for index in right {
        if let Some(column) = table.column_mut(*index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table.trim_fmt()
}
