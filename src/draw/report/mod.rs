//! The report: one page that needs nothing but itself, opens from disk and prints.

pub mod content;
mod html;
pub mod page;
mod parts;
mod plot;
mod rows;
mod simulation;
mod timeline;

pub use content::{About, Report, problems};
pub use html::{fingerprint, html};
pub use page::Page;
