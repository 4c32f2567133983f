//! Plots and the report.
