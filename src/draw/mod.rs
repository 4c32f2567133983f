//! Plots and the report.

pub mod chart;
pub mod plots;
mod png;
pub mod recording;
pub mod report;
pub mod rig_charts;
mod sampling;
mod svg;

pub use chart::{Chart, Figure, LineStyle, Mark, Series, Shade};
pub use png::{PngError, png};
pub use svg::{DrawError, size, svg};
