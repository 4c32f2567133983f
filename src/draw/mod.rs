//! Plots and the report.

pub(crate) mod chart;
mod fits;
mod paint;
pub(crate) mod plots;
mod png;
pub(crate) mod recording;
pub(crate) mod report;
pub(crate) mod rig_charts;
mod sampling;
mod study;
mod svg;

pub(crate) use chart::Chart;
pub use chart::Figure;
pub use paint::DrawError;
pub use recording::RecordingError;
pub use report::Page;

use crate::rig::Rig;

impl Figure {
    /// The currents of the coils of each axis through one electrical cycle.
    pub fn coils(title: String, rig: &Rig) -> Self {
        let charts = rig.axes.iter().map(rig_charts::coils).collect();
        Self { title, charts }
    }

    /// The power of each axis at standstill over its hold current.
    pub fn heat(title: String, rig: &Rig) -> Self {
        let charts = rig.axes.iter().map(rig_charts::heat).collect();
        Self { title, charts }
    }

    /// The figure as a stand-alone SVG document.
    ///
    /// # Errors
    /// Only what the drawing library cannot do.
    pub fn svg(&self) -> Result<String, DrawError> {
        svg::svg(self)
    }

    /// The figure as a picture of pixels.
    ///
    /// # Errors
    /// Only what the drawing library cannot do.
    pub fn png(&self) -> Result<Vec<u8>, DrawError> {
        png::png(self)
    }
}
