//! Plots and the report.

pub mod chart;
mod paint;
pub mod plots;
mod png;
pub mod recording;
pub mod report;
pub mod rig_charts;
mod sampling;
mod svg;

pub use chart::{Chart, Figure, LineStyle, Mark, Series, Shade};
pub use paint::DrawError;
pub use png::png;
pub use svg::svg;
