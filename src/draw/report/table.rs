//! Tables of a page as HTML.

use maud::{Markup, html};

use super::page::{Cell, PageTable, Tone};

/// Rows of a table that stays on one sheet of paper.
const SHORT: usize = 12;

/// A table that scrolls by itself where the page is too narrow for it.
pub(super) fn table(table: &PageTable) -> Markup {
    html! {
        section.scroll.short[table.rows.len() <= SHORT] tabindex="0" aria-label=(table.caption) {
            table {
                caption { span { (table.caption) } }
                thead {
                    tr { @for column in &table.columns { th.number[column.number] scope="col" { (column.head) } } }
                }
                tbody {
                    @for (number, row) in table.rows.iter().enumerate() {
                        tr data-row=[table.follows.get(number)] {
                            @for (index, (one, column)) in row.iter().zip(&table.columns).enumerate() {
                                (cell(one, column.number, index == 0))
                            }
                        }
                    }
                }
            }
        }
    }
}

fn cell(cell: &Cell, number: bool, names_the_row: bool) -> Markup {
    if names_the_row {
        return html! { th.number[number] scope="row" { (cell.text) } };
    }
    let tone = if cell.tone == Tone::Plain {
        None
    } else {
        Some(tone_class(cell.tone))
    };
    let class = [number.then_some("number"), tone.map(|_| "tone"), tone];
    let class: Vec<&str> = class.into_iter().flatten().collect();
    let class = (!class.is_empty()).then(|| class.join(" "));
    html! {
        td class=[class] {
            @if let Some(at) = cell.at {
                button type="button" data-at=(at) { (cell.text) }
            } @else {
                (cell.text)
            }
        }
    }
}

pub(super) const fn tone_class(tone: Tone) -> &'static str {
    match tone {
        Tone::Good => "good",
        Tone::Doubtful => "doubtful",
        Tone::Bad => "bad",
        Tone::Plain => "plain",
    }
}
