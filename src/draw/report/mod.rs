//! The report: one page that needs nothing but itself, opens from disk and prints.

mod cautions;
pub mod content;
mod findings;
mod html;
pub mod page;
mod parts;
mod plot;
mod rows;
mod schedule;
mod simulation;
mod timeline;
mod torque;

pub use content::{About, Report, problems};
pub use html::{fingerprint, html};
pub use page::Page;
