//! The report: one page that needs nothing but itself, opens from disk and prints.

mod about;
mod bars;
mod cautions;
mod closeup;
pub(crate) mod content;
mod findings;
mod html;
pub(crate) mod page;
mod parts;
mod plot;
mod rows;
mod schedule;
mod simulation;
mod stops;
mod table;
mod ticks;
mod timeline;
mod torque;

pub(crate) use about::About;
pub(crate) use content::ReportContent;
pub use page::Page;

impl Page {
    /// The page that stands in for a report where the input cannot be used; `drawn` are
    /// the problems with the lines they speak of.
    pub fn of_problems(title: String, drawn: Vec<String>) -> Self {
        content::problems(title, drawn)
    }

    /// The page as one of many: an open page looks for another one in its place and loads
    /// it.
    #[must_use]
    pub fn revised(self) -> Self {
        Self {
            revision: Some(html::fingerprint(&self)),
            ..self
        }
    }

    /// The page with what has changed since it was written before.
    #[must_use]
    pub fn with_news(self, news: String) -> Self {
        Self { news, ..self }
    }

    /// The page as an HTML document.
    pub fn html(&self) -> String {
        html::html(self)
    }
}
