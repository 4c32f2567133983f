//! A page as HTML: one document that needs nothing but itself.
//!
//! The content security policy lets the page's own style and script through by their
//! hashes and nothing else, so that whatever a script, a rig or a profile holds, it is shown and
//! never run, and no request leaves the page.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::bars;
use super::page::{Page, PageBlock, PageFinding, Section};
use super::plot;
use super::table::{table, tone_class};
use crate::draw::svg::visible;

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = concat!(
    include_str!("script/page.js"),
    include_str!("script/zoom.js"),
    include_str!("script/instant.js"),
    include_str!("script/revision.js"),
);

/// The page as an HTML document.
pub(super) fn html(page: &Page) -> String {
    let mut numbered = Numbered::default();
    let sections: Vec<Markup> = page
        .sections
        .iter()
        .map(|part| section(part, &mut numbered))
        .collect();
    let data = numbered.data(page);
    let document = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy(page.revision.is_some()));
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="generator" content={ "slewsmith " (env!("CARGO_PKG_VERSION")) };
                title { (page.title) ": " (page.answer.word) }
                style { (PreEscaped(STYLE)) }
            }
            body data-revision=[page.revision.as_deref()] {
                a.skip href="#content" { "Skip to the content" }
                header {
                    p.about { (page.about) }
                    h1 { (page.title) }
                }
                main id="content" {
                    (answer(page))
                    @if page.sections.len() > 1 {
                        nav aria-label="Parts of this page" {
                            ul {
                                @for part in &page.sections { li { a href={ "#" (part.id) } { (part.heading) } } }
                            }
                        }
                    }
                    @for part in &sections { (part) }
                }
                footer { p { (page.footer) } }
                @if data != Value::Null {
                    aside.instant id="instant" aria-label="Instant" hidden {}
                    script id="instants" type="application/json" { (PreEscaped(inert(&data))) }
                }
                @if data != Value::Null || page.revision.is_some() {
                    script { (PreEscaped(SCRIPT)) }
                }
            }
        }
    };
    let mut text = visible(&document.into_string());
    text.push('\n');
    text
}

/// What tells this page from another one: a hash of all that it says.
pub(super) fn fingerprint(page: &Page) -> String {
    let hash = Sha256::digest(html(&Page {
        revision: None,
        ..page.clone()
    }));
    hash.iter()
        .take(8)
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// JSON that cannot end the element it stands in.
fn inert(data: &Value) -> String {
    data.to_string().replace('<', "\\u003c")
}

fn policy(looks_at_itself: bool) -> String {
    let hash = |text: &str| format!("'sha256-{}'", STANDARD.encode(Sha256::digest(text)));
    let frame = if looks_at_itself {
        "; frame-src 'self' file:"
    } else {
        ""
    };
    format!(
        "default-src 'none'; style-src {}; script-src {}; base-uri 'none'; form-action 'none'{frame}",
        hash(STYLE),
        hash(SCRIPT)
    )
}

fn answer(page: &Page) -> Markup {
    html! {
        div class={ "verdict " (tone_class(page.answer.tone)) } {
            strong { (page.answer.word) }
            @for sentence in &page.answer.sentences { p { (sentence) } }
            @if !page.news.is_empty() { p.news { (page.news) } }
        }
        @if !page.figures.is_empty() {
            dl.figures {
                @for figure in &page.figures {
                    div {
                        dt { (figure.name) }
                        dd { (figure.value) @if !figure.note.is_empty() { " " small { (figure.note) } } }
                    }
                }
            }
        }
    }
}

/// Plots in their order on the page, by which the script finds them.
#[derive(Debug, Default)]
struct Numbered {
    plots: Vec<Value>,
}

impl Numbered {
    fn data(self, page: &Page) -> Value {
        if self.plots.is_empty() {
            return Value::Null;
        }
        let moves: Vec<Value> = page
            .instants
            .moves
            .iter()
            .map(|one| {
                json!([
                    plot::rounded(one.from, 8),
                    plot::rounded(one.to, 8),
                    one.line,
                    one.row
                ])
            })
            .collect();
        json!({ "end": page.instants.end, "first": page.instants.first, "moves": moves, "plots": self.plots })
    }
}

fn section(section: &Section, numbered: &mut Numbered) -> Markup {
    html! {
        section aria-labelledby={ (section.id) "-heading" } id=(section.id) {
            h2 id={ (section.id) "-heading" } { (section.heading) }
            @for one in &section.blocks { (block(one, numbered)) }
        }
    }
}

fn block(block: &PageBlock, numbered: &mut Numbered) -> Markup {
    match block {
        PageBlock::Text(text) => html! { p { (text) } },
        PageBlock::Hint(text) => html! { p.hint hidden { (text) } },
        PageBlock::Facts(facts) => html! {
            dl.facts { @for (name, value) in facts { dt { (name) } dd { (value) } } }
        },
        PageBlock::Table(rows) => table(rows),
        PageBlock::Plot(one) => {
            let number = numbered.plots.len();
            numbered.plots.push(plot::data(one, number));
            plot::figure(one, number)
        }
        PageBlock::Stops(stops) => bars::figure(stops),
        PageBlock::Finding(one) => finding(one),
        PageBlock::Caution(items) => html! {
            div.caution { ul { @for item in items { li { (item) } } } }
        },
        PageBlock::Source(name, text) => html! {
            h3 { (name) }
            section.source tabindex="0" aria-label=(name) { pre { code { (text) } } }
        },
        PageBlock::Problem(text) => {
            html! { section.problem tabindex="0" aria-label="problem" { pre { (text) } } }
        }
    }
}

/// A text whose words between backticks are code.
pub(super) fn with_code(text: &str) -> Markup {
    html! {
        @for (index, part) in text.split('`').enumerate() {
            @if index % 2 == 1 { code { (part) } } @else { (part) }
        }
    }
}

fn finding(finding: &PageFinding) -> Markup {
    html! {
        div class={ "finding " (tone_class(finding.tone)) } {
            h3 { (finding.weight) @if !finding.place.is_empty() { span { ": " (finding.place) } } }
            p { (with_code(&capital(&finding.message))) " " code { "[" (finding.code) "]" } }
            @if !finding.cures.is_empty() {
                p.cure { "Cure: " (with_code(&finding.cures.join(", or "))) }
            }
            @if !finding.explanation.is_empty() {
                details {
                    summary { "Cause and cure" }
                    @for paragraph in &finding.explanation { p { (with_code(paragraph)) } }
                }
            }
        }
    }
}

/// With a capital letter at its start.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}
